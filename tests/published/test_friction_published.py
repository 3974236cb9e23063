"""Friction coefficients against textbook numbers and exact factors."""

import math
from fractions import Fraction

import pytest

from acquire.scoring.method import ASSUMED_GRAVITY, Gravity
from acquire.scoring.slip import block_weight
from acquire.scoring.uncertainty import Sources, Twin
from tests.scoring_kit import STANDARD, method


def friction(
    force_n: float, mass_kg: str, gravity: Gravity, u_force_n: float = 0.0, u_mass: str = "0.0"
) -> Twin:
    """The quotient that slip is scored with."""
    rules = method(
        ("block_mass_kg = 0.800", f"block_mass_kg = {mass_kg}"),
        ("block_mass_standard_uncertainty_kg = 0.0005", f"block_mass_standard_uncertainty_kg = {u_mass}"),
    )
    sources = Sources()
    force = sources.make(force_n, u_force_n, name="force", unit="N")
    return Twin(Fraction(str(force_n)), force) / block_weight(rules, gravity, sources)


def test_crate_on_a_level_floor() -> None:
    """Textbook problem: 20.0 kg, 75.0 N to start, 60.0 N to keep moving, g 9.80; second-hand, recomputed."""
    g = Gravity(9.80, 0.0, "textbook")
    assert float(friction(75.0, "20.0", g).exact) == pytest.approx(0.382653, abs=5e-7)
    assert float(friction(60.0, "20.0", g).exact) == pytest.approx(0.306122, abs=5e-7)


def test_skier_on_a_slope() -> None:
    """College textbook problem: 62 kg, 25 degrees, 45.0 N, g 9.80; second-hand, recomputed."""
    g = Gravity(9.80 * math.cos(math.radians(25)), 0.0, "textbook, across the slope")
    assert friction(45.0, "62.0", g).uncertain.value == pytest.approx(0.0817182, abs=5e-8)


def test_standard_sled_is_exact() -> None:
    """200 g under standard gravity weigh 1.961330 N; 0.588399 N then gives 0.3 exactly. Derived."""
    rules = method(("block_mass_kg = 0.800", "block_mass_kg = 0.200"))
    assert block_weight(rules, STANDARD, Sources()).exact == Fraction("1.961330")
    assert friction(0.588399, "0.200", STANDARD).exact == Fraction(3, 10)


def test_uncertainty_of_a_single_coefficient() -> None:
    """F = 0.63 N (u 0.005), m = 0.2000 kg (u 0.0005), standard gravity: 0.3212106, u 0.0026728. Derived."""
    found = friction(0.63, "0.2000", STANDARD, u_force_n=0.005, u_mass="0.0005")
    assert float(found.exact) == pytest.approx(0.3212106, abs=5e-8)
    assert found.uncertain.standard_uncertainty == pytest.approx(0.0026728, abs=5e-8)


def test_assumed_gravity_covers_equator_and_pole() -> None:
    """WGS 84 normal gravity 9.7803253359 and 9.8321849379 m/s²; constants second-hand, values derived."""
    half_width = ASSUMED_GRAVITY.standard_uncertainty_m_s2 * math.sqrt(3)
    assert ASSUMED_GRAVITY.value_m_s2 - 9.7803253359 < half_width
    assert 9.8321849379 - ASSUMED_GRAVITY.value_m_s2 < half_width
    assert half_width == pytest.approx(0.00268 * 9.80665, rel=0.02)
