"""Statistics against published values; how far each source was read stands beside it."""

import math

import numpy as np
import pytest

from acquire.scoring.statistics import (
    effective_freedom,
    grubbs,
    grubbs_critical,
    mean,
    rectangular,
    relative_sd_of_sd,
    resolution_uncertainty,
    sd,
    student_factor,
)
from tests.published.nist_univariate import DATA_SETS, DataSet

BY_NAME = {data.name: data for data in DATA_SETS}


@pytest.mark.parametrize("data", DATA_SETS, ids=lambda data: data.name)
def test_nist_certified_mean_and_sd(data: DataSet) -> None:
    """Source and how far it was read: see `nist_univariate`."""
    assert mean(data.values) == pytest.approx(data.mean, rel=1e-15)
    assert sd(data.values) == pytest.approx(data.sd, rel=data.rel)


@pytest.mark.parametrize("name", ["NumAcc3", "NumAcc4"])
def test_the_one_pass_formula_would_fail_on_these_sets(name: str) -> None:
    """Guards the guard: if sums of squares did well here, the sets above would prove nothing."""
    values = np.array(BY_NAME[name].values)
    one_pass = max(float(np.sum(values**2) - np.sum(values) ** 2 / len(values)), 0.0) / (len(values) - 1)
    assert math.sqrt(one_pass) != pytest.approx(0.1, rel=1e-3)


def test_grubbs_mass_spectrometer() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1; figures second-hand, from fixtures citing the page; recomputed."""
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    outcome = grubbs(values, 0.05, "upper")
    assert outcome.statistic == pytest.approx(2.46876461, abs=5e-9)
    assert outcome.critical == pytest.approx(2.031652, abs=5e-7)
    assert outcome.outliers == (7,)
    assert grubbs_critical(8, 0.05, "two") == pytest.approx(2.126645, abs=5e-7)
    # No single value among eight can lie three standard deviations out: such a rule would never fire.
    assert outcome.statistic < 7 / math.sqrt(8) < 3


@pytest.mark.parametrize(
    ("count", "one_10", "one_5", "one_1", "two_5", "two_1"),
    [
        (3, 1.1484, 1.1531, 1.1546, 1.1543, 1.1547),
        (4, 1.4250, 1.4625, 1.4925, 1.4813, 1.4962),
        (5, 1.6016, 1.6714, 1.7489, 1.7150, 1.7637),
        (6, 1.7289, 1.8221, 1.9442, 1.8871, 1.9728),
        (8, 1.9089, 2.0317, 2.2208, 2.1266, 2.2744),
        (10, 2.0362, 2.1761, 2.4097, 2.2900, 2.4821),
        (11, 2.0880, 2.2339, 2.4843, 2.3547, 2.5641),
        (15, 2.2476, 2.4090, 2.7049, 2.5483, 2.8061),
        (20, 2.3853, 2.5566, 2.8838, 2.7082, 3.0008),
        (50, 2.7719, 2.9570, 3.3366, 3.1282, 3.4825),
        (100, 3.0239, 3.2095, 3.6002, 3.3841, 3.7540),
    ],
)
def test_grubbs_critical_values(
    count: int, one_10: float, one_5: float, one_1: float, two_5: float, two_1: float
) -> None:
    """Tables of the ASTM E178 kind; second-hand from two public fixtures, recomputed from the formula."""
    found = [
        grubbs_critical(count, 0.10, "upper"),
        grubbs_critical(count, 0.05, "upper"),
        grubbs_critical(count, 0.01, "lower"),
        grubbs_critical(count, 0.05, "two"),
        grubbs_critical(count, 0.01, "two"),
    ]
    assert found == pytest.approx([one_10, one_5, one_1, two_5, two_1], abs=5.1e-5)


def test_welch_satterthwaite_of_a_product() -> None:
    """GUM G.4.1, from memory; recomputed. The GUM takes 19.0 degrees of freedom; we do not cut to 18."""
    freedom = effective_freedom([(0.25, 9), (0.57, 4), (0.82, 14)])
    assert freedom == pytest.approx(18.99874, abs=5e-6)
    combined = math.sqrt(0.25**2 + 0.57**2 + 0.82**2)
    assert combined == pytest.approx(1.029466, abs=5e-7)
    assert student_factor(freedom, 0.95) == pytest.approx(2.093, abs=5e-4)
    assert student_factor(freedom, 0.95) * combined == pytest.approx(2.1547, abs=5e-4)


def test_welch_satterthwaite_of_the_end_gauge() -> None:
    """GUM H.1; inputs, 32 nm and 16.7 second-hand, 93 nm from memory; recomputed.

    The GUM cuts 16.7 to 16 and finds 93 nm; uncut, as here, it comes out 1 % smaller.
    """
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    combined = math.sqrt(sum(size**2 for size, _ in parts))
    assert combined == pytest.approx(32, abs=0.5)
    freedom = effective_freedom(parts)
    assert freedom == pytest.approx(16.7, abs=0.1)
    assert student_factor(16, 0.99) * combined == pytest.approx(93, abs=0.5)
    assert student_factor(freedom, 0.99) * combined == pytest.approx(0.99 * 93, abs=0.5)


def test_rules_for_single_contributions() -> None:
    """GUM 4.3.7 and F.2.2.1, textbook; the GUM prints 0.29 for a display step."""
    assert rectangular(1.0) == pytest.approx(0.577350, abs=5e-7)
    assert resolution_uncertainty(1.0) == pytest.approx(0.288675, abs=5e-7)
    # A film sled's gauge with steps of 0.01 N; derived.
    assert resolution_uncertainty(0.01) == pytest.approx(0.0028868, abs=5e-8)


def test_how_well_a_standard_deviation_is_known() -> None:
    """GUM table E.1, in percent; n = 30 was read in the text of G.1.2, the others from memory; recomputed."""
    counts = [2, 3, 4, 5, 10, 20, 30, 50]
    assert [round(100 * relative_sd_of_sd(n)) for n in counts] == [76, 52, 42, 36, 24, 16, 13, 10]
    assert 100 * relative_sd_of_sd(2) == pytest.approx(75.551, abs=5e-4)


@pytest.mark.parametrize(
    ("freedom", "t_90", "t_95", "t_99", "t_975_exact"),
    [
        (1, 6.31, 12.71, 63.66, 12.706205),
        (2, 2.92, 4.30, 9.92, 4.302653),
        (3, 2.35, 3.18, 5.84, 3.182446),
        (4, 2.13, 2.78, 4.60, 2.776445),
        (5, 2.02, 2.57, 4.03, 2.570582),
        (7, 1.89, 2.36, 3.50, 2.364624),
        (9, 1.83, 2.26, 3.25, 2.262157),
        (16, 1.75, 2.12, 2.92, 2.119905),
        (19, 1.73, 2.09, 2.86, 2.093024),
        (30, 1.70, 2.04, 2.75, 2.042272),
        (100, 1.66, 1.98, 2.63, 1.983972),
        (None, 1.645, 1.960, 2.576, 1.959964),
    ],
)
def test_student_factors(
    freedom: float | None, t_90: float, t_95: float, t_99: float, t_975_exact: float
) -> None:
    """GUM table G.2, from memory; recomputed."""
    digits = 3 if freedom is None else 2
    found = [round(student_factor(freedom, coverage), digits) for coverage in (0.90, 0.95, 0.99)]
    assert found == [t_90, t_95, t_99]
    assert student_factor(freedom, 0.95) == pytest.approx(t_975_exact, abs=5.1e-7)


def test_one_two_and_three_sigma_factors() -> None:
    """GUM table G.2, columns 68.27, 95.45 and 99.73 %, which mean exactly 1, 2 and 3 sigma; from memory."""
    coverages = [math.erf(k / math.sqrt(2)) for k in (1, 2, 3)]
    assert [round(student_factor(1, coverage), 2) for coverage in coverages] == [1.84, 13.97, 235.80]
    assert [round(student_factor(10, coverage), 2) for coverage in coverages] == [1.05, 2.28, 3.96]
