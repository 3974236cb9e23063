"""Comparing, combining and ranking figures, against published numbers and independent libraries."""

import math
import statistics

import numpy as np
import pytest
from scipy.stats import norm, studentized_range, tukey_hsd

from acquire.scoring.combine import combine, mandel_paule
from acquire.scoring.compare import Comparison, compare, holm
from acquire.scoring.correlated import Floats, correlate
from acquire.scoring.ranks import drawn, place_chances
from acquire.scoring.results import Points
from tests.points_kit import COVERAGE, line, points

# NIST/SEMATECH e-Handbook, section 7.3.1: minutes to assemble, two processes. Values as quoted in an
# independent repository; the two-sided p recomputed from the printed data.
PROCESS_1 = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
PROCESS_2 = [36, 31, 30, 31, 34, 36, 29, 32, 31]

# The same handbook, section 7.4.3, as scipy's own test suite uses it.
GROUPS = [
    [6.9, 5.4, 5.8, 4.6, 4.0],
    [8.3, 6.8, 7.8, 9.2, 6.5],
    [8.0, 10.5, 8.1, 6.9, 9.3],
    [5.8, 3.8, 6.1, 5.6, 6.2],
]

# Student 1908, hours of sleep gained with two drugs by the same ten people.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def of_sample(values: list[float] | list[int]) -> Points:
    """The mean of a sample with its standard error at n - 1 degrees of freedom."""
    size = statistics.stdev(values) / math.sqrt(len(values))
    return points(statistics.fmean(values), line(size, freedom=len(values) - 1))


def compared(*figures: Points) -> Comparison:
    return compare(correlate(figures), np.zeros(len(figures), dtype=np.bool_), COVERAGE)


def test_a_pair_without_anything_in_common_is_welchs_test() -> None:
    found = compared(of_sample(PROCESS_1), of_sample(PROCESS_2))
    assert found.difference[0, 1] / found.standard_uncertainty[0, 1] == pytest.approx(2.2694, abs=5e-5)
    assert found.freedom[0, 1] == pytest.approx(15.532514, rel=1e-6)
    assert found.p[0, 1] == pytest.approx(0.0378795, abs=5e-8)
    assert found.adjusted[0, 1] == found.p[0, 1], "one pair needs no correction"


def test_pairs_of_unequal_variance_have_the_t_and_freedom_of_games_and_howell() -> None:
    found = compared(*map(of_sample, GROUPS))
    expected = tukey_hsd(*GROUPS, equal_var=False).pvalue
    t = np.abs(found.difference) / np.where(found.standard_uncertainty > 0, found.standard_uncertainty, 1)
    # Their probability is that of the range of four studentized values, ours that of one pair, corrected.
    theirs = np.asarray(studentized_range.sf(t * math.sqrt(2), len(GROUPS), found.freedom))
    upper = np.triu_indices(4, k=1)
    np.testing.assert_allclose(theirs[upper], expected[upper], rtol=1e-6)
    # Printed by the same library, digits as noted when the data were collected.
    np.testing.assert_allclose(
        theirs[upper], [0.03846, 0.01658, 0.99469, 0.71950, 0.04048, 0.01874], atol=5e-6
    )
    assert (found.adjusted[upper] >= found.p[upper]).all()
    np.testing.assert_array_equal(found.real, expected <= 1 - COVERAGE)


def test_what_two_figures_share_is_not_counted_against_their_difference() -> None:
    # Sleep data: paired t -4.062128, p 0.0028329 at 9 degrees; unpaired (Welch) t -1.860813, p 0.0793941.
    n = len(SLEEP_1)
    apart = statistics.stdev([one - other for one, other in zip(SLEEP_1, SLEEP_2, strict=True)])
    people = line(statistics.stdev(SLEEP_1) / math.sqrt(n), "these ten people")
    one = points(statistics.fmean(SLEEP_1), people)
    other = points(statistics.fmean(SLEEP_2), people, line(apart / math.sqrt(n), freedom=n - 1))
    found = compared(one, other)
    t = found.difference[0, 1] / found.standard_uncertainty[0, 1]
    assert t == pytest.approx(-4.062127683382037, rel=1e-9)
    assert found.p[0, 1] == pytest.approx(0.002832890197384, rel=1e-9)
    unpaired = compared(of_sample(SLEEP_1), of_sample(SLEEP_2))
    assert unpaired.freedom[0, 1] == pytest.approx(17.776473516178488, rel=1e-9)
    assert unpaired.p[0, 1] == pytest.approx(0.0793941401873583, rel=1e-9)


def test_holms_correction() -> None:
    # A usual textbook example, from memory; the adjusted values follow from the definition by hand:
    # 4 x 0.005, 3 x 0.01, 2 x 0.03, and 1 x 0.04, raised to the one before it.
    np.testing.assert_allclose(holm(np.array([0.01, 0.04, 0.03, 0.005])), [0.03, 0.06, 0.06, 0.02])
    np.testing.assert_allclose(holm(np.array([0.5, 0.9])), [1.0, 1.0])
    assert holm(np.array([])).shape == (0,)


def test_scatter_between_values_by_mandel_and_paule() -> None:
    # Kacker 2004, Metrologia 41:132, table 1, first row: 0.8399; data and value as quoted by the tests of
    # statsmodels' meta-analysis. The same table has 0.5359 by the one-step method of DerSimonian and Laird.
    values = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
    variances = np.array([0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])
    excess = mandel_paule(values, variances)
    assert math.sqrt(excess) == pytest.approx(0.8399, abs=5e-5)
    weights = 1 / (variances + excess)
    centre = np.sum(weights * values) / np.sum(weights)
    assert np.sum(weights * (values - centre) ** 2) == pytest.approx(len(values) - 1, rel=1e-9)


def test_mean_of_days_with_scatter_between_them() -> None:
    # GUM (JCGM 100) H.5: day means of five readings each, pooled standard deviation of a reading 85 µV.
    # Printed (from memory, recomputed): between days 43 µV, uncertainty of the mean 18 µV.
    micro = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    days = [points(float(value), line(84.8870 / math.sqrt(5), freedom=4)) for value in micro]
    found = combine(days)
    assert found.between_sd == pytest.approx(42.6386, abs=1e-3)
    assert found.points.unrounded == pytest.approx(97.1)
    assert found.points.standard_uncertainty == pytest.approx(18.0533, abs=1e-4)
    assert found.points.effective_degrees_of_freedom == 9


def one_draw(figure: Points, draws: int = 400_000) -> Floats:
    return np.concatenate([totals[0] for totals in drawn(correlate([figure]), draws, seed=7)])


def test_a_sum_of_four_sources_spreads_as_their_distributions_say() -> None:
    # JCGM 101, additive model: four sources of u = 1 give 95 % intervals of ± 3.92 if they are normal and
    # ± 3.88 (exactly 3.879407) if they are rectangular. Values as quoted elsewhere, the second closed form.
    normal = one_draw(points(0.0, *[line(1.0, freedom=None)] * 4))
    rectangular = one_draw(points(0.0, *[line(1.0, distribution="rectangular")] * 4))
    np.testing.assert_allclose(np.quantile(normal, [0.025, 0.975]), [-3.92, 3.92], atol=0.02)
    np.testing.assert_allclose(np.quantile(rectangular, [0.025, 0.975]), [-3.879407, 3.879407], atol=0.02)
    assert rectangular.std() == pytest.approx(2.0, rel=2e-3)


@pytest.mark.parametrize("difference", [0.0, 0.3, 1.0, -2.0])
def test_two_figures_keep_their_order_with_the_normal_probability(difference: float) -> None:
    shared = line(5.0, "shared")
    one = points(10.0 + difference, shared, line(0.6))
    other = points(10.0, shared, line(0.8))
    found = place_chances(correlate([one, other]), np.zeros(2, dtype=np.bool_), COVERAGE)
    expected = float(norm.cdf(difference / math.hypot(0.6, 0.8)))
    assert found.chance[0, 0] == pytest.approx(expected, abs=4 * found.standard_error)
    np.testing.assert_allclose(found.chance.sum(axis=1), 1.0)


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0, 4.0])
def test_a_source_known_by_one_degree_does_not_make_differences_real(ratio: float) -> None:
    """Held against plain simulation: two equal figures, one with the scatter of two trials."""
    generator = np.random.default_rng(20310504)
    pairs_n, real_n = 1500, 0
    for _ in range(pairs_n):
        trials = generator.normal(0.0, ratio * math.sqrt(2), 2)
        size = abs(trials[0] - trials[1]) / 2  # standard error of the mean of two
        one = points(float(trials.mean()), line(float(size), freedom=1.0))
        other = points(float(generator.normal()), line(1.0))
        found = compare(correlate([one, other]), np.zeros(2, dtype=bool), COVERAGE)
        real_n += bool(found.real[0, 1])
    # 5 of 100 and three standard deviations of the count.
    assert real_n <= pairs_n * 0.05 + 3 * math.sqrt(pairs_n * 0.05 * 0.95)
