import re
from datetime import date, timedelta
from pathlib import Path

import pytest

from acquire.bench import Bench, Tolerance, load_bench
from acquire.errors import ConfigError
from acquire.gravity import STANDARD_GRAVITY_M_S2, Place, normal_gravity
from acquire.tables import Weight
from tests.bench_tools import BENCH, NOON, make_bench, write_bench

SHIPPED = Path(__file__).parents[2] / "config"

# WGS 84 closed form of normal gravity with the second-order free-air term; constants seen quoted in a public
# file, the values computed from them with 40 digits.
GRAVITY = [
    (0, 9.7803253359, 9.77878167),
    (15, 9.7837849624, 9.78224144),
    (30, 9.7932472692, 9.79170414),
    (45, 9.8061977694, 9.80465518),
    (52, 9.8124740779, 9.81093174),
    (60, 9.8191769531, 9.8176349),
    (90, 9.8321849379, 9.83064342),
]


@pytest.mark.parametrize(("latitude_deg", "at_sea_level", "at_500_m"), GRAVITY)
def test_normal_gravity(latitude_deg: float, at_sea_level: float, at_500_m: float) -> None:
    assert normal_gravity(latitude_deg) == pytest.approx(at_sea_level, abs=1e-10)
    assert normal_gravity(-latitude_deg) == normal_gravity(latitude_deg)
    assert normal_gravity(latitude_deg, 500.0) == pytest.approx(at_500_m, abs=5e-9)


def test_gravity_agrees_with_the_1980_series() -> None:
    """The 1980 series and its linear free-air term: from memory, to within 3e-6 m/s²."""
    for latitude_deg, series in [(0, 9.778784), (45, 9.80465688), (90, 9.83064321)]:
        assert normal_gravity(latitude_deg, 500.0) == pytest.approx(series, abs=3e-6)


def test_gravity_says_what_it_rests_on(tmp_path: Path) -> None:
    unplaced = make_bench(tmp_path).gravity()
    assert unplaced.value_m_s2 == STANDARD_GRAVITY_M_S2 == 9.80665
    assert "standard gravity" in unplaced.basis
    # Standard gravity must not be claimed better than the spread between equator and pole.
    assert unplaced.standard_uncertainty_m_s2 * 3**0.5 >= 9.80665 - 9.7803253359

    text = BENCH.replace("[gauges.force]", "[place]\nlatitude_deg = 45\nheight_m = 500\n\n[gauges.force]", 1)
    placed = make_bench(tmp_path, text).gravity()
    assert placed.value_m_s2 == pytest.approx(9.80465518, abs=5e-9)
    assert placed.standard_uncertainty_m_s2 < 0.001 < unplaced.standard_uncertainty_m_s2
    assert "latitude 45°, 500 m" in placed.basis

    low = make_bench(tmp_path, text.replace("height_m = 500\n", "")).gravity()
    assert low.value_m_s2 == pytest.approx(9.8061977694, abs=1e-10)
    assert low.standard_uncertainty_m_s2 > placed.standard_uncertainty_m_s2
    assert "height not given" in low.basis


def test_the_bench_holds_what_the_file_says(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    force = bench.gauge("force")
    assert force.certificate is not None
    assert force.certificate.due == date(2031, 12, 31)
    assert force.certificate.standard_uncertainty == 0.01
    assert bench.gauge("gloss").certificate is None
    assert bench.gauge("gloss").check_valid_h == 24.0
    weight = bench.reference("weight-200g")
    assert isinstance(weight, Weight)
    assert weight.mass_g == 200.0


def test_the_shipped_bench_is_sound_and_marked_as_invented(tmp_path: Path) -> None:
    _, descriptions = write_bench(tmp_path)
    bench = load_bench(SHIPPED / "bench.toml", descriptions)
    assert "invented" in bench.name
    assert set(bench.gauges) == {"force", "gloss", "wash"}
    kinds = {reference.kind for reference in bench.references.values()}
    assert kinds == {"weight", "tile", "strokes"}
    assert bench.place == Place(latitude_deg=52.0, height_m=80.0)


def test_the_shipped_bench_names_shipped_descriptions() -> None:
    assert load_bench(SHIPPED / "bench.toml", SHIPPED / "gauges").gauges


def test_every_key_of_the_shipped_bench_is_commented() -> None:
    seen: set[str] = set()
    for line in (SHIPPED / "bench.toml").read_text(encoding="utf-8").splitlines():
        key = line.split("=")[0].strip()
        if "=" in line and not line.startswith("#") and key not in seen:
            seen.add(key)
            assert "#" in line, f"{key} comes here for the first time and is not explained"


FAULTS = [
    ("mass_g", "masss_g", "references.weight-200g.masss_g: unknown key; did you mean 'mass_g'?"),
    ("mass_g = 200.0", "mass_g = -1.0", "references.weight-200g.mass_g: "),
    ("mass_g = 200.0", 'mass_g = "200"', "references.weight-200g.mass_g: "),
    ("mass_g = 200.0", "mass_g = nan", "references.weight-200g.mass_g: "),
    (
        "check_valid_h",
        "check_vald_h",
        "gauges.force.check_vald_h: unknown key; did you mean 'check_valid_h'?",
    ),
    ('number = "F-1 (invented)"', "", "gauges.force.certificate.number: is missing"),
    ("due = 2031-12-31", 'due = "soon"', "gauges.force.certificate.due: "),
    ("{ absolute = 0.03 }", "{ absolute = 0.03, relative = 0.1 }", "gauges.force.tolerance: give either"),
    ("{ absolute = 0.03 }", "{}", "gauges.force.tolerance: give either"),
    ("{ absolute = 0.03 }", "{ absolute = 0.01 }", "gauges.force.tolerance.absolute: 0.01 is less than"),
    ("{ relative = 0.01 }", "{ relative = 1.0 }", "gauges.gloss.tolerance.relative: "),
    ('"gloss-key"', '"gloss-kye"', "gauges.gloss.description: there is no gloss-kye.toml"),
    ("serial:/dev/ttyUSB1", "/dev/ttyUSB0", "is the port of gauge 'force' already"),
    ("serial:/dev/ttyUSB1", "usb:9", "gauges.gloss.port: port address 'usb:9'"),
    ('kind = "tile"', 'kind = "tyle"', "references.tile.kind: must be one of weight, tile, strokes"),
    ('kind = "tile"', "", "references.tile.kind: must be one of weight, tile, strokes"),
    ("20 = 88.4", "21 = 88.4", "references.tile.gloss_gu.21"),
    ("[gauges.gloss]", "[gauge.gloss]", "gauge: unknown key; did you mean 'gauges'?"),
    ("[gauges.gloss]", "[gauges.Gloss]", "gauges.Gloss: a name is made of small letters"),
    ('time_zone = "UTC"', 'time_zone = "Mars/Olympus"', "time_zone: 'Mars/Olympus' is no time zone"),
    ('time_zone = "UTC"', 'time_zone = "../etc"', "time_zone: '../etc' is no time zone"),
    ("panelwright-bench 1", "panelwright-bench 2", "format: "),
    (
        "[references.strokes-50]",
        "[references]\nloose = 1\n[references.strokes-50]",
        "references: must be tables",
    ),
]


@pytest.mark.parametrize(("old", "new", "expected"), FAULTS)
def test_a_fault_is_named_with_its_key(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in BENCH
    with pytest.raises(ConfigError) as caught:
        make_bench(tmp_path, BENCH.replace(old, new, 1))
    assert expected in str(caught.value)
    assert "bench.toml" in str(caught.value)
    assert caught.value.hint


def test_all_faults_are_named_at_once(tmp_path: Path) -> None:
    text = BENCH
    for old, new in [
        ("mass_g", "masss_g"),
        ('"gloss-key"', '"gloss-kye"'),
        ('"UTC"', '"Nowhere"'),
        ("strokes = 50", "strokes = 0"),
    ]:
        text = text.replace(old, new, 1)
    with pytest.raises(ConfigError) as caught:
        make_bench(tmp_path, text)
    for key in ("masss_g", "gloss-kye", "Nowhere", "references.strokes-50.strokes"):
        assert key in str(caught.value)


def test_a_missing_or_broken_file_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        load_bench(tmp_path / "none.toml", tmp_path)
    with pytest.raises(ConfigError, match=r"is not TOML.*line 1"):
        make_bench(tmp_path, "format = \n")


def test_an_unknown_name_is_answered_with_the_nearest(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    with pytest.raises(ConfigError, match="no gauge 'forse'; did you mean 'force'"):
        bench.gauge("forse")
    with pytest.raises(ConfigError, match="no reference 'weight-20g'; did you mean 'weight-200g'"):
        bench.reference("weight-20g")


@pytest.mark.parametrize(
    ("text", "hours"), [("UTC", 0), ("+05:30", 5.5), ("-03:00", -3), ("Asia/Tokyo", 9), ("Europe/London", 1)]
)
def test_time_zones(tmp_path: Path, text: str, hours: float) -> None:
    bench = make_bench(tmp_path, BENCH.replace('"UTC"', f'"{text}"'))
    assert NOON.astimezone(bench.zone).utcoffset() == timedelta(hours=hours)


def test_a_tolerance_is_absolute_or_relative() -> None:
    assert Tolerance(absolute=0.03).at(100.0) == 0.03
    assert Tolerance(relative=0.01).at(-93.1) == pytest.approx(0.931)


def shipped_bench(first: str, second: str, folder: Path) -> Bench:
    """Two gauges on one port, with the shipped descriptions."""
    text = BENCH.partition("[gauges.force]")[0]
    for name, description in (("one", first), ("two", second)):
        text += f'[gauges.{name}]\ndescription = "{description}"\nport = "serial:COM3"\n'
        text += "tolerance = { absolute = 1.0 }\n"
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return load_bench(path, SHIPPED / "gauges")


def test_modbus_gauges_of_different_units_share_a_port(tmp_path: Path) -> None:
    bench = shipped_bench("modbus-force", "modbus-panel", tmp_path)
    assert bench.lines(["one", "two"]) == [["one", "two"]]
    assert bench.with_port == ["one", "two"]


@pytest.mark.parametrize(
    ("first", "second", "why"),
    [
        ("force-stream-n", "gloss-key", "gauges.two.port: 'serial:COM3' is the port of gauge 'one' already"),
        ("modbus-force", "modbus-force", "both are Modbus unit 1: on one line every unit differs"),
        ("modbus-force", "modbus-climate", r"their \[serial\] settings differ: on one line all are the same"),
        ("modbus-force", "gloss-key", "is the port of gauge 'one' already"),
    ],
)
def test_others_do_not(tmp_path: Path, first: str, second: str, why: str) -> None:
    with pytest.raises(ConfigError, match=why):
        shipped_bench(first, second, tmp_path)


def test_gauges_without_a_port_are_not_opened_and_do_not_share(tmp_path: Path) -> None:
    text = BENCH.replace("serial:/dev/ttyUSB0", "none").replace("serial:/dev/ttyUSB1", "none")
    bench = make_bench(tmp_path, text)
    assert bench.with_port == []
    assert bench.atmosphere.name == "ISO 3270:1984"


def test_the_standard_atmosphere_can_be_set(tmp_path: Path) -> None:
    text = BENCH.replace(
        "[gauges.force]", '[atmosphere]\nname = "own"\ntemperature_degc = 20.0\n\n[gauges.force]', 1
    )
    assert make_bench(tmp_path, text).atmosphere.outside("temperature", 22.5) == (
        "22.5 degC is above 22 degC (own)"
    )


@pytest.mark.parametrize("name", ["My bench ", "Line\\nTwo", "Bench\\tA", ""])
def test_a_name_that_no_recording_could_hold_is_told_at_once(name: str, tmp_path: Path) -> None:
    text = re.sub(r'^name = ".*"$', lambda _: f'name = "{name}"', BENCH, count=1, flags=re.MULTILINE)
    with pytest.raises(ConfigError, match="name: must be one line of printable text"):
        make_bench(tmp_path, text)
