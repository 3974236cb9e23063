"""What `watch` shows: rows, calm, trace, numbers; and how the picture fits a terminal."""

from collections import deque
from datetime import UTC, datetime

import pytest

import config
from acquire.cli.watch import screen
from acquire.ports import PortEvent
from acquire.recordings import LineKind
from acquire.watching import Calm, Row, Unrecorded, Watched
from drivers.description import load_description
from tests.manual_clock import ManualClock

GAUGES = config.FOLDER / "gauges"
AT = datetime(2031, 5, 4, tzinfo=UTC)


def event(kind: LineKind, t_us: int, data: bytes = b"", note: str = "") -> PortEvent:
    return PortEvent("g", kind, t_us, AT, data, note)


def watched(name: str) -> Watched:
    found = Watched(load_description(GAUGES / f"{name}.toml"))
    found.take(event("open", 0))
    return found


def test_each_message_stands_beside_what_was_read_from_it() -> None:
    one = watched("gloss-poll")
    one.take(event("sent", 10, b"READ?\n"))
    rows = one.take(event("chunk", 20, b"NONE\n60;091,4;0017\n60;09x,4;0018\nNO"))
    assert [(row.kind, row.raw, row.says) for row in rows] == [
        ("other", r"NONE\n", "no value"),
        ("value", r"60;091,4;0017\n", "91.4 GU at 60"),
        ("fault", r"60;09x,4;0018\n", "the line does not follow the pattern"),
    ]
    (cut,) = one.take(event("chunk", 30, b"NE\n"))
    assert (cut.raw, cut.says) == (r"NONE\n", "no value")
    assert (one.values_n, one.damaged_n, len(one.faults)) == (1, 1, 1)


def test_bytes_that_were_left_are_shown_when_the_port_is_lost() -> None:
    one = watched("force-stream-n")
    one.take(event("chunk", 10, b"\r\n+01"))
    rows = one.take(event("lost", 20, note="unplugged"))
    assert [(row.raw, row.says) for row in rows] == [("+01", "no value"), ("", "lost: unplugged")]
    assert not one.open


def test_several_values_of_one_message_stand_under_its_bytes() -> None:
    one = watched("modbus-climate")
    request = bytes.fromhex("02 03 00 00 00 02 C4 38")
    one.take(event("sent", 10, request))
    # Registers 231 and 498 are 23.1 degC and 49.8 %; both CRCs computed with pymodbus, not with our code.
    rows = one.take(event("chunk", 20, bytes.fromhex("02 03 04 00 E7 01 F2 F9 11")))
    assert [(row.kind, row.says) for row in rows] == [("value", "23.1 degC"), ("value", "49.8 %")]
    assert rows[0].raw.startswith(r"\x02\x03\x04")
    assert rows[1].raw == ""


def test_rate_and_silence() -> None:
    one = watched("force-stream-n")
    one.take(event("chunk", 0, b"\r\n"))
    for n in range(200):
        one.take(event("chunk", n * 10_000, b"+001.00\r\n"))
    assert one.rate_hz(1_990_000) == pytest.approx(100)
    assert one.silent_s(3_990_000) == pytest.approx(2.0)
    assert one.rate_hz(9_000_000) == 0


def test_the_trace_shows_a_short_peak_at_its_place() -> None:
    one = watched("force-stream-n")
    one.take(event("chunk", 0, b"\r\n"))
    for n in range(1000):
        one.take(event("chunk", n * 10_000, b"+050.00\r\n" if n == 500 else b"+000.00\r\n"))
    found = one.trace(10_000_000, 50, 3)
    assert found is not None
    rows, high, low = found
    assert (high, low) == (50.0, 0.0)
    assert rows[0] == " " * 25 + "█" + " " * 24
    assert rows[2][0] == "▁"
    assert one.trace(30_000_000, 50, 3) is None


def test_a_fast_gauge_is_shown_calmly_and_every_fault_at_once() -> None:
    calm = Calm()
    values = [Row(n * 10_000, "value", "+1", "1 N", "same") for n in range(200)]
    assert sum(calm.shows(row) for row in values) == 4
    assert calm.shows(Row(2_000_001, "fault", "?", "damaged"))
    assert calm.shows(Row(2_000_002, "value", "+1", "1 N OVERLOAD", "other"))
    assert not calm.shows(Row(2_000_003, "sent", "D", "asked"))


@pytest.mark.parametrize("size", [(80, 24), (40, 12), (20, 5)])
def test_the_picture_fits_the_terminal(size: tuple[int, int]) -> None:
    one = watched("force-stream-n")
    shown: deque[Row] = deque(one.take(event("chunk", 0, b"x" * 70 + b"\r\n+001.00\r\n+0y1.00\r\n" * 30)))
    lines = screen(one, shown, Calm(), "gauge " * 20, 1_000, size).plain.split("\n")
    assert len(lines) <= size[1]
    assert max(map(len, lines)) <= size[0]


def test_without_a_recording_times_are_kept_and_nothing_is_written() -> None:
    clock = ManualClock()
    recorder = Unrecorded(clock)
    clock.move(1.5)
    assert recorder.now_us() == 1_500_000
    assert recorder.mark("open", "here", 5) == "here"
