"""Whole commands on simulated gauges over pseudo-terminals."""

import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from click.testing import CliRunner

from acquire.cli import main
from acquire.home import Home
from acquire.logger import readings
from acquire.verification import verify
from tests.cli.process import Command
from tests.rig import BENCH_MORE, lay_out
from tests.sim_process import SimProcess

SPEED = 20
WASH_SPEED = 100

pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals"),
    pytest.mark.slow,
]


def bench_at(folder: Path, gauge: str, port: str) -> Home:
    """An invented bench whose `gauge` is on `port`, with a trial on one panel."""
    text = re.sub(
        rf'(\[gauges\.{gauge}\]\ndescription = "[^"]+"\nport = )"[^"]+"', rf"\1'{port}'", BENCH_MORE
    )
    assert port in text
    home = lay_out(folder, text)
    panelwright("trial", "open", "t", "--product", "Invented wax", "--panel", "A", "--home", str(folder))
    return home


def panelwright(*args: str | Path) -> str:
    result = CliRunner().invoke(main, list(map(str, args)))
    assert result.exit_code == 0, result.output
    return result.stdout


@contextmanager
def gauge_on(
    folder: Path, gauge: str, speaks: str, *more: str, speed: int = SPEED
) -> Iterator[tuple[SimProcess, Home]]:
    link = folder / "gauge"
    words = (gauge, "--speaks", speaks, "--no-auto", "--speed", str(speed), "--link", str(link), *more)
    with SimProcess(*words) as simulator:
        yield simulator, bench_at(folder / "bench", gauge, simulator.port)


def test_slip_is_captured_hands_free_and_replays_the_same(tmp_path: Path) -> None:
    with (
        gauge_on(tmp_path, "force", "force-stream-n", "--mass-g", "800") as (gauge, home),
        Command("capture", "t", "slip", "--speed", str(SPEED), "--home", home.folder) as capture,
    ):
        capture.until("port")
        gauge.tell("surface mu_static=0.3 mu_kinetic=0.25")
        # One real second: a busy machine may stall a program that has just started, and at this speed a
        # pseudo-terminal overflows within a quarter of one.
        gauge.tell("pause 20")
        gauge.tell("pull 1 hand=fast")
        gauge.tell("pull 3")
        capture.until("full")
        assert capture.end() == (0, "")
        assert len(capture.told("reading")) == 3
        assert "too fast" in capture.told("refused")[0]
    with home.journal(readonly=True) as journal:
        kept = readings(journal)
    # The friction that was simulated, on 800 g under standard gravity.
    assert [reading.value for reading in kept] == pytest.approx([0.3 * 0.8 * 9.80665] * 3, rel=0.1)
    assert verify(home).holds
    recordings = sorted(home.recordings.iterdir())
    said = panelwright("replay", *recordings, "--home", home.folder)
    assert "3 readings and 1 refusals, all the same as in the journal" in said
    (data,) = json.loads(panelwright("replay", *recordings, "--home", home.folder, "--json"))
    assert data["journal"] == {"readings": 3, "refusals": 1, "same": True, "faults": []}
    accepted = [item["value"] for item in data["items"] if item["verdict"] == "accepted"]
    assert accepted == [reading.value for reading in kept]


def test_gloss_is_captured_and_one_too_many_is_an_extra(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "gloss", "gloss-key", "--angle", "60") as (gauge, home):
        words = ("capture", "t", "gloss", "--linger", "60", "--speed", str(SPEED), "--home", home.folder)
        with Command(*words) as capture:
            capture.until("port")
            gauge.tell("press 4")
            capture.until("full")
            capture.until("extra")
            assert capture.end() == (0, "")
    with home.journal(readonly=True) as journal:
        assert [reading.extra for reading in readings(journal)] == [False, False, False, True]


def test_a_wash_stage_is_counted_and_inspected(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "wash", "wash-stroke", speed=WASH_SPEED) as (gauge, home):
        words = ("capture", "t", "wash", "--stage", "60", "--early", "--speed", str(WASH_SPEED))
        with Command(*words, "--linger", "0", "--home", home.folder) as capture:
            capture.until("port")
            gauge.tell("strokes 60")
            assert "stop the machine, isolate it" in capture.until("full")["text"]
            assert capture.end() == (0, "")
    said = panelwright("inspect", "t", "60", "--passed", "--home", home.folder)
    assert said == "treated wash endurance on A at stage 60: passed after 60 strokes\n"
    said = panelwright("inspect", "t", "150", "--failed", "--early", "--home", home.folder)
    assert "that stage stands for 150 strokes, and only 60 have been counted" in said


def test_a_force_gauge_is_checked_on_a_weight(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "force", "force-stream-n") as (gauge, home):
        words = ("check", "force", "--against", "weight-200g", "--repeats", "2", "--speed", str(SPEED))
        with Command(*words, "--home", home.folder) as check:
            for _ in range(2):
                check.until("waiting", "hang weight-200g")
                gauge.tell("weight 0.2")
                check.until("waiting", "on weight-200g")
                gauge.tell("weight 0")
            note = check.until("check")
            assert check.end() == (0, "")
        assert note["about"]["verdict"] == "pass"
        assert len(note["about"]["raw"]) == 2


def test_a_check_that_fails_ends_with_a_status(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "force", "force-stream-n") as (gauge, home):
        words = ("check", "force", "--against", "weight-200g", "--repeats", "1", "--speed", str(SPEED))
        with Command(*words, "--home", home.folder) as check:
            check.until("waiting", "hang weight-200g")
            gauge.tell("weight 0.25")
            check.until("waiting", "for the last zero")
            gauge.tell("weight 0")
            assert check.until("check")["about"]["verdict"] == "fail"
            assert check.end() == (1, "")


def test_a_glossmeter_is_checked_on_its_tile(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "gloss", "gloss-key", "--angle", "60") as (gauge, home):
        words = ("check", "gloss", "--against", "tile", "--speed", str(SPEED), "--home", home.folder)
        with Command(*words) as check:
            check.until("port")
            gauge.tell("tile 60=93.0")
            gauge.tell("press 3")
            note = check.until("check")
            assert check.end()[1] == ""
        assert len(note["about"]["readings"]) == 3


def test_a_counter_is_checked_on_counted_strokes(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "wash", "wash-stroke", speed=WASH_SPEED) as (gauge, home):
        words = ("check", "wash", "--against", "strokes-10", "--repeats", "1", "--speed", str(WASH_SPEED))
        with Command(*words, "--home", home.folder) as check:
            check.until("port")
            gauge.tell("strokes 10")
            assert check.until("check")["about"]["readings"] == [10.0]
            assert check.end() == (0, "")


def test_ctrl_c_stops_and_the_same_command_goes_on(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "gloss", "gloss-key", "--angle", "60") as (gauge, home):
        words = ("capture", "t", "gloss", "--linger", "0", "--speed", str(SPEED), "--home", home.folder)
        with Command(*words) as capture:
            capture.until("port")
            gauge.tell("press 2")
            capture.until("reading", "2 of 3")
            capture.interrupt()
            code, said = capture.end()
        assert (code, said) == (
            130,
            "Stopped. What was taken is kept; the same command goes on from there.\n",
        )
        with Command(*words) as again:
            assert again.until("waiting")["text"] == "measure A 1 more times at 60°"
            again.until("port")
            gauge.tell("press 1")
            again.until("full")
            assert again.end() == (0, "")
    assert verify(home).readings_n == 3


def test_ctrl_c_gives_a_check_up_and_its_values_are_kept(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "gloss", "gloss-key", "--angle", "60") as (gauge, home):
        words = ("check", "gloss", "--against", "tile", "--speed", str(SPEED), "--home", home.folder)
        with Command(*words) as check:
            check.until("port")
            gauge.tell("tile 60=80.0")
            gauge.tell("press 2")
            check.until("waiting", "2 of 3")
            check.interrupt()
            code, said = check.end()
    assert code == 130
    assert said.startswith("Given up: what was measured is written down")
    with home.journal(readonly=True) as journal:
        (event,) = journal.events("check aborted")
        assert len(event.body["readings"]) == 2
        assert list(journal.events("check")) == []


def test_a_person_s_answers_are_taken_while_a_wash_runs(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "wash", "wash-stroke", speed=WASH_SPEED) as (gauge, home):
        words = ("capture", "t", "wash", "--stage", "60", "--early", "--speed", str(WASH_SPEED))
        with Command(*words, "--linger", "0", "--home", home.folder) as capture:
            capture.until("port")
            gauge.tell("strokes 70")
            capture.until("strokes")
            panelwright("rate", "t", "handling", "5", "--early", "--home", home.folder)
            capture.until("full")
            assert "the machine stands at 70 strokes" in capture.until("waiting")["text"]
            assert capture.end() == (0, "")
    with home.journal(readonly=True) as journal:
        assert sum(reading.value for reading in readings(journal)) == 70
        assert len(list(journal.events("rating"))) == 1
    assert verify(home).holds


def test_a_port_that_another_program_holds_is_told_and_not_waited_for_without_end(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "gloss", "gloss-key") as (gauge, home):
        device = gauge.port.removeprefix("serial:")
        with serial.Serial(device, exclusive=True):
            words = ["capture", "t", "gloss", "--wait", "0.2", "--home", str(home.folder)]
            result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    assert "is in use by another program" in result.stderr
    assert "panelwright ports" in result.stderr
