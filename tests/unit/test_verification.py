"""Whoever touches a recording or the journal is found out, and told what differs and where."""

import re
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.comparison import Fault
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.model import RawRef, Reading, Step
from acquire.model import Test as Kind
from acquire.results import gather
from acquire.verification import VerificationReport, verify
from simulators.speech import wash_stroke
from tests.benches import MadeBench

GUARDS = ("events_never_change", "events_never_go", "events_only_append")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """Slip (with a refused pull), gloss and strokes of one trial: force-001, gloss-002, wash-003."""
    with MadeBench(tmp_path / "bench") as made:
        made.check_force()
        made.begin("alder", "Product Alder (invented)")
        made.slip("alder", "A", "bare", [3.0, 3.2, 3.1], refused=1)
        made.gloss("alder", "A", "bare", [91.0, 90.8, 91.2])
        made.wash("alder", "A", 60, 40, passed=True)
    return made.home


def rewrite(path: Path, old: bytes, new: bytes) -> None:
    text = path.read_bytes()
    assert text.count(old) == 1
    path.write_bytes(text.replace(old, new))


def reading_of(home: Home, name: str) -> Reading:
    with home.journal(readonly=True) as journal:
        return next(reading for reading in gather(journal).readings if reading.id == name)


def raise_peak(path: Path, raw: RawRef) -> None:
    """Adds 1 N to the highest sample among the bytes of one pull, in the recording's text."""
    lines = path.read_bytes().splitlines(keepends=True)
    at, best = 0, (0.0, 0, b"", b"")
    for number, line in enumerate(lines):
        sign = line.find(b" < ")
        if sign < 0:
            continue
        data = bytes.fromhex(line[sign + 3 :].decode())
        for found in re.finditer(rb"\+(\d{3}\.\d\d)\r\n", data):
            if raw.first_byte < at + found.end() <= raw.last_byte and float(found[1]) > best[0]:
                raised = data.replace(found[0], b"+%06.2f\r\n" % (float(found[1]) + 1))
                best = (float(found[1]), number, line[: sign + 3], raised)
        at += len(data)
    _, number, head, raised = best
    assert number
    lines[number] = head + raised.hex(" ").upper().encode() + b"\n"
    path.write_bytes(b"".join(lines))


def alter(home: Home, *statements: str) -> None:
    """Edits the journal as somebody with a database tool would, guards taken off."""
    connection = sqlite3.connect(home.journal_file)
    for name in GUARDS:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def edit_body(event_id: str, old: str, new: str) -> str:
    return f"UPDATE events SET body = replace(body, '{old}', '{new}') WHERE id = '{event_id}'"


def only(report: VerificationReport) -> Fault:
    assert not report.holds
    assert len(report.faults) == 1, [fault.what for fault in report.faults]
    return report.faults[0]


def test_an_untouched_bench_holds(home: Home) -> None:
    seen: list[str] = []
    report = verify(home, watch=seen.append)
    assert report.holds
    assert report.faults == ()
    assert report.cut == ()
    assert seen == ["force-001.rec", "gloss-002.rec", "wash-003.rec"]
    assert report.recordings_n == 3
    assert report.readings_n == 3 + 3 + 4
    assert report.refusals_n >= 1


def test_a_raised_peak_is_found_with_reading_and_both_values(home: Home) -> None:
    reading = reading_of(home, "force-001.rec#3")
    raise_peak(home.recordings / "force-001.rec", reading.raw)
    fault = only(verify(home))
    assert fault.recording == "force-001.rec"
    assert fault.item == reading.id
    said = f"force-001.rec: reading {reading.id} (alder, bare slip on A): value is {reading.value!r} in the"
    assert fault.what.startswith(said)


def test_one_altered_digit_of_a_gloss_is_found(home: Home) -> None:
    # The hexadecimal bytes of "091.0", then of "091.5".
    rewrite(home.recordings / "gloss-002.rec", b"30 39 31 2E 30", b"30 39 31 2E 35")
    assert only(verify(home)).what == (
        "gloss-002.rec: reading gloss-002.rec#0 (alder, bare gloss on A): "
        "value is 91.0 in the journal, 91.5 by the recording"
    )


def test_a_stroke_that_was_made_unreadable_does_not_pass(home: Home) -> None:
    # The tenth stroke, on which the first run ends.
    rewrite(home.recordings / "wash-003.rec", b"30 30 30 30 31 30 0D", b"30 30 30 58 31 30 0D")
    assert [fault.item for fault in verify(home).faults] == ["wash-003.rec#9", "wash-003.rec#19"]


def test_strokes_that_two_readings_count_are_found(tmp_path: Path) -> None:
    """Each run is right by itself: 10 strokes, then 20 of which the first 10 are the same."""
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        with made.tape("wash") as tape:
            found = tape.say([wash_stroke(i + 1) for i in range(30)], every_s=1.7)
            for began, ended in ((0, 10), (0, 20), (20, 30)):
                last = found[ended - 1]
                details = {**last.details, "from_total": float(began), "total": float(ended)}
                run = replace(last, value=float(ended - began), details=details)
                tape.log([run], "alder", Step(test=Kind.WASH, panel="A", stage=60))
    fault = only(verify(made.home))
    assert fault.item == "wash-001.rec#19"
    assert fault.what.endswith(
        "counts the strokes from 0 to 20, but wash-001.rec#9 counts those up to 10: 10 would count twice"
    )


def test_an_altered_time_is_found(home: Home) -> None:
    path = home.recordings / "gloss-002.rec"
    rewrite(path, b"+4.000000 <", b"+3.900000 <")
    fault = only(verify(home))
    assert fault.item == "gloss-002.rec#1"
    assert "time_ns is 4000000000 in the journal, 3900000000 by the recording" in fault.what


def test_an_item_taken_out_is_named_and_the_shift_said_once(home: Home) -> None:
    path = home.recordings / "gloss-002.rec"
    lines = path.read_bytes().splitlines(keepends=True)
    # The first key press becomes noise of the same length, so that all behind it stays where it was.
    first = next(i for i, line in enumerate(lines) if b" < " in line)
    lines[first] = lines[first].replace(b"36 30 20", b"58 58 58")
    path.write_bytes(b"".join(lines))
    faults = verify(home).faults
    assert [fault.item for fault in faults] == ["gloss-002.rec#0", "gloss-002.rec#1", "gloss-002.rec#1"]
    assert "the recording no longer gives anything there" in faults[0].what
    assert "first_byte is 13 in the journal, 0 by the recording" in faults[1].what
    assert "was item 1 and is item 0 now, and so was 1 more" in faults[2].what


def test_a_shortened_recording_names_what_it_lost(home: Home) -> None:
    path = home.recordings / "gloss-002.rec"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]))
    fault = only(verify(home))
    assert fault.item == "gloss-002.rec#2"
    assert fault.what.endswith(
        "rests on bytes 26 to 39 of opening 0, but the recording was shortened: it holds only 26 there"
    )


def test_a_last_line_that_was_never_finished_is_no_fault(home: Home) -> None:
    path = home.recordings / "wash-003.rec"
    path.write_bytes(path.read_bytes() + b"+99.0 < 5")
    report = verify(home)
    assert report.holds
    assert report.cut == ("wash-003.rec",)


def test_a_damaged_line_names_its_number_and_what_was_not_compared(home: Home) -> None:
    rewrite(home.recordings / "gloss-002.rec", b"+4.000000 <", b"+4.000000 ?")
    fault = only(verify(home))
    assert fault.what.startswith("gloss-002.rec, line 10: not an event line")
    assert fault.what.endswith(
        "2 readings and refusals (gloss-002.rec#1 to gloss-002.rec#2) could not be compared"
    )


def test_a_missing_recording_is_named(home: Home) -> None:
    (home.recordings / "gloss-002.rec").unlink()
    what = only(verify(home)).what
    assert what.startswith(
        "gloss-002.rec: the recording is missing from recordings/; 3 readings and refusals"
    )


def test_an_altered_header_is_found(home: Home) -> None:
    rewrite(home.recordings / "gloss-002.rec", b"# driver: gloss-key", b"# driver: gloss-kex")
    assert "its header names the description 'gloss-kex'" in only(verify(home)).what
    rewrite(home.recordings / "gloss-002.rec", b"# driver: gloss-kex\n", b"")
    assert "the header lacks driver" in only(verify(home)).what


def test_an_altered_start_moves_every_reading(home: Home) -> None:
    path = home.recordings / "gloss-002.rec"
    path.write_bytes(re.sub(rb"start-utc: 2031", b"start-utc: 2030", path.read_bytes()))
    faults = verify(home).faults
    assert [fault.item for fault in faults] == [f"gloss-002.rec#{i}" for i in range(3)]
    assert "time is 2031-05-04" in faults[0].what


def test_an_edited_reading_breaks_the_chain_and_disagrees_with_its_bytes(home: Home) -> None:
    alter(home, edit_body("gloss-002.rec#1", '"value":90.8', '"value":98.8'))
    report = verify(home)
    assert report.chain.broken is not None
    assert report.chain.broken.what == "content"
    with home.journal(readonly=True) as journal:
        found = journal.find("gloss-002.rec#1")
    assert found is not None
    assert report.chain.broken.seq == found.seq
    assert only(report).what.endswith("value is 98.8 in the journal, 90.8 by the recording")


def test_an_edited_stroke_count_disagrees_with_its_bytes(home: Home) -> None:
    alter(home, edit_body("wash-003.rec#19", '"value":10.0', '"value":100.0'))
    assert only(verify(home)).what.endswith("value is 100.0 in the journal, 10.0 by the recording")


def test_a_reading_put_to_another_trial_breaks_the_chain(home: Home) -> None:
    alter(home, edit_body("gloss-002.rec#1", '"trial":"alder"', '"trial":"birch"'))
    report = verify(home)
    assert not report.holds
    assert report.chain.broken is not None


def test_swapped_events_are_named(home: Home) -> None:
    with home.journal(readonly=True) as journal:
        seq = next(event.seq for event in journal.events("reading"))
    alter(
        home,
        f"UPDATE events SET seq = -1 WHERE seq = {seq}",
        f"UPDATE events SET seq = {seq} WHERE seq = {seq + 1}",
        f"UPDATE events SET seq = {seq + 1} WHERE seq = -1",
    )
    report = verify(home)
    assert report.chain.broken is not None
    assert (report.chain.broken.seq, report.chain.broken.what) == (seq, "prev")
    assert report.faults == ()


def test_an_altered_description_is_named(home: Home) -> None:
    alter(
        home,
        "UPDATE events SET body = replace(body, 'resolution = 0.1', 'resolution = 0.2')"
        " WHERE kind = 'stream'",
    )
    report = verify(home)
    assert report.chain.broken is not None
    what = only(report).what
    assert what.startswith(
        "gloss-002.rec: its gauge description 'gloss-key' was altered: the text in the journal"
    )
    assert what.endswith("3 readings and refusals (gloss-002.rec#0 to gloss-002.rec#2) could not be compared")


def test_a_description_that_is_none_is_named(home: Home) -> None:
    alter(
        home,
        "UPDATE events SET body = replace(body, 'driver = ', 'diver = ') WHERE kind = 'stream' AND seq > 10",
    )
    whats = [fault.what for fault in verify(home).faults]
    assert whats
    assert all("as kept in the journal cannot be used" in what for what in whats)


def test_an_unreadable_event_is_named(home: Home) -> None:
    alter(home, edit_body("gloss-002.rec#1", '"unit":"GU"', '"unit":"XX"'))
    what = only(verify(home)).what
    assert re.search(r"event \d+ \(reading gloss-002.rec#1\) cannot be read: unit: ", what)


def test_text_that_is_no_json_ends_the_comparison_with_a_word(home: Home) -> None:
    alter(home, "UPDATE events SET body = '{' WHERE id = 'gloss-002.rec#1'")
    report = verify(home)
    assert report.chain.broken is not None
    assert any("no reading behind it was compared" in fault.what for fault in report.faults)


def test_readings_of_an_unknown_recording_are_named(home: Home) -> None:
    alter(home, "DELETE FROM events WHERE kind = 'stream' AND body LIKE '%gloss-002.rec%'")
    assert only(verify(home)).what == (
        "3 readings and refusals come from gloss-002.rec, "
        "but the journal does not tell of that recording's start"
    )


def test_a_cut_journal_is_found_only_by_a_noted_head(home: Home) -> None:
    noted = verify(home).chain.head_hash
    alter(home, "DELETE FROM events WHERE seq = (SELECT MAX(seq) FROM events)")
    assert verify(home).chain.holds
    report = verify(home, expected_head=noted)
    assert report.chain.broken is not None
    assert report.chain.broken.what == "head"


def test_a_bench_without_a_journal_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no journal\.sqlite"):
        verify(Home(tmp_path))
