"""Typed values: bounded, entered twice, marked, recorded as typed, derived again; or refused before."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.answers import open_trial
from acquire.cli import main
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.keyed import check_entry, key_in, keyed_gauge
from acquire.model import Reading, Step, StreamStart, Trial
from acquire.model import Test as Kind
from acquire.notes import Note
from acquire.outputs.words import in_words
from acquire.recordings import read_recording
from acquire.verification import verify
from drivers.registry import make_driver
from tests.contract.gauges import description
from tests.manual_clock import ManualClock
from tests.rig import lay_out

BENCH = """
format = "panelwright-bench 1"
name = "Test bench (invented)"
time_zone = "UTC"

[gauges.force]
description = "force-stream-n"
port = "tcp://127.0.0.1:1"
tolerance = { absolute = 0.03 }

[gauges.by-eye]
description = "keyed-gloss"
port = "none"
tolerance = { absolute = 1.0 }
"""
STEP = Step(test=Kind.GLOSS, panel="A", phase="bare")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return lay_out(tmp_path / "bench", BENCH)


def trial_on(home: Home, clock: ManualClock) -> Trial:
    with home.journal() as journal:
        return open_trial(journal, clock, "larch", product="invented", panels=("A",), control=False)


def typed(home: Home, *values: str) -> tuple[list[Reading], list[Note]]:
    clock = ManualClock()
    notes: list[Note] = []
    trial = trial_on(home, clock)
    entries = [(value, value) for value in values]
    return key_in(home, clock, notes.append, trial=trial, step=STEP, entries=entries), notes


def test_typed_values_fill_a_step_and_say_that_they_were_typed(home: Home) -> None:
    readings, notes = typed(home, "91.4", "91.4", "90.8", "91.1")
    assert [reading.value for reading in readings] == [91.4, 91.4, 90.8, 91.1]
    assert [reading.extra for reading in readings] == [False, False, False, True]
    assert {reading.t_source for reading in readings} == {"typed in"}
    assert all(reading.details["angle_deg"] == 60 for reading in readings)
    assert "typed in" in notes[0].text
    assert not any(note.kind == "waiting" for note in notes)
    with home.journal(readonly=True) as journal:
        told = [in_words(event) for event in journal.events("reading")]
    assert all("typed in" in one for one in told)


def test_what_was_typed_is_the_record_and_verification_derives_it_again(home: Home) -> None:
    readings, _ = typed(home, "91.4", "90.8")
    path = home.recordings / readings[0].raw.recording
    header, lines = read_recording(path)
    assert [line.data for line in lines if line.kind == "chunk"] == [b"91.4\n91.4\n", b"90.8\n90.8\n"]
    assert (header.port, header.scenario) == ("none", "typed in")
    report = verify(home)
    assert report.holds, report.faults
    assert report.readings_n == 2
    path.write_bytes(path.read_bytes().replace(b"39 31 2E 34", b"39 32 2E 34"))
    assert not verify(home).holds


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        (("91.4", "94.1"), "the two entries differ: 91.4 and 94.1"),
        (("160.1", "160.1"), "160.1 GU is not within 0 to 160 GU"),
        (("91", "91"), "not a number as the display shows it, such as 0.0"),
        (("9e1", "9e1"), "not a number as the display shows it, such as 0.0"),
        (("91.4\n91.4", ""), "not a number as the display shows it"),
        (("½", "½"), "not a number as the display shows it"),
        (("91.4",), "wants every value twice"),
    ],
)
def test_nothing_is_written_if_one_value_is_not_acceptable(
    home: Home, entry: tuple[str, ...], why: str
) -> None:
    clock = ManualClock()
    trial = trial_on(home, clock)
    with pytest.raises(ConfigError, match=why):
        key_in(home, clock, lambda note: None, trial=trial, step=STEP, entries=[("91.4", "91.4"), entry])
    assert list(home.recordings.glob("*.rec")) == []
    with home.journal(readonly=True) as journal:
        assert list(journal.events("stream")) == []


def test_which_gauge_is_meant(home: Home) -> None:
    assert keyed_gauge(home, Kind.GLOSS)[0] == "by-eye"
    with pytest.raises(ConfigError, match="no gauge of this bench is one whose force is typed in"):
        keyed_gauge(home, Kind.SLIP)
    with pytest.raises(ConfigError, match="gauge 'force' is not one whose gloss is typed in"):
        keyed_gauge(home, Kind.GLOSS, "force")
    with pytest.raises(ConfigError, match="handling takes no typed values"):
        keyed_gauge(home, Kind.HANDLING)
    home.bench_file.write_text(BENCH.replace('"none"', '"tcp://127.0.0.1:2"'), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"has no port, but bench\.toml says 'tcp://127\.0\.0\.1:2'"):
        keyed_gauge(home, Kind.GLOSS)


def test_single_entry_takes_one_line() -> None:
    once = description("keyed-gloss")
    settings = once.settings.model_copy(update={"double_entry": False})
    single = once.model_copy(update={"settings": settings})
    assert [sample.value for sample in make_driver(single).feed(b"91.4\n")] == [91.4]
    check_entry(single, ("91.4",))
    with pytest.raises(ConfigError, match="wants every value once"):
        check_entry(single, ("91.4", "91.4"))
    with pytest.raises(ConfigError, match="wants every value twice"):
        check_entry(once, ("91.4",))


def test_the_command_asks_again_for_double_entry(home: Home) -> None:
    trial_on(home, ManualClock())
    words = ["key", "larch", "gloss", "91.4", "90.8", "--panel", "A", "--phase", "bare"]
    words += ["--home", str(home.folder)]
    result = CliRunner().invoke(main, words, input="91.4\n90.8\n")
    assert result.exit_code == 0, result.output
    assert "2 of 3: 90.8 GU, typed in" in result.output
    wrong = CliRunner().invoke(main, [*words, "--again", "91.4", "--again", "90.9"])
    assert wrong.exit_code != 0
    assert "the two entries differ: 90.8 and 90.9" in wrong.output
    with home.journal(readonly=True) as journal:
        starts = [StreamStart.model_validate(event.body) for event in journal.events("stream")]
    assert len(starts) == 1
