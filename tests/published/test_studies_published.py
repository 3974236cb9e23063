"""Studies of measuring against published examples; how far each source was read stands beside it."""

import math

import pytest

from acquire.studies.benches import Precision, h_critical, k_critical, precision
from acquire.studies.crossed import Crossed, crossed
from acquire.studies.observed import Observed, balance
from acquire.studies.oneway import one_way

SIRSTV = """
196.3052 196.1240 196.1890 196.2569 196.3403
196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811
196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""

# One row for each laboratory: three values each for materials A to E.
GLUCOSE = """
1 41.03 41.45 41.37 78.28 78.18 78.49 132.66 133.83 133.10 193.71 193.59 193.65 292.78 294.09 292.89
2 41.17 42.00 41.15 77.78 80.38 79.54 132.92 136.90 136.40 190.88 200.14 194.30 292.27 309.40 295.08
3 41.01 40.68 42.66 79.18 79.72 80.81 132.61 135.80 135.36 192.71 193.28 190.28 295.53 290.14 292.34
4 39.37 42.37 42.63 84.08 78.60 81.92 138.50 148.30 135.69 195.85 196.36 199.43 295.19 295.44 296.83
5 41.88 41.19 41.32 78.16 79.58 78.33 131.90 134.14 133.76 192.59 191.44 195.12 293.93 292.48 294.28
6 43.28 40.50 42.28 78.66 79.27 81.75 137.21 135.14 137.50 195.34 198.26 198.13 297.74 296.80 290.33
7 41.08 41.27 39.02 79.76 81.45 77.35 130.97 131.59 134.92 194.66 191.99 187.13 287.29 293.76 289.36
8 43.36 42.65 41.72 80.44 80.80 79.80 135.46 135.14 133.63 197.56 195.99 200.82 298.46 295.28 296.12
"""

# One row for each part: three values each by operators A, B and C.
PARTS = """
1 0.29 0.41 0.64 0.08 0.25 0.07 0.04 -0.11 -0.15
2 -0.56 -0.68 -0.58 -0.47 -1.22 -0.68 -1.38 -1.13 -0.96
3 1.34 1.17 1.27 1.19 0.94 1.34 0.88 1.09 0.67
4 0.47 0.50 0.64 0.01 1.03 0.20 0.14 0.20 0.11
5 -0.80 -0.92 -0.84 -0.56 -1.20 -1.28 -1.46 -1.07 -1.45
6 0.02 -0.11 -0.21 -0.20 0.22 0.06 -0.29 -0.67 -0.49
7 0.59 0.75 0.66 0.47 0.55 0.83 0.02 0.01 0.21
8 -0.31 -0.20 -0.17 -0.63 0.08 -0.34 -0.46 -0.56 -0.49
9 2.26 1.99 2.01 1.80 2.12 2.19 1.77 1.45 1.87
10 -1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16
"""


def test_one_way_resistivity_of_silicon() -> None:
    """NIST StRD, SiRstv: certified; read in the copy of NIST's file that scipy ships. Component derived."""
    groups = [[float(word) for word in line.split()] for line in SIRSTV.split("\n") if line]
    found = one_way(groups)
    assert (found.between.freedom, found.within.freedom) == (4, 20)
    assert found.between.sum_of_squares == pytest.approx(5.11462616000000e-02, rel=1e-10)
    assert found.within.sum_of_squares == pytest.approx(2.16636560000000e-01, rel=1e-10)
    assert found.between.mean_square == pytest.approx(1.27865654000000e-02, rel=1e-10)
    assert found.within.mean_square == pytest.approx(1.08318280000000e-02, rel=1e-10)
    assert found.between.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.within_sd == pytest.approx(1.04076068334656e-01, rel=1e-10)
    assert found.between_sd == pytest.approx(0.0197724, abs=5e-8)
    assert found.between.p == pytest.approx(0.349447, abs=5e-7)


def glucose(*, corrected: bool) -> dict[str, Precision]:
    """With the reading 148.30 that the standard traces to a slip of the pen, or with 138.30 in its place."""
    observed = []
    for line in GLUCOSE.strip().splitlines():
        bench, *values = line.split()
        for place, value in enumerate(values):
            number = 138.30 if corrected and value == "148.30" else float(value)
            observed.append(Observed(bench, "ABCDE"[place // 3], number))
    return {one.material: one for one in precision(observed)}


@pytest.mark.parametrize(
    ("material", "corrected", "mean", "of_means", "sr", "s_big_r", "r", "big_r"),
    [
        ("A", False, 41.5183, 0.6061, 1.0632, 1.0632, 2.98, 2.98),
        ("B", False, 79.6796, 1.0028, 1.4949, 1.5796, 4.19, 4.42),
        ("C", False, 135.1429, 2.6559, 2.7483, 3.4770, 7.70, 9.74),
        ("C", True, 134.72625, 1.7397, 1.5434, 2.1482, 4.32, 6.01),
        ("D", False, 194.7171, 2.5950, 2.6251, 3.3657, 7.35, 9.42),
        ("E", False, 294.4921, 2.6931, 3.9350, 4.1923, 11.02, 11.74),
    ],
)
def test_glucose_in_serum(
    material: str,
    corrected: bool,
    mean: float,
    of_means: float,
    sr: float,
    s_big_r: float,
    r: float,
    big_r: float,
) -> None:
    """ASTM E691-99 table 1, by NIST's copy of the data; precision values from memory, recomputed."""
    found = glucose(corrected=corrected)[material]
    assert (found.benches_n, found.repeats_n) == (8, 3)
    assert found.mean == pytest.approx(mean, abs=1e-4)
    assert found.sd_of_means == pytest.approx(of_means, abs=1e-4)
    assert found.repeatability_sd == pytest.approx(sr, abs=1e-4)
    assert found.reproducibility_sd == pytest.approx(s_big_r, abs=1e-4)
    assert found.repeatability_limit == pytest.approx(r, abs=0.01)
    assert found.reproducibility_limit == pytest.approx(big_r, abs=0.01)
    assert found.clamped is (material == "A")


def test_h_and_k_of_glucose() -> None:
    """As above; the bench with the slip of the pen is the one that k points at."""
    found = glucose(corrected=False)
    c = found["C"].cells
    assert [cell.h for cell in c] == pytest.approx(
        [-0.73, 0.10, -0.21, 2.14, -0.71, 0.55, -1.00, -0.15], abs=5.1e-3
    )
    assert [cell.k for cell in c] == pytest.approx(
        [0.22, 0.79, 0.63, 2.41, 0.44, 0.47, 0.77, 0.36], abs=5.1e-3
    )
    assert [cell.bench for cell in c if cell.k_beyond] == ["4"]
    assert found["E"].cells[1].k == pytest.approx(2.33, abs=5.1e-3)
    assert found["B"].cells[3].h == pytest.approx(1.85, abs=5.1e-3)
    assert not any(cell.h_beyond for one in found.values() for cell in one.cells)


def test_critical_h_and_k() -> None:
    """ASTM E691 table 5, 0.5 %: from memory, recomputed; 2.1525 and 2.0608 recomputed alone."""
    printed = [1.15, 1.49, 1.74, 1.92, 2.05, 2.15, 2.23, 2.29, 2.34, 2.38, 2.41, 2.44, 2.47]
    assert [h_critical(p) for p in range(3, 16)] == pytest.approx(printed, abs=5.1e-3)
    assert [k_critical(8, n) for n in range(2, 7)] == pytest.approx(
        [2.36, 2.06, 1.90, 1.79, 1.72], abs=5.1e-3
    )
    assert h_critical(8) == pytest.approx(2.1525, abs=5e-5)
    assert k_critical(8, 3) == pytest.approx(2.0608, abs=5e-5)


def parts(pool_above: float = 0.25) -> Crossed:
    observed = []
    for line in PARTS.strip().splitlines():
        part, *values = line.split()
        observed += [Observed("ABC"[place // 3], part, float(value)) for place, value in enumerate(values)]
    return crossed(balance(observed), pool_above=pool_above)


def test_ten_parts_by_three_operators() -> None:
    """Measurement system analysis manual, 4th ed.: table and sds second-hand, recomputed to 5 digits."""
    found = parts()
    panel, person, both, repeat, pooled = found.table
    assert [row.freedom for row in found.table] == [9, 2, 18, 60, 78]
    assert panel.mean_square == pytest.approx(9.81799, abs=5.1e-6)
    assert person.mean_square == pytest.approx(1.58363, abs=5.1e-6)
    assert both.mean_square == pytest.approx(0.01994, abs=5.1e-6)
    assert repeat.mean_square == pytest.approx(0.04598, abs=5.1e-6)
    assert pooled.mean_square == pytest.approx(0.03997, abs=5.1e-6)
    assert both.f == pytest.approx(0.434, abs=5e-4)
    assert both.p == pytest.approx(0.9741, abs=5e-5)
    assert found.pooled
    sds = [found.repeatability, found.reproducibility, found.measuring, found.panel, found.total]
    # The third is printed as 0.302373, although the two before it make 0.302372.
    assert [one.sd for one in sds[:4]] == pytest.approx([0.199933, 0.226838, 0.302373, 1.042327], abs=1.6e-6)
    assert sds[4].sd == pytest.approx(1.0853, abs=5e-5)
    assert [one.variance_percent for one in sds[:4]] == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.051)
    assert [one.sd_percent for one in sds[:4]] == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=5.1e-3)
    assert found.categories == 4
    assert 1.41 * found.panel.sd / found.measuring.sd == pytest.approx(4.861, abs=1e-3)


def test_ten_parts_without_pooling() -> None:
    """Recomputed: the repeats alone, and an interaction whose estimate is below zero."""
    found = parts(pool_above=1.0)
    assert not found.pooled
    assert found.repeatability.sd == pytest.approx(0.214435, abs=5e-7)
    assert found.interaction.clamped
    assert found.interaction.sd == 0
    assert math.isclose(found.reproducibility.sd, found.people_alone.sd)
