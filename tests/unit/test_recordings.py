"""The text of a recording, its writer, and both readers against the same files."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from acquire.errors import RecordingError
from acquire.recordings import Header, Line, Recorder, read_columns, read_header, read_recording
from acquire.recordings.format import MAX_CHUNK_BYTES, MAX_LINE_BYTES
from tests.manual_clock import ManualClock
from tests.recording_tools import from_columns, from_lines

HEAD = "# format: panelwright-rec 1\n# driver: force-stream-n\n# start-utc: 2031-05-04T08:00:00.000000Z\n"


def write(path: Path, text: str) -> Path:
    path.write_bytes(text.encode())
    return path


def test_the_recorder_writes_exactly_this(tmp_path: Path) -> None:
    clock = ManualClock()
    header = Header(
        driver="force-stream-n", device="pull gauge", port="serial:COM3", description_sha256="0a" * 32
    )
    with Recorder(tmp_path / "a.rec", header, clock) as recorder:
        recorder.mark("open", "COM3", 0)
        recorder.sent(b"D\r", 12_345)
        recorder.chunk(b"+12.4", 51_002)
        recorder.mark("lost", "", 3_600_000_000)
        recorder.mark("closed", "", 3_600_000_001)
    assert (tmp_path / "a.rec").read_bytes().decode() == (
        "# format: panelwright-rec 1\n"
        "# driver: force-stream-n\n"
        f"# description-sha256: {'0a' * 32}\n"
        "# device: pull gauge\n"
        "# port: serial:COM3\n"
        "# start-utc: 2031-05-04T08:00:00.000000Z\n"
        "# expect: readings\n"
        "+0.000000 ! open COM3\n"
        "+0.012345 > 44 0D\n"
        "+0.051002 < 2B 31 32 2E 34\n"
        "+3600.000000 ! lost\n"
        "+3600.000001 ! closed\n"
    )


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    header = Header(driver="gloss-key", firmware="1.0 (invented)", scenario="steady", expect="nothing")
    with Recorder(tmp_path / "a.rec", header, ManualClock()) as recorder:
        recorder.mark("open", "a  note\twith\x00 odd — characters\n", 5)
        recorder.chunk(bytes(range(256)), 5)
        written = recorder.header
    read, lines = read_recording(tmp_path / "a.rec")
    assert read == written == read_header(tmp_path / "a.rec")
    assert read.start_utc == datetime(2031, 5, 4, 8, 0, tzinfo=UTC)
    assert list(lines) == [
        Line(5, "open", b"", "a note with? odd — characters", 7),
        Line(5, "chunk", bytes(range(256)), "", 8),
    ]
    assert lines.cut is None


def test_a_given_start_is_kept_in_utc(tmp_path: Path) -> None:
    start = datetime(2031, 5, 4, 10, 30, 0, 250_000, tzinfo=timezone(timedelta(hours=2)))
    with Recorder(tmp_path / "a.rec", Header(driver="x", start_utc=start), ManualClock()) as recorder:
        assert recorder.utc_at(750_000) == datetime(2031, 5, 4, 8, 30, 1, tzinfo=UTC)
    assert "# start-utc: 2031-05-04T08:30:00.250000Z\n" in (tmp_path / "a.rec").read_text(encoding="utf-8")
    assert read_header(tmp_path / "a.rec").start_utc == start


def test_a_header_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.rec").write_bytes(HEAD.encode() + b"# device: \xff\n")
    with pytest.raises(RecordingError, match=r"a\.rec, line 4: not UTF-8 text"):
        read_recording(tmp_path / "a.rec")


def test_times_are_rounded_once_to_the_nearest_microsecond(tmp_path: Path) -> None:
    clock = ManualClock(start_ns=1_000_000_000_123)
    with Recorder(tmp_path / "a.rec", Header(driver="x"), clock) as recorder:
        clock.move(1.234_567_4)
        assert recorder.now_us() == 1_234_567
        clock.move(0.000_000_2)
        assert recorder.now_us() == 1_234_568
        assert recorder.utc_at(1_234_568) == datetime(2031, 5, 4, 8, 0, 1, 234_568, tzinfo=UTC)


def test_an_existing_file_is_left_alone(tmp_path: Path) -> None:
    path = write(tmp_path / "a.rec", "precious")
    with pytest.raises(RecordingError, match="exists already; a recording is never overwritten") as caught:
        Recorder(path, Header(driver="x"), ManualClock())
    assert caught.value.hint
    assert path.read_text(encoding="utf-8") == "precious"


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"none.a\.rec: cannot be written: No such file or directory"):
        Recorder(tmp_path / "none" / "a.rec", Header(driver="x"), ManualClock())


@pytest.mark.parametrize("size", [0, MAX_CHUNK_BYTES + 1])
def test_chunks_have_a_sensible_size(tmp_path: Path, size: int) -> None:
    with (
        Recorder(tmp_path / "a.rec", Header(driver="x"), ManualClock()) as recorder,
        pytest.raises(ValueError, match=f"not {size}"),
    ):
        recorder.chunk(bytes(size), 0)


def test_the_largest_chunk_can_be_read_again(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.rec", Header(driver="x"), ManualClock()) as recorder:
        recorder.chunk(b"\xff" * MAX_CHUNK_BYTES, 999_999_999_999_999)
    (line,) = read_recording(tmp_path / "a.rec")[1]
    assert line.data == b"\xff" * MAX_CHUNK_BYTES
    assert from_columns(tmp_path / "a.rec") == from_lines(tmp_path / "a.rec")


def test_syncing_and_closing_again_does_no_harm(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.rec", Header(driver="x"), ManualClock())
    recorder.sync()
    recorder.close()
    recorder.close()
    recorder.sync()
    assert list(read_recording(tmp_path / "a.rec")[1]) == []


@pytest.mark.parametrize(
    ("text", "number", "why"),
    [
        ("", 1, "not a recording"),
        ("+0.0 ! open\n", 1, "not a recording"),
        ("# driver: x\n# format: panelwright-rec 1\n", 1, "first line must be '# format: panelwright-rec 1'"),
        (
            "# format: panelwright-rec 2\n# driver: x\n# start-utc: 2031-05-04T08:00:00Z\n",
            4,
            "format: Input should",
        ),
        (
            "# format: panelwright-rec 1\n# drivr: x\n",
            2,
            "unknown header key 'drivr'; did you mean 'driver'?",
        ),
        (
            "# format: panelwright-rec 1\n# zzz: x\n",
            2,
            "unknown header key 'zzz'; known keys: format, driver",
        ),
        ("# format: panelwright-rec 1\n# driver x\n", 2, "a header line reads '# key: value'"),
        ("# format: panelwright-rec 1\n# driver: x", 2, "ends inside its header"),
        ("# format: panelwright-rec 1\n# driver: x\n", 3, "the header lacks start-utc"),
        (HEAD + "# driver: y\n", 4, "'driver' appears twice"),
        (HEAD + "# expect: much\n", 5, "expect: Input should be 'readings' or 'nothing'"),
        (HEAD + "# description-sha256: 12\n", 5, "description-sha256: String should match pattern"),
        (HEAD + "# device:  two blanks\n", 5, "device: must be one line of printable text"),
        (HEAD.replace("Z\n", "+01:00\n"), 4, "start-utc: must be a UTC time such as"),
        (HEAD.replace("2031-05-04T08", "1234"), 4, "start-utc: Invalid isoformat string"),
    ],
)
def test_a_damaged_header_is_refused_with_its_line(tmp_path: Path, text: str, number: int, why: str) -> None:
    path = write(tmp_path / "a.rec", text)
    for read in (read_recording, read_header, read_columns):
        with pytest.raises(RecordingError) as caught:
            read(path)
        assert f"a.rec, line {number}: " in str(caught.value)
        assert why in str(caught.value)
        assert caught.value.hint


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("", "not an event line"),
        ("0.000001 < 2B", "not an event line"),
        ("+0.0000001 < 2B", "not an event line"),
        ("+.1 < 2B", "not an event line"),
        ("+0.1 = 2B", "not an event line"),
        ("+0.1 <  2B", "bytes must be pairs"),
        ("+0.1 <", "not an event line"),
        ("+0.100000 < ", "not an event line"),
        ("+0.100000 < 2b", "bytes must be pairs"),
        ("+0.100000 < 2B 3", "bytes must be pairs"),
        ("+0.100000 < 2B31 3", "bytes must be pairs"),
        ("+0.100000 < 2B 31 ", "bytes must be pairs"),
        ("+0.100000 < 2B 31\r", "bytes must be pairs"),
        ("+0.100000 < 2B-31", "bytes must be pairs"),
        ("+0.1 > 2G", "bytes must be pairs"),
        ("+0.1 ! gone", "after '!' must come open, lost or closed"),
        ("+0.1 ! open ", "after '!' must come open, lost or closed"),
        ("+0.1 ! open\ta", "after '!' must come open, lost or closed"),
        ("+0.1 ! open \udcff", "not UTF-8 text"),
        ("+0.049999 < 2B", "time goes back from +0.050000 to +0.049999"),
        ("+0.049999 ! open", "time goes back"),
        ("# scenario: late", "not an event line"),
    ],
)
def test_a_damaged_line_is_refused_by_both_readers_in_the_same_words(
    tmp_path: Path, line: str, why: str
) -> None:
    text = HEAD + "+0.050000 < 41\n" + line + "\n+0.200000 < 42\n"
    path = tmp_path / "a.rec"
    path.write_bytes(text.encode(errors="surrogateescape"))
    _, lines = read_recording(path)
    assert next(lines).data == b"A"
    with pytest.raises(RecordingError, match=r"a\.rec, line 5: ") as caught:
        next(lines)
    assert why in str(caught.value)
    assert caught.value.hint
    assert from_columns(path) == from_lines(path)


def test_time_may_not_go_back_behind_a_mark_either(tmp_path: Path) -> None:
    path = write(tmp_path / "a.rec", HEAD + "+0.500000 ! open\n+0.400000 < 41\n")
    found, error, _ = from_lines(path)
    assert [line.kind for line in found] == ["open"]
    assert error == "line 5: time goes back from +0.500000 to +0.400000"
    assert from_columns(path) == (found, error, None)


def test_hand_written_times_are_understood_by_both(tmp_path: Path) -> None:
    path = write(
        tmp_path / "a.rec", HEAD + "+0 ! open\n+0.1 < 41\n+0.25 > 42 43\n+00.5 < 44\n+2.000000 < 45\n"
    )
    assert [(line.t_us, line.data) for line in read_recording(path)[1]] == [
        (0, b""),
        (100_000, b"A"),
        (250_000, b"BC"),
        (500_000, b"D"),
        (2_000_000, b"E"),
    ]
    assert from_columns(path) == from_lines(path)


def test_a_file_cut_anywhere_behind_its_header_loses_only_the_cut_line(tmp_path: Path) -> None:
    body = "+0.000000 ! open COM3\n+0.100000 < 41 42\n+0.200000 > 43\n+0.300000 < 44 45\n"
    whole = body.splitlines(keepends=True)
    for size in range(len(body) + 1):
        path = write(tmp_path / "a.rec", HEAD + body[:size])
        complete = body[:size].count("\n")
        left = size - len("".join(whole[:complete]))
        _, lines = read_recording(path)
        assert len(list(lines)) == complete
        expected = f"line {4 + complete} is cut off after {left} bytes; it was left out" if left else None
        assert lines.cut == expected
        assert from_columns(path) == from_lines(path)


def test_an_endless_line_is_damage_and_not_a_cut(tmp_path: Path) -> None:
    path = tmp_path / "a.rec"
    path.write_bytes(HEAD.encode() + b"+0.000001 < " + b"41 " * (MAX_LINE_BYTES // 3 + 1))
    for read in (from_lines, from_columns):
        assert read(path) == ([], f"line 4: no end of line within {MAX_LINE_BYTES} bytes", None)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"none\.rec: cannot be read: No such file or directory"):
        read_recording(tmp_path / "none.rec")


def test_columns_end_at_marks_and_sent_bytes(tmp_path: Path) -> None:
    path = write(
        tmp_path / "a.rec",
        HEAD
        + "+0.1 ! open\n+0.200000 < 41 42\n+1.300000 < 43\n"
        + "+1.400000 > 44\n+2.500000 < 45\n+3.000000 ! lost gone\n",
    )
    first, second, third = read_columns(path)
    assert first.control == Line(100_000, "open", b"", "", 4)
    assert (first.data, first.t_us.tolist(), first.ends.tolist()) == (b"", [], [])
    assert second.control == Line(1_400_000, "sent", b"D", "", 7)
    assert (second.data, second.t_us.tolist(), second.ends.tolist()) == (b"ABC", [200_000, 1_300_000], [2, 3])
    assert (second.first_number, third.first_number) == (5, 8)
    assert third.control == Line(3_000_000, "lost", b"", "gone", 9)
    assert (third.data, third.ends.tolist()) == (b"E", [1])


def test_a_block_must_hold_something(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not 0"):
        read_columns(tmp_path / "a.rec", block_bytes=0)
