"""One gauge's stream: events in, timed and numbered items out, alike however they come."""

import numpy as np
import pytest

import config
from acquire.capture.taken import Taken
from acquire.errors import RecordingError
from acquire.ports import PortEvent
from acquire.recordings import LineKind
from acquire.stream import KEPT_ERRORS, GaugeStream
from drivers.description import load_description
from simulators.speech import ForceState, Shown, force_stream_n, gloss_key, gloss_poll
from tests.benches import pull_lines
from tests.manual_clock import START_UTC


def stream(name: str, **chosen: float | None) -> GaugeStream:
    return GaugeStream(load_description(config.FOLDER / "gauges" / f"{name}.toml"), dict(chosen))


def event(kind: LineKind, t_us: int, data: bytes = b"", note: str = "") -> PortEvent:
    return PortEvent("g", kind, t_us, START_UTC, data, note)


def press(angle: int, value: float) -> bytes:
    return gloss_key(angle, value)


def test_items_are_numbered_through_all_openings_and_bytes_count_anew_at_each() -> None:
    gauge = stream("gloss-key")
    found: list[Taken] = []
    for opening in range(2):
        start_us = opening * 10_000_000
        gauge.take(event("open", start_us))
        for number in range(2):
            at_us = start_us + (number + 1) * 1_000_000
            found += gauge.take(event("chunk", at_us, press(60, 90.0 + number)))
        gauge.take(event("lost", start_us + 5_000_000, note="unplugged"))
    assert [(one.ordinal, one.opening, one.first_byte) for one in found] == [
        (0, 0, 0),
        (1, 0, 13),
        (2, 1, 0),
        (3, 1, 13),
    ]
    assert gauge.opening == 1


def test_half_a_line_from_before_a_loss_is_not_joined_to_what_comes_after() -> None:
    gauge = stream("gloss-key")
    gauge.take(event("open", 0))
    assert gauge.take(event("chunk", 1_000_000, press(60, 90.0)[:5])) == []
    gauge.take(event("lost", 2_000_000))
    gauge.take(event("open", 3_000_000))
    (item,) = gauge.take(event("chunk", 4_000_000, press(60, 91.0)))
    assert (item.value, item.first_byte, item.last_byte) == (91.0, 0, 13)
    assert gauge.damaged == 0


def test_lines_read_together_are_spread_back_at_the_gauges_rate_but_not_before_the_last_read() -> None:
    gauge = stream("force-stream-n")
    gauge.take(event("open", 0))
    line = force_stream_n(Shown(1.0), ForceState())
    gauge.take(event("chunk", 1_000_000, line))  # the first line may be cut, and is dropped
    gauge.take(event("chunk", 2_000_000, line * 3))
    assert gauge.latest_t_us.tolist() == [1_980_000, 1_990_000, 2_000_000]
    gauge.take(event("chunk", 2_015_000, line * 3))
    assert gauge.latest_t_us.tolist() == [2_005_000, 2_010_000, 2_015_000]
    assert gauge.t_source == "line position"


def test_a_gauge_without_a_rate_has_the_time_of_the_read() -> None:
    gauge = stream("gloss-key")
    gauge.take(event("open", 0))
    found = gauge.take(event("chunk", 5_000_000, press(60, 90.0) + press(60, 91.0)))
    assert [one.t_us for one in found] == [5_000_000, 5_000_000]
    assert gauge.t_source == "host read"


@pytest.mark.parametrize("per_chunk", [1, 7, 5000])
def test_chunks_joined_or_one_by_one_give_the_same_items(per_chunk: int) -> None:
    lines = [b"00.00\r\n", *pull_lines(2.5, "a"), *pull_lines(2.7, "b")]
    one_by_one, at_once = stream("force-stream-n"), stream("force-stream-n")
    expected: list[Taken] = []
    chunks = [b"".join(lines[i : i + per_chunk]) for i in range(0, len(lines), per_chunk)]
    t_us = (10_000 * per_chunk * np.arange(1, len(chunks) + 1)).astype(np.int64)
    for gauge in (one_by_one, at_once):
        gauge.take(event("open", 0))
    for at, data in zip(t_us.tolist(), chunks, strict=True):
        expected += one_by_one.take(event("chunk", at, data))
    found = at_once.take_chunks(b"".join(chunks), t_us, np.cumsum([len(data) for data in chunks]))
    assert found == expected
    if per_chunk < 5000:
        assert [one.verdict for one in found] == ["accepted", "accepted"]
    assert (one_by_one.samples, one_by_one.opening) == (at_once.samples, at_once.opening)


def test_a_pull_under_way_when_the_stream_ends_or_breaks_is_refused_and_says_why() -> None:
    for end, why in (("lost", "unplugged"), ("closed", "")):
        gauge = stream("force-stream-n")
        gauge.take(event("open", 0))
        data = b"".join([b"00.00\r\n", *pull_lines(2.5, "a")[:180]])
        ends = np.arange(1, 182, dtype=np.int64) * 9 - 2
        gauge.take_chunks(data, ends * 1111, ends)
        (item,) = gauge.take(event("lost" if end == "lost" else "closed", 9_000_000, note=why))
        assert item.verdict == "refused"
        assert item.reasons == (f"interrupted: {why or 'the port was closed'}",)


def test_damaged_lines_are_counted_and_the_newest_kept() -> None:
    gauge = stream("gloss-key")
    gauge.take(event("open", 0))
    for number in range(KEPT_ERRORS + 8):
        assert gauge.take(event("chunk", 1000 * number, b"%d rubbish\r\n" % number)) == []
    assert gauge.damaged == KEPT_ERRORS + 8
    assert gauge.samples == 0
    assert gauge.errors[0].frame == b"8 rubbish"


def test_a_request_the_description_does_not_send_is_an_error_of_the_recording() -> None:
    gauge = stream("gloss-poll")
    gauge.take(event("open", 0))
    assert gauge.take(event("sent", 1_000, b"READ?\n")) == []
    (item,) = gauge.take(event("chunk", 20_000, gloss_poll(60, 91.4, 17)))
    assert item.value == 91.4
    with pytest.raises(RecordingError, match="GO"):
        gauge.take(event("sent", 500_000, b"GO\n"))


def test_settings_that_were_chosen_go_before_those_of_the_gauge() -> None:
    lines = [b"00.00\r\n", *pull_lines(2.5, "a")]
    ends = np.cumsum([len(line) for line in lines])
    found = []
    for gauge in (stream("force-stream-n", min_force_n=3.0), stream("force-stream-n", min_force_n=None)):
        gauge.take(event("open", 0))
        found.append(gauge.take_chunks(b"".join(lines), 10_000 * np.arange(1, len(lines) + 1), ends))
    assert [len(items) for items in found] == [0, 1]


def test_a_gauge_in_other_units_has_its_full_scale_in_newtons() -> None:
    gauge = stream("force-poll-gf")
    assert gauge.full_scale_n == pytest.approx(gauge.description.range[1] * 0.00980665)
    with pytest.raises(ValueError, match="GU"):
        _ = stream("gloss-key").full_scale_n
