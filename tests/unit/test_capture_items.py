"""Settled values, counts and the bytes of pulls: samples in, items out, whatever the cutting."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.capture.counts import CountCapture
from acquire.capture.pulls import PullCapture, pull_settings, usable_force
from acquire.capture.settled import SettledCapture
from acquire.capture.taken import Taken
from acquire.stream import Capture
from drivers.base import Batch, FrameError, Kind
from drivers.registry import make_driver
from tests.capture_tools import PULL, REST, cut, line
from tests.contract.gauges import description

GLOSS = Kind("gloss", "GU", "60")
COUNT = Kind("count", "1")
FORCE = Kind("force", "N")


def batch(rows: list[tuple[float, Kind]], first_end: int = 10) -> Batch:
    """Samples of ten bytes each, in stream order."""
    kinds = sorted({kind for _, kind in rows}, key=str)
    return Batch(
        np.array([value for value, _ in rows], dtype=np.float64),
        first_end + 10 * np.arange(len(rows), dtype=np.int64),
        np.array([kinds.index(kind) for _, kind in rows], dtype=np.int16),
        kinds,
    )


def fed(capture: Capture, t_s: list[float], values: list[float], kind: Kind) -> list[Taken]:
    rows = [(value, kind) for value in values]
    t_us = np.array([round(1e6 * t) for t in t_s], dtype=np.int64)
    return [*capture.feed(t_us, batch(rows)), *capture.finish()]


def test_the_eleventh_of_ten_is_an_item_of_its_own() -> None:
    values = [90.0 + 0.1 * i for i in range(11)]
    items = fed(SettledCapture(0.1), [2.0 * i for i in range(11)], values, GLOSS)
    assert [item.value for item in items] == values
    assert [(item.first_byte, item.last_byte) for item in items] == [(10 * i, 10 * i + 10) for i in range(11)]
    assert {item.verdict for item in items} == {"accepted"}


def test_an_echo_is_refused_and_kept() -> None:
    first, echo, later = fed(SettledCapture(0.1), [1.0, 1.1, 3.0], [90.1, 90.1, 90.1], GLOSS)
    assert first.verdict == later.verdict == "accepted"
    assert echo.verdict == "refused"
    assert echo.reasons == ("the same line twice within a fifth of a second: counted once",)


@pytest.mark.parametrize("flag", ["overload", "unstable", "out of range", "wrong unit"])
def test_a_spoilt_value_is_refused_for_what_the_gauge_said(flag: str) -> None:
    (item,) = fed(SettledCapture(0.1), [1.0], [90.1], Kind("gloss", "GU", "60", frozenset({flag})))
    assert item.verdict == "refused"
    assert item.reasons == (f"the gauge reported: {flag}",)


def test_a_low_battery_only_warns() -> None:
    (item,) = fed(SettledCapture(0.1), [1.0], [90.1], Kind("gloss", "GU", "60", frozenset({"low battery"})))
    assert item.verdict == "accepted"
    assert item.details["low_battery"] is True


def counted(t_s: list[float], values: list[float], *, line_per_stroke: bool = True) -> list[Taken]:
    return fed(CountCapture(line_per_stroke=line_per_stroke), t_s, values, COUNT)


def test_strokes_are_added_up_from_where_the_counter_stood() -> None:
    items = counted([1.0, 3.0, 5.0], [41.0, 42.0, 43.0])
    assert [item.value for item in items] == [1.0, 2.0, 3.0]
    assert items[-1].details["rate_per_min"] == pytest.approx(30.0)


def test_an_answer_only_says_where_the_count_stands() -> None:
    items = counted([1.0, 1.5, 3.0], [41.0, 41.0, 42.0], line_per_stroke=False)
    assert [item.value for item in items] == [1.0]


def test_a_counter_reset_goes_on_from_the_total() -> None:
    items = counted([1.0, 3.0, 5.0, 7.0], [10.0, 11.0, 1.0, 2.0])
    assert [item.value for item in items] == [1.0, 2.0, 3.0, 4.0]
    assert [item.details["counter_reset"] for item in items] == [False, False, True, False]


def test_a_pause_loses_nothing() -> None:
    items = counted([1.0, 3.0, 603.0], [10.0, 11.0, 12.0])
    assert [item.value for item in items] == [1.0, 2.0, 3.0]


def test_strokes_made_while_the_cable_was_out_are_counted_afterwards() -> None:
    capture = CountCapture(line_per_stroke=True)
    first = capture.feed(np.array([1_000_000]), batch([(10.0, COUNT)]))
    assert capture.interrupt("the cable was pulled") == []
    again = capture.feed(np.array([21_000_000]), batch([(20.0, COUNT)]))
    assert [item.value for item in first + again] == [1.0, 11.0]
    assert again[0].details["gained"] == 10
    assert again[0].first_byte == 0


def test_a_leap_no_machine_makes_is_not_believed() -> None:
    items = counted([1.0, 3.0, 5.0], [10.0, 910.0, 11.0])
    assert [item.verdict for item in items] == ["accepted", "refused", "accepted"]
    assert items[1].reasons == ("the counter went from 10 to 910 in 2.0 s: not believed",)
    assert items[-1].value == 2.0


def test_a_bad_number_is_no_count() -> None:
    (item,) = fed(
        CountCapture(line_per_stroke=True),
        [1.0],
        [5.0],
        Kind("count", "1", None, frozenset({"out of range"})),
    )
    assert item.reasons == ("the counter sent no good number",)


def stream_of(force_n: list[float]) -> bytes:
    return b"".join(b"%+07.2f\r\n" % value for value in force_n)


def capture() -> PullCapture:
    return PullCapture(pull_settings(rate_hz=100.0, resolution=0.01, full_scale=500.0, unit="N"))


def test_the_bytes_of_a_pull_decode_to_its_samples() -> None:
    force = np.round(line(REST, *PULL, REST, *PULL, REST), 2).tolist()
    data = b"\x00" + stream_of(force)  # a first line that may be cut is dropped by the driver
    driver = make_driver(description("force-stream-n"))
    decoded = driver.feed(data)
    t_us = np.arange(len(decoded), dtype=np.int64) * 10_000
    one = capture()
    items = [*one.feed(t_us, decoded), *one.finish()]
    assert len(items) == 2
    for item in items:
        again = make_driver(description("force-stream-n"))
        again.feed(data[: len(b"\x00+000.00\r\n")])  # past the line that may be cut
        values = again.feed(data[item.first_byte : item.last_byte]).values
        assert len(values) == item.details["samples"]
        assert values.max() == item.details["highest_n"] == item.value == 3.0
        assert values.tolist() == [
            v
            for v, end in zip(decoded.values, decoded.ends, strict=True)
            if item.first_byte < end <= item.last_byte
        ]


def test_damaged_and_unstable_frames_within_a_pull_are_counted() -> None:
    force = np.round(line(REST, *PULL, REST), 2).tolist()
    unstable = Kind("force", "N", None, frozenset({"unstable"}))
    rows = batch([(value, unstable if value > 2.5 else FORCE) for value in force])
    rows.errors = [FrameError("damaged", b"x", at) for at in (5, 1505)]
    one = capture()
    t_us = np.arange(len(force), dtype=np.int64) * 10_000
    (item,) = [*one.feed(t_us, rows), *one.finish()]
    assert item.details["damaged_frames"] == 1
    assert item.details["unstable_samples"] == sum(value > 2.5 for value in force)
    assert item.verdict == "accepted"


def test_an_overload_without_a_number_shows_as_saturated() -> None:
    over = Kind("force", "N", None, frozenset({"overload"}))
    rows = batch(
        [(1.0, FORCE), (float("nan"), over), (2.0, Kind("force", "N", None, frozenset({"out of range"})))]
    )
    force_n, usable = usable_force(rows, 500.0)
    assert force_n[:2].tolist() == [1.0, 500.0]
    assert usable.tolist() == [True, True, False]
    assert usable_force(rows, None)[1].tolist() == [True, False, False]


@pytest.mark.parametrize("flags", [frozenset[str](), frozenset({"unstable"}), frozenset({"low battery"})])
def test_a_sample_without_a_number_is_lost_whatever_is_said_beside_it(flags: frozenset[str]) -> None:
    nothing = Kind("force", "N", None, flags)
    _, usable = usable_force(batch([(1.0, FORCE), (float("nan"), nothing), (2.0, FORCE)]), 500.0)
    assert usable.tolist() == [True, False, True]


def test_samples_without_a_number_do_not_spoil_the_pulls_around_them() -> None:
    force = np.round(line(REST, *PULL, REST, *PULL, REST), 2)
    unstable = Kind("force", "N", None, frozenset({"unstable"}))
    spoilt = {50, 51, 130, 200, 201, 202, len(force) - 20}
    rows = batch(
        [(float("nan"), unstable) if at in spoilt else (v, FORCE) for at, v in enumerate(force.tolist())]
    )
    one = capture()
    items = [*one.feed(np.arange(len(force), dtype=np.int64) * 10_000, rows), *one.finish()]
    assert [(item.value, item.verdict) for item in items] == [(3.0, "accepted"), (3.0, "accepted")]


def test_other_units_become_newtons() -> None:
    force_n, _ = usable_force(batch([(1000.0, Kind("force", "gf"))]), None)
    assert force_n[0] == pytest.approx(9.80665)  # NIST SP 811: 1 kgf = 9.80665 N exactly


def test_a_lost_port_refuses_the_pull_under_way() -> None:
    one = capture()
    force = np.round(line(REST, *PULL), 2).tolist()[:180]
    assert one.feed(np.arange(180, dtype=np.int64) * 10_000, batch([(v, FORCE) for v in force])) == []
    (item,) = one.interrupt("the cable was pulled")
    assert item.verdict == "refused"
    assert item.reasons[0] == "interrupted: the cable was pulled"


MAKERS: dict[str, tuple[Callable[[], Capture], Kind]] = {
    "settled": (lambda: SettledCapture(0.1), GLOSS),
    "strokes": (lambda: CountCapture(line_per_stroke=True), COUNT),
    "answers": (lambda: CountCapture(line_per_stroke=False), COUNT),
    "pulls": (capture, FORCE),
}


@pytest.mark.parametrize("name", list(MAKERS))
@given(
    values=st.lists(st.integers(0, 9).map(float), min_size=1, max_size=60),
    places=st.lists(st.integers(0, 100), max_size=6),
)
def test_no_cutting_matters(name: str, values: list[float], places: list[int]) -> None:
    make, kind = MAKERS[name]
    force = np.repeat(values, 15).tolist() if name == "pulls" else values
    t_us = np.arange(len(force), dtype=np.int64) * 10_000
    whole = make()
    wanted = [*whole.feed(t_us, batch([(v, kind) for v in force])), *whole.finish()]
    parts = make()
    found: list[Taken] = []
    for part in cut(len(force), places):
        rows = batch([(v, kind) for v in force[part]], first_end=10 + 10 * part.start)
        found += parts.feed(t_us[part], rows)
    assert [*found, *parts.finish()] == wanted
