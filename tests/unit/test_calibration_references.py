from math import hypot
from pathlib import Path

import pytest

from acquire.calibration.references import AIR_BUOYANCY, assigned_value, weight_force_n
from acquire.errors import ConfigError
from acquire.units import newtons_per
from tests.bench_tools import BENCH, make_bench

STANDARD_GRAVITY_M_S2 = 9.80665
POUND_G, OUNCE_G = 453.59237, 28.349523125


def test_air_carries_part_of_a_weight() -> None:
    """1 - 1.2/8000, the conventional air and steel densities: derived, not a published figure."""
    assert abs(AIR_BUOYANCY - 0.99985) < 1e-15


@pytest.mark.parametrize(
    ("unit", "mass_g"), [("gf", 1.0), ("kgf", 1000.0), ("lbf", POUND_G), ("ozf", OUNCE_G)]
)
def test_a_unit_mass_at_standard_gravity_is_the_unit_of_force(unit: str, mass_g: float) -> None:
    """NIST SP 811 appendix B, exact factors, as quoted by public unit tables; mended for the air's share."""
    in_vacuum = weight_force_n(mass_g, STANDARD_GRAVITY_M_S2) / AIR_BUOYANCY
    assert in_vacuum == pytest.approx(newtons_per(unit), rel=1e-14)


def test_a_gram_weighs_local_gravity_not_a_gram_force() -> None:
    """Local gravity at latitude 60° on the WGS 84 ellipsoid: computed from the published constants."""
    assert weight_force_n(1.0, 9.8191769531) == pytest.approx(0.0098191769531 * 0.99985, rel=1e-14)


def test_the_force_of_a_weight_carries_mass_and_gravity(tmp_path: Path) -> None:
    assigned = assigned_value(make_bench(tmp_path), "weight-200g")
    force_n = 0.2 * 9.80665 * 0.99985
    assert assigned.unit == "N"
    assert assigned.value == pytest.approx(force_n, rel=1e-14)
    mass, gravity = 0.005 / 200, 0.0266 / 3**0.5 / 9.80665
    assert assigned.standard_uncertainty == pytest.approx(force_n * hypot(mass, gravity), rel=1e-12)
    assert "standard gravity" in assigned.basis
    assert "buoyancy" in assigned.basis
    assert assigned.certificate == "W-1 (invented)"


def test_a_tile_has_a_value_for_each_angle(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    assigned = assigned_value(bench, "tile", "60")
    assert (assigned.value, assigned.unit, assigned.channel) == (93.1, "GU", "60")
    assert assigned.standard_uncertainty == 0.25
    with pytest.raises(ConfigError, match="no value for the angle 85; it has 20, 60"):
        assigned_value(bench, "tile", "85")
    with pytest.raises(ConfigError, match="it has 20, 60"):
        assigned_value(bench, "tile")


def test_the_only_angle_of_a_tile_need_not_be_named(tmp_path: Path) -> None:
    bench = make_bench(tmp_path, BENCH.replace("20 = 88.4, ", ""))
    assert assigned_value(bench, "tile").channel == "60"


def test_strokes_are_a_plain_count(tmp_path: Path) -> None:
    assigned = assigned_value(make_bench(tmp_path), "strokes-50")
    assert (assigned.value, assigned.unit, assigned.standard_uncertainty) == (50.0, "1", 0.0)
    assert assigned.due is None


def test_a_reference_must_fit(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    with pytest.raises(ConfigError, match="is a weight reference and has no channel '60'"):
        assigned_value(bench, "weight-200g", "60")
    with pytest.raises(ConfigError, match="no reference 'tyle'; did you mean 'tile'"):
        assigned_value(bench, "tyle")
