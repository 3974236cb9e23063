"""UV screening at the bench: an irradiance gauge fills the step, and is one of the room's otherwise."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.home import Home
from acquire.model import Phase, Step
from acquire.model import Test as Kind
from acquire.outputs.report import write_report
from acquire.service.choosing import gauges_for
from acquire.verification import verify
from tests.rig import BENCH_MORE, Rig, lay_out, rig, slip

BENCH = (
    BENCH_MORE
    + """
[gauges.lamp]
description = "irradiance-line"
port = "tcp://127.0.0.1:4"
tolerance = { relative = 0.05 }
"""
)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = lay_out(tmp_path / "bench", BENCH)
    text = made.method_file.read_text(encoding="utf-8")
    made.method_file.write_text(text.replace("[uv]\nused = false", "[uv]\nused = true"), encoding="utf-8")
    return made


def uv(phase: Phase = "bare", zone: str | None = None) -> Step:
    return Step(test=Kind.UV, panel="A", phase=phase, zone=zone)


def shine(one: Rig, milliwatts_cm2: float, minutes: int) -> None:
    """A steady lamp, asked once a second."""
    one.say("lamp", [f"E {milliwatts_cm2:06.2f}\r".encode()] * (60 * minutes), every_s=1.0)


@pytest.mark.slow
def test_the_gauge_fills_the_step_with_a_reading_a_minute(home: Home) -> None:
    with rig(home.folder, gauges=["lamp"]) as one:
        one.service.measure(one.trial(), uv())
        assert "UV harms eyes and skin" in one.told("waiting")[0]
        assert "leave the lit gauge at A for 6 readings" in one.told("waiting")[0]
        shine(one, 1.25, 6)
        assert [(reading.value, reading.unit) for reading in one.readings] == [(12.5, "W/m2")] * 6
        assert len(one.told("full")) == 1
        assert not list(one.service.journal.events("climate"))
    report = verify(home)
    assert report.holds, report.faults
    assert report.readings_n == 6


def test_the_control_zone_is_a_step_of_its_own(home: Home) -> None:
    with rig(home.folder, gauges=["lamp"]) as one:
        one.service.measure(one.trial(), uv(zone="control"))
        assert "leave the lit gauge at A (control zone)" in one.told("waiting")[0]
        shine(one, 1.25, 1)
        assert {reading.step.zone for reading in one.readings} == {"control"}


def test_a_saturated_head_is_refused_and_kept(home: Home) -> None:
    with rig(home.folder, gauges=["lamp"]) as one:
        one.service.measure(one.trial(), uv())
        one.say("lamp", [b"E SAT\r"] * 3, every_s=1.0)
        assert len(one.refusals) == 1
        assert one.readings == []


def test_without_a_step_it_tells_of_the_room(home: Home) -> None:
    with rig(home.folder, gauges=["lamp"]) as one:
        shine(one, 1.25, 1)
        assert len(list(one.service.journal.events("climate"))) == 1
        assert one.readings == []


def test_the_gauge_is_found_for_the_step_and_comes_along_with_others(home: Home) -> None:
    assert gauges_for(home, uv()) == ["lamp"]
    assert gauges_for(home, slip()) == ["force", "lamp"]


@pytest.mark.slow
def test_card_and_page_tell_it_in_its_own_words(home: Home, tmp_path: Path) -> None:
    with rig(home.folder, gauges=["lamp"]) as one:
        trial = one.trial()
        sets: list[tuple[Phase, str | None, float]] = [
            ("bare", None, 1.25),
            ("bare", "control", 1.25),
            ("treated", None, 1.0),
            ("treated", "control", 1.25),
        ]
        for phase, zone, shown in sets:
            one.service.measure(trial, uv(phase, zone))
            shine(one, shown, 6)
    card = CliRunner().invoke(main, ["score", "t", "--home", str(home.folder)])
    assert "UV screening\n" in card.output
    assert "A, treated, control zone: 12.5" in card.output
    assert "note: effect detected: 20.0" in card.output
    page = write_report(home, tmp_path / "page").read_text(encoding="utf-8")
    assert "UV 20.0" in page
    assert "how large one would have had to be to be seen" in page
