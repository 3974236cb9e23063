"""Descriptions: what ships, and what a faulty one is told."""

from hashlib import sha256
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from pydantic import BaseModel, ConfigDict, ValidationError

from drivers import keys
from drivers.base import Driver, FrameError, Kind, Sample
from drivers.description import (
    UNITS,
    DescriptionError,
    GaugeDescription,
    SerialSettings,
    Timing,
    load_description,
    parse_description,
)
from drivers.line_settings import LineSettings
from drivers.registry import make_driver
from tests.contract.families import ALL_FAMILIES
from tests.contract.gauges import ALL, GAUGES, description

GOOD = """
title = "Invented"
driver = "line"
quantity = "force"
unit = "N"
resolution = 0.1
range = [-100, 100]
[serial]
baudrate = 9600
[timing]
mode = "poll"
request = "D\\r\\u0003"
period_s = 0.1
reply_timeout_s = 0.3
[line]
terminator = "\\r"
first_line = "whole"
pattern = '(?P<value>[+-]\\d{3}\\.\\d)'
"""


def faults(text: str) -> list[str]:
    with pytest.raises(DescriptionError) as caught:
        parse_description(text.encode(), "invented")
    return caught.value.faults


def changed(*pairs: tuple[str, str]) -> str:
    text = GOOD
    for old, new in pairs:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def test_every_shipped_file_is_held_against_the_contract() -> None:
    shipped = {path.stem for path in GAUGES.glob("*.toml")}
    assert shipped == {one.name for one in (*ALL, *ALL_FAMILIES)}


@pytest.mark.parametrize("gauge", ALL, ids=lambda gauge: gauge.name)
def test_shipped_descriptions(gauge: object) -> None:
    name = str(getattr(gauge, "name", ""))
    found = description(name)
    data = (GAUGES / f"{name}.toml").read_bytes()
    assert (found.name, found.text, found.sha256) == (name, data.decode(), sha256(data).hexdigest())
    assert found.timing.request == getattr(gauge, "asks", None)
    assert "invented" in found.text


def test_what_a_description_holds() -> None:
    found = parse_description(GOOD.encode(), "invented")
    assert (found.title, found.driver, found.quantity, found.unit) == ("Invented", "line", "force", "N")
    assert (found.resolution, found.range, found.tension) == (0.1, (-100.0, 100.0), "positive")
    assert found.serial == SerialSettings(baudrate=9600)
    assert (found.serial.parity, found.serial.dtr, found.serial.rts) == ("none", True, True)
    assert found.timing == Timing(mode="poll", request=b"D\r\x03", period_s=0.1, reply_timeout_s=0.3)
    assert isinstance(found.settings, LineSettings)
    assert found.settings.terminator == b"\r"
    with pytest.raises(ValidationError, match="frozen"):
        found.unit = "kN"


def test_all_faults_come_at_once_each_with_its_key_and_the_nearest_known() -> None:
    text = changed(
        ("baudrate = 9600", 'baudrat = 9600\nparity = "sometimes"'),
        ("period_s = 0.1", "period_s = -1"),
        ("terminator", "terminater"),
        ('unit = "N"', 'unit = "GU"'),
        ("range = [-100, 100]", "range = [100, -100]\nresolutoin = 2"),
        ("title", "titel"),
    )
    assert sorted(faults(text)) == [
        "line.terminater: unknown key; did you mean 'terminator'?",
        "line.terminator: is missing",
        "range: must be [lowest, highest], two finite numbers, not [100.0, -100.0]",
        "resolutoin: unknown key; did you mean 'resolution'?",
        "serial.baudrat: unknown key; did you mean 'baudrate'?",
        "serial.baudrate: is missing",
        "serial.parity: input should be 'none', 'even' or 'odd', not 'sometimes'",
        "timing.period_s: input should be greater than 0, not -1",
        "titel: unknown key; did you mean 'title'?",
        "title: is missing",
        "unit: 'GU' is not a unit of force; known: N, kN, mN, kgf, gf, lbf, ozf",
    ]


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            "baudrate = 9600",
            'baudrate = "9600"',
            "serial.baudrate: input should be a valid integer, not '9600'",
        ),
        ("resolution = 0.1", "resolution = true", "resolution: input should be a valid number, not True"),
        ("resolution = 0.1", "resolution = nan", "resolution: input should be a finite number, not nan"),
        (
            "range = [-100, 100]",
            "range = [-inf, 100]",
            "range: must be [lowest, highest], two finite numbers",
        ),
        ("[serial]", 'tension = "negative"\nquantitty = 1\n[serial]', "quantitty: unknown key; did you mean"),
        ('request = "D\\r\\u0003"\n', "", 'timing.request: is needed when mode is "poll"'),
        ('"D\\r\\u0003"', '"→"', "timing.request: only characters that are one byte on the wire can be used"),
        ("reply_timeout_s = 0.3", "", 'timing.reply_timeout_s: is needed when mode is "poll"'),
        ("reply_timeout_s", "rate_hz = 5.0\nreply_timeout_s", 'timing.rate_hz: belongs to mode "stream"'),
        (
            'mode = "poll"',
            'mode = "on event"',
            'timing.period_s: belongs to mode "poll", and mode is "on event"',
        ),
        ('terminator = "\\r"', 'terminator = "\\r\\r"', "line.terminator: two equal bytes do not say where"),
        ("\\d)'", "\\d'", "line.pattern: is not a regular expression: missing )"),
        ("\\d)'", "\\d)µ'", "line.pattern: a pattern is plain ASCII"),
        ("?P<value>", "?P<worth>", "line.pattern: named parts can be value, unit, flags"),
        ("(?P<value>", "(", "line.pattern: has no part (?P<value>...)"),
        (
            "\\d)'",
            "\\d)(?P<unit>N)'",
            "line.pattern: the pattern speaks of a unit, but there is none in the `units`",
        ),
        ("[line]", "[line]\nchannels = ['20']", "line.pattern: the `channels` speaks of a channel"),
        ("[line]", "[line]\nunits = { N = 'newton' }", "line.units: 'N' stands for 'newton', no known unit"),
        ("[line]", "[line]\nidle = ['(']", "line.idle: is not a regular expression"),
        ("[line]", "[line]\nflags = { X = ['broken'] }", "line.flags.X.0: input should be 'overload'"),
        (
            "[line]",
            "[line]\nchecksum = { kind = 'xor8', seperator = '*' }",
            "line.checksum.seperator: unknown key; did you mean 'separator'?",
        ),
        ("[line]", "[lime]", "[line]: the table of driver family 'line' is missing; found instead: lime"),
        (
            'driver = "line"',
            'driver = "lion"',
            "driver: no driver family is called 'lion'; known: contact, keyed, line, modbus, scpi",
        ),
    ],
)
def test_one_fault_in_its_own_words(old: str, new: str, fault: str) -> None:
    assert any(found.startswith(fault) for found in faults(changed((old, new))))


def test_a_tension_sign_belongs_to_a_force() -> None:
    text = changed(('"force"', '"gloss"'), ('unit = "N"', 'unit = "GU"\ntension = "negative"'))
    assert faults(text) == ['tension: "negative" only means something for a force']


def test_a_missing_driver_is_one_fault_and_no_riddle_about_its_table() -> None:
    assert faults(changed(('driver = "line"\n', ""))) == ["driver: is missing"]


def test_a_stream_needs_its_rate() -> None:
    text = GOOD[: GOOD.index("[timing]")] + '[timing]\nmode = "stream"\n' + GOOD[GOOD.index("[line]") :]
    assert faults(text) == ['timing.rate_hz: is needed when mode is "stream"']


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="cannot be read: No such file"):
        load_description(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"title = \n")
    with pytest.raises(DescriptionError, match=r"broken\.toml cannot be used:\n  is not TOML: .*line 1"):
        load_description(broken)
    broken.write_bytes(b"\xff\xfe")
    with pytest.raises(DescriptionError, match="is not TOML"):
        load_description(broken)


def test_units_are_exact() -> None:
    """NIST SP 811, appendix B, exact; public copies agree, the table itself was not opened."""
    assert UNITS["force"] == {
        "N": 1.0,
        "kN": 1e3,
        "mN": 1e-3,
        "kgf": 9.80665,
        "gf": 0.00980665,
        "lbf": 4.4482216152605,
        "ozf": 0.27801385095378125,
    }


class _Inner(BaseModel):
    model_config = ConfigDict(extra="forbid")
    width: int = 1


class _Outer(BaseModel):
    parts: dict[str, list[_Inner]]


def test_the_nearest_key_is_looked_for_in_the_right_table() -> None:
    with pytest.raises(ValidationError) as caught:
        _Outer.model_validate({"parts": {"left": [{"widht": 2}, {"quux": 3}]}})
    assert keys.faults(caught.value, _Outer, "outer") == [
        "outer.parts.left.0.widht: unknown key; did you mean 'width'?",
        "outer.parts.left.1.quux: unknown key; known here: width",
    ]


class FixedSettings(BaseModel):
    """Settings of a family that is not ours."""

    width: int


class FixedDriver(Driver):
    """A third-party family: frames of a fixed width, each a whole number."""

    settings_key = "fixed"
    Settings = FixedSettings

    def __init__(self, description: GaugeDescription) -> None:
        assert isinstance(description.settings, FixedSettings)
        self._width = description.settings.width
        super().__init__(description)

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        stop = start + self._width
        return (stop, stop) if stop <= len(data) else None

    def decode(self, frame: bytes) -> Sample | None:
        if not frame.isdigit():
            raise FrameError("not a whole number", frame)
        return Sample(Kind("count", "1"), float(frame)) if frame.strip(b"0") else None


def test_a_family_of_another_package_brings_its_own_table() -> None:
    known = [EntryPoint("fixed", f"{__name__}:FixedDriver", "panelwright.drivers")]
    text = changed(('driver = "line"', 'driver = "fixed"'))
    text = text[: text.index("[line]")] + "[fixed]\nwidth = 3\n"
    made = make_driver(parse_description(text.encode(), "invented", known=known), known)
    made.bulk_from_bytes = 1  # the family has no quick way: nothing changes
    batch = made.feed(b"012000x12" + b"34")
    assert [(sample.value, sample.end) for sample in batch] == [(12.0, 3)]
    assert [(error.why, error.at) for error in batch.errors] == [("not a whole number", 9)]
    with pytest.raises(DescriptionError, match=r"fixed\.width: input should be a valid integer"):
        parse_description(text.replace("width = 3", "width = 'x'").encode(), "invented", known=known)


def test_the_mark_that_some_editors_put_before_the_text_is_no_fault(tmp_path: Path) -> None:
    data = b"\xef\xbb\xbf" + GOOD.encode()
    path = tmp_path / "marked.toml"
    path.write_bytes(data)
    loaded = load_description(path)
    assert loaded.sha256 == sha256(data).hexdigest()
    # A journal keeps the text alone: it must make the same description again.
    again = parse_description(loaded.text.encode(), "marked")
    assert again.sha256 == loaded.sha256
    assert again.title == "Invented"


@pytest.mark.parametrize("name", ["", " gauge", "two\nlines"])
def test_a_file_name_that_no_recording_could_hold_is_a_fault(name: str) -> None:
    with pytest.raises(DescriptionError, match="the file's name: must be one line of printable text"):
        parse_description(GOOD.encode(), name)
