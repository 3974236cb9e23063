import hashlib
import re
from decimal import Decimal

import pytest

from acquire.errors import ConfigError
from acquire.model import CalibrationState
from acquire.scoring.method import ASSUMED_GRAVITY, Gravity, Method, parse_method
from tests.scoring_kit import SHIPPED, method


def test_the_shipped_method_reads() -> None:
    shipped = parse_method(SHIPPED, "method.toml")
    assert shipped.sha256 == hashlib.sha256(SHIPPED.encode()).hexdigest()
    assert shipped.slip.rounding.force is None
    assert shipped.slip.rounding.friction is not None
    assert shipped.slip.rounding.friction.quantum == Decimal("0.001")
    assert shipped.slip.least == shipped.slip.asked == 6
    assert shipped.slip.capture.max_pull_s == 30.0
    assert shipped.slip.capture.min_force_n is None


def test_every_fault_is_told_at_once() -> None:
    changes = [
        ("pulls = 6", "puls = 6"),
        ('counts = "first"', 'counts = "last"'),
        ("at = 150, points", "at = 150, ponts"),
        ("level = 0.05", "level = nan"),
        ("[outliers]", "[outliners]\nlevel = 1\n[outliers]"),
        ('gain = "none"', 'gain = { quantum = 0, rule = "half-up" }'),
        ('change = "none"', 'change = "nothing"'),
        ("readings = 8", 'readings = "8"'),
    ]
    text = SHIPPED
    for old, new in changes:
        text = text.replace(old, new, 1)
    with pytest.raises(ConfigError) as caught:
        parse_method(text, "bench/method.toml")
    message = str(caught.value)
    assert message.startswith("bench/method.toml: 10 fault(s)")
    for part in (
        "slip.puls: unknown key; did you mean 'pulls'?",
        "slip.pulls: is missing",
        "slip.counts: input should be 'first' or 'highest', not 'last'",
        "wash.stages.1.ponts: unknown key; did you mean 'points'?",
        "wash.stages.1.points: is missing",
        "outliers.level: input should be a finite number",
        "outliners: unknown key; did you mean 'outliers'?",
        "slip.rounding.gain.quantum: input should be greater than 0",
        'gloss.rounding.change: write "none"',
        "gloss.readings: input should be a valid integer",
    ):
        assert part in message
    assert caught.value.hint


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("# least_pulls = 5 ", "least_pulls = 7 ", "least_pulls (7) is more than pulls (6)"),
        ("# least_readings = 7", "least_readings = 9", "least_readings (9) is more than readings (8)"),
        ("at = 150,", "at = 60,", "stages must ascend without repeats"),
        ("# strokes_per_wash = 30", "strokes_per_wash = 30", 'goes with unit = "washes" only'),
        ("pulls = 6", "pulls = 1", "slip.pulls: input should be greater than or equal to 2, not 1"),
        ("block_mass_kg = 0.800", "block_mass_kg = 0", "slip.block_mass_kg"),
        ("angle_deg = 60", "angle_deg = 61", "gloss.angle_deg"),
        ("panelwright-method 1", "panelwright-method 2", "format: input should be 'panelwright-method 1'"),
        ("pulls = 6", "pulls = true", "slip.pulls: input should be a valid integer"),
        ("points_per_unit = 40", "points_per_unit = true", "slip.points_per_unit"),
        (
            "friction = { quantum",
            "friction = { digits = 3, quantum",
            "digits: unknown key; known here: quantum, rule",
        ),
    ],
)
def test_one_fault(old: str, new: str, told: str) -> None:
    with pytest.raises(ConfigError) as caught:
        method((old, new))
    assert told in str(caught.value)
    assert "1 fault(s)" in str(caught.value)


def test_a_scale_must_be_whole_steps() -> None:
    with pytest.raises(
        ConfigError, match=r"handling: from min 0 to max 10 must be a whole number of steps of 0\.7"
    ):
        parse_method(SHIPPED.replace("step = 0.5", "step = 0.7", 1), "m")


def test_broken_toml_names_the_line() -> None:
    with pytest.raises(ConfigError, match=r"method\.toml: not valid TOML: .*line 2"):
        parse_method('format = "x"\npulls = \n', "method.toml")


def test_gravity_of_the_method_goes_before_the_benchs() -> None:
    bench = Gravity(9.812, 0.0005, "the bench's place")
    assert method().slip.gravity(bench) is bench
    assert method().slip.gravity(None) is ASSUMED_GRAVITY
    own = method(("# gravity_m_s2 = 9.81 ", "gravity_m_s2 = 9.81 ")).slip.gravity(bench)
    assert (own.value_m_s2, own.standard_uncertainty_m_s2) == (9.81, 0.0)


def test_every_calibration_state_has_its_rule() -> None:
    rules = method().stamps
    assert [rules.rule(state) for state in CalibrationState] == [
        "use",
        "use and mark",
        "use and mark",
        "leave out",
        "use and mark",
    ]


def with_anchors(text: str) -> Method:
    return parse_method(
        SHIPPED.replace('0 = "cannot be finished', text + '\n0 = "cannot be finished'), "test"
    )


def test_anchors_say_what_values_of_the_scale_mean() -> None:
    lines = with_anchors('"2.5" = "half way to the next"').handling.anchor_lines()
    assert lines[1] == "2.5: half way to the next"
    assert [line.partition(":")[0] for line in lines] == ["0", "2.5", "3", "5", "8", "10"]
    assert SHIPPED.count(".anchors]") == 2


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ('11 = "beyond"', "handling: anchors stand on no step of the scale: 11"),
        ('"0.3" = "between"', "handling: anchors stand on no step of the scale: 0.3"),
        ('low = "a word"', "handling.anchors: each is a value of the scale and what it means"),
    ],
)
def test_an_anchor_off_the_scale_is_a_fault(line: str, fault: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(fault)):
        with_anchors(line)


def test_screening_is_optional_and_its_keys_are_checked() -> None:
    old = SHIPPED[: SHIPPED.index("[uv]")]
    assert not parse_method(old, "test").uv.used
    with pytest.raises(ConfigError, match=r"uv: least_readings \(7\) is more than readings \(6\)"):
        parse_method(old + "[uv]\nleast_readings = 7\n", "test")
    assert parse_method(old + "[uv]\nalpha = 0.01\n", "test").uv.alpha == 0.01
