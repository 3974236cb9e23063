"""The clock that counts samples: bursts in pieces, gauges off their rate, real gaps, any cutting."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import config
from acquire.capture.sample_clock import SampleClock, Times
from acquire.capture.taken import Taken
from acquire.ports import PortEvent
from acquire.stream import GaugeStream
from drivers.description import load_description
from tests.benches import pull_lines
from tests.manual_clock import START_UTC

CHUNKS = st.lists(st.tuples(st.integers(0, 400_000), st.integers(1, 40)), min_size=1, max_size=40)


def spread(clock: SampleClock, read_us: list[int], counts: list[int]) -> Times:
    """The time of each sample in µs."""
    last_us, step_us = clock.take(np.array(read_us), np.array(counts))
    times = [
        last - np.round(np.arange(n - 1, -1, -1) * step).astype(np.int64)
        for last, step, n in zip(last_us, step_us, counts, strict=True)
    ]
    return np.concatenate(times)


@pytest.mark.parametrize("pause_us", [0, 1_000, 15_000])
@pytest.mark.parametrize("first", [1, 3, 9])
def test_a_burst_in_two_pieces_keeps_the_pace_of_the_gauge(first: int, pause_us: int) -> None:
    read_us = [at + late for at in range(100_000, 3_000_000, 100_000) for late in (0, pause_us)]
    counts = [first, 10 - first] * (len(read_us) // 2)
    t_us = spread(SampleClock(100.0), read_us, counts)
    steps = np.diff(t_us)[20:]
    assert steps.min() >= 5_000
    assert steps.max() <= 15_000
    assert abs(t_us[-1] - read_us[-1]) < 30_000


@pytest.mark.parametrize("true_hz", [20.0, 50.0, 96.0, 100.0, 104.0, 1000.0])
def test_a_gauge_off_its_rate_is_followed(true_hz: float) -> None:
    read_us = np.round(1e6 * np.arange(1, 2001) / true_hz).astype(np.int64)
    last_us, _ = SampleClock(100.0).take(read_us, np.ones(len(read_us), dtype=np.int64))
    steps = np.diff(last_us)[1000:]
    assert steps.mean() == pytest.approx(1e6 / true_hz, rel=1e-3)
    assert steps.max() <= 1.1e6 / true_hz + 1
    assert np.all(read_us - last_us <= 150_000)


def test_a_real_gap_stays_one() -> None:
    read_us = [10_000 * number for number in (*range(1, 101), *range(141, 201))]
    t_us = spread(SampleClock(100.0), read_us, [1] * len(read_us))
    assert t_us.tolist() == read_us


def test_samples_that_were_read_late_but_are_all_there_leave_no_gap() -> None:
    read_us = [*range(10_000, 1_010_000, 10_000), 1_500_000, *range(1_510_000, 2_000_000, 10_000)]
    counts = [1] * 100 + [50] + [1] * 49
    t_us = spread(SampleClock(100.0), read_us, counts)
    assert np.diff(t_us).max() <= 10_000


@given(CHUNKS, st.sampled_from([5.0, 100.0, 2000.0]), st.integers(0, 40))
def test_no_cutting_matters_and_time_goes_forward(
    chunks: list[tuple[int, int]], rate_hz: float, at: int
) -> None:
    read_us = np.cumsum([wait for wait, _ in chunks]).tolist()
    counts = [n for _, n in chunks]
    whole = spread(SampleClock(rate_hz), read_us, counts)
    assert np.all(np.diff(whole) >= 0)
    assert np.all(whole <= np.repeat(read_us, counts))
    clock, at = SampleClock(rate_hz), at % len(counts)
    parts = [spread(clock, read_us[:at], counts[:at])] if at else []
    assert np.concatenate([*parts, spread(clock, read_us[at:], counts[at:])]).tolist() == whole.tolist()


def pulled(bursts: list[tuple[int, list[bytes]]]) -> list[Taken]:
    gauge = GaugeStream(load_description(config.FOLDER / "gauges" / "force-stream-n.toml"))
    gauge.take(PortEvent("g", "open", 0, START_UTC))
    found: list[Taken] = []
    for t_us, lines in bursts:
        found += gauge.take(PortEvent("g", "chunk", t_us, START_UTC, b"".join(lines)))
    return found


LINES = [b"00.00\r\n", *pull_lines(2.5, "a"), *pull_lines(2.7, "b")]


@pytest.mark.parametrize("cuts", [(0, 10), (0, 3, 10), (0, 1, 2, 10)])
def test_pulls_read_in_bursts_and_in_pieces_of_bursts_are_accepted(cuts: tuple[int, ...]) -> None:
    pieces = [
        (10_000 * (at + 10) + 1_000 * first, LINES[at + first : at + last])
        for at in range(0, len(LINES), 10)
        for first, last in pairwise(cuts)
    ]
    assert [item.reasons for item in pulled(pieces)] == [(), ()]


@pytest.mark.parametrize("lost_n", [16, 22, 40])
def test_lines_lost_on_the_way_up_are_missed(lost_n: int) -> None:
    rows = [(10_000 * (at + 1), [text]) for at, text in enumerate(LINES)]
    force = [float(text) for text in LINES[1:]]
    foot = next(at for at, value in enumerate(force) if value > 0.8)
    first = pulled(rows[:foot] + rows[foot + lost_n :])[0]
    assert any(reason.startswith("interrupted: no samples for") for reason in first.reasons), first.reasons
