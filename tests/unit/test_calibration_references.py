from math import hypot
from pathlib import Path

import pytest

from acquire.calibration.air import air_density, air_of, standard_pressure_hpa
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
    assert assigned.standard_uncertainty == pytest.approx(force_n * hypot(mass, gravity), rel=1e-4)
    assert [part.key for part in assigned.parts] == ["reference weight-200g", "gravity", "air buoyancy"]
    sizes = [part.standard_uncertainty for part in assigned.parts]
    assert assigned.standard_uncertainty == pytest.approx(hypot(*sizes), rel=1e-12)
    assert sizes[:2] == pytest.approx([force_n * mass, force_n * gravity], rel=1e-12)
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
    with pytest.raises(ConfigError, match="has values for several angles: 20, 60"):
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


@pytest.mark.parametrize(
    ("density_kg_m3", "air_kg_m3", "parts_in_a_million"),
    [(8000, 1.2, 0.0), (2700, 1.2, 0.0), (8000, 1.1, 12.5), (2700, 1.1, 37.05), (21500, 1.1, 4.7)],
)
def test_buoyancy_matters_only_where_the_air_is_not_the_conventional_one(
    density_kg_m3: float, air_kg_m3: float, parts_in_a_million: float
) -> None:
    """Definition of conventional mass (OIML D 28, from memory): in air of 1.2 kg/m³ the material does not
    matter; elsewhere the force differs by (1.2 - air) / density, here worked out by hand."""
    found = weight_force_n(200.0, 9.81, density_kg_m3=density_kg_m3, air_kg_m3=air_kg_m3)
    conventional = weight_force_n(200.0, 9.81)
    assert 1e6 * (found / conventional - 1) == pytest.approx(parts_in_a_million, abs=0.05)


def test_the_share_of_the_air_is_stated_with_what_it_rests_on(tmp_path: Path) -> None:
    dense = BENCH.replace("mass_g = 200.0", "mass_g = 200.0\ndensity_kg_m3 = 2700")
    plain = assigned_value(make_bench(tmp_path), "weight-200g")
    light = assigned_value(make_bench(tmp_path, dense), "weight-200g")
    assert "metal of 7000 to 10000 kg/m³ assumed" in plain.basis
    assert "2700 kg/m³ in air of 1.18" in light.basis
    assert "sea level, height not given" in light.basis
    assert light.parts[2].standard_uncertainty > plain.parts[2].standard_uncertainty > 0


def test_density_of_air() -> None:
    """1.225 kg/m³ for dry air at 15 °C and 1013.25 hPa: ISO 2533 standard atmosphere, from memory. Less in
    moist air, and at 1000 m less by the 11.3 % by which the standard pressure, 898.75 hPa, is lower."""
    assert air_density(15.0, 0.0, 1013.25) == pytest.approx(1.225, rel=5e-4)
    assert air_density(20.0, 50.0, 1013.25) < air_density(20.0, 0.0, 1013.25)
    assert standard_pressure_hpa(1000.0) == pytest.approx(898.75, abs=0.05)


def test_measured_air_is_better_known_than_assumed_air(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    assumed = air_of(bench)
    measured = air_of(bench, temperature_degc=23.0, humidity_percent=50.0, pressure_hpa=1013.25)
    assert measured.density_kg_m3 == pytest.approx(assumed.density_kg_m3)
    assert measured.standard_uncertainty_kg_m3 < assumed.standard_uncertainty_kg_m3 / 100
    with_it = assigned_value(bench, "weight-200g", air=measured)
    assert (
        with_it.parts[2].standard_uncertainty
        < assigned_value(bench, "weight-200g").parts[2].standard_uncertainty
    )


def test_a_tile_of_known_glass_is_held_against_fresnel(tmp_path: Path) -> None:
    """88.4, 93.1 GU at 20° and 60°: glass of index 1.524 has 88.4 and 93.1, by the formula of ISO 2813."""
    glass = BENCH.replace("gloss_gu =", "refractive_index = 1.5241\ngloss_gu =")
    good = assigned_value(make_bench(tmp_path, glass), "tile", "60")
    assert good.remarks == ()
    assert "glass of index 1.5241" in good.basis
    other = glass.replace("1.5241", "1.567")
    (remark,) = assigned_value(make_bench(tmp_path, other), "tile", "60").remarks
    assert remark.startswith(
        "tile tile: polished glass of index 1.567 has 100.0 GU at 60°; the assigned 93.1 GU"
    )
    assert "6.9 GU below" in remark


def test_care_is_kept_with_the_reference(tmp_path: Path) -> None:
    text = BENCH.replace("mass_g = 200.0", 'mass_g = 200.0\ncare = "gloves; never on bare wood"')
    assert assigned_value(make_bench(tmp_path, text), "weight-200g").care == "gloves; never on bare wood"
