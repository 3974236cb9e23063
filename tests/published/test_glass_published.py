"""Gloss of polished black glass by Fresnel's equations, and what testers expect of a tile."""

import pytest
from scipy.optimize import brentq

from acquire.calibration.glass import gloss_of_glass, implausible, reflectance

# Values worked out from the formula with 40 digits; that glass of index 1.567 is 100 GU is in ISO 2813 and
# ASTM D523, read second-hand.
TABLE = [
    (1.400, 57.0476, 71.9364, 96.6363),
    (1.450, 69.2381, 80.6951, 97.9513),
    (1.500, 82.0452, 89.1368, 98.9746),
    (1.520, 87.3178, 92.4309, 99.3177),
    (1.567, 100.0, 100.0, 100.0),
    (1.572, 101.37116, 100.79166, 100.06343),
    (1.600, 109.1200, 105.1793, 100.3897),
    (1.710, 140.5168, 121.7308, 101.2783),
]


@pytest.mark.parametrize(
    ("angle_deg", "expected"),
    [
        (0, 0.0487881533758),
        (20, 0.0490781009604),
        (45, 0.0597077673177),
        (60, 0.100056032172),
        (75, 0.264574376418),
        (85, 0.619148211756),
    ],
)
def test_reflectance_of_the_standard_glass(angle_deg: float, expected: float) -> None:
    """From the formula with 40 digits; 5.97 % at 45° also read second-hand in a public page."""
    assert reflectance(1.567, angle_deg) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: str(row[0]))
def test_gloss_against_refractive_index(row: tuple[float, float, float, float]) -> None:
    n, *expected = row
    assert [gloss_of_glass(n, angle) for angle in (20, 60, 85)] == pytest.approx(expected, abs=6e-5)


def test_one_polarisation_alone_would_not_do() -> None:
    """At n = 1.5 and 60° it would be 88.658 or 189.165 instead of 89.137 (from the formula)."""
    assert gloss_of_glass(1.5, 60) == pytest.approx(89.1368, abs=5e-5)


def test_a_tile_read_as_104_at_20_degrees_is_glass_of_index_1_58() -> None:
    """Common practice, no source: before ten readings of a panel the meter must read its tile's 104 at 20°.
    By the formula that is glass of index 1.5815, which has 102.3 GU at 60° and 100.2 GU at 85°."""
    n = float(brentq(lambda n: gloss_of_glass(n, 20) - 104.0, 1.5, 1.7))
    assert n == pytest.approx(1.5815, abs=1e-4)
    assert implausible(104.0, 0.5, 1.5815, 20) is None
    assert gloss_of_glass(n, 60) == pytest.approx(102.3, abs=0.05)
    said = implausible(104.0, 0.5, 1.567, 20)
    assert said is not None
    assert "polished glass of index 1.567 has 100.0 GU at 20°" in said
    assert "4.0 GU above" in said


def test_what_the_certificate_explains_is_not_remarked_upon() -> None:
    assert implausible(100.5, 0.5, 1.567, 60) is None
    assert implausible(99.4, 0.5, 1.567, 60) is not None
