"""The hub for those who watch: catching up, losing the oldest, never waiting, keeping peaks."""

import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.live import KEPT_POINTS, KEPT_TOLD, GaugeSeen, Live, thin
from acquire.model import Step
from acquire.model import Test as Kind
from acquire.notes import Note
from tests.manual_clock import START_UTC
from tests.rig import rig, slip

STEP = Step(test=Kind.SLIP, panel="black-1")


@pytest.fixture
def live() -> Live:
    hub = Live()
    hub.opens("force", "force", START_UTC)
    return hub


def _texts(live: Live, since: int) -> list[str]:
    with live.subscribe(since=since) as watcher:
        return [one.about.text for one in watcher.take().told if isinstance(one.about, Note)]


def test_each_watcher_gets_what_is_told_once_and_in_order(live: Live) -> None:
    with live.subscribe() as early:
        live.tell(Note("waiting", "one"))
        with live.subscribe() as late:
            live.tell(Note("waiting", "two"))
            assert [told.number for told in early.take().told] == [2, 3]
            assert [told.number for told in late.take().told] == [3]
            assert not early.take()
            assert not late.take()


def test_one_that_was_away_catches_up_by_the_last_number_it_saw(live: Live) -> None:
    for text in ("a", "b", "c"):
        live.tell(Note("waiting", text))
    assert _texts(live, since=2) == ["b", "c"]


def test_a_number_of_another_run_gives_everything(live: Live) -> None:
    live.tell(Note("waiting", "a"))
    assert _texts(live, since=500) == ["a"]


def test_one_that_was_away_too_long_is_told_how_much_it_missed(live: Live) -> None:
    with live.subscribe() as watcher:
        for i in range(KEPT_TOLD + 7):
            live.tell(Note("waiting", str(i)))
        news = watcher.take()
    assert news.missed_n == 7
    assert [told.number for told in news.told] == list(range(9, KEPT_TOLD + 9))


def test_a_trace_nobody_reads_keeps_its_newest_points_and_counts_the_rest(live: Live) -> None:
    with live.subscribe(gap_s=0.0) as watcher:
        for first in range(0, KEPT_POINTS + 5000, 1000):
            points = np.arange(first, first + 1000)
            live.samples("force", points / 1000, points)
        news = watcher.take()
        assert news.missed_points_n == 5000
        assert news.traces[0].values[0] == 5000
        assert len(news.traces[0].values) == KEPT_POINTS
        assert not watcher.take()


def test_a_slow_watcher_is_woken_once_until_it_looks(live: Live) -> None:
    woken: list[int] = []
    with live.subscribe(wake=lambda: woken.append(1)) as watcher:
        for i in range(10):
            live.samples("force", [i], [i])
        assert len(woken) == 1
        watcher.take()
        live.samples("force", [11], [11])
        assert len(woken) == 2
    live.samples("force", [12], [12])
    assert len(woken) == 2


def test_who_does_not_want_traces_is_not_woken_for_them(live: Live) -> None:
    woken: list[int] = []
    with live.subscribe(traces=False, wake=lambda: woken.append(1)) as watcher:
        live.samples("force", [1], [1])
        assert not woken
        assert not watcher.get(0.0)
        live.tell(Note("waiting", "this"))
        assert woken
        assert watcher.take().traces == ()


def test_a_watcher_whose_loop_has_closed_troubles_nobody(live: Live) -> None:
    def closed() -> None:
        raise RuntimeError("Event loop is closed")

    with live.subscribe(wake=closed):
        live.tell(Note("waiting", "still told"))
    assert _texts(live, since=0) == ["still told"]


def test_waiting_ends_as_soon_as_something_is_told(live: Live) -> None:
    with live.subscribe() as watcher:
        teller = threading.Thread(target=live.tell, args=(Note("waiting", "now"),))
        teller.start()
        news = watcher.get(10.0)
        teller.join()
    assert [told.about for told in news.told] == [Note("waiting", "now")]


def test_waiting_for_nothing_ends_at_its_limit(live: Live) -> None:
    with live.subscribe() as watcher:
        assert not watcher.get(0.01)


def test_the_state_of_a_gauge_follows_from_what_is_told(live: Live) -> None:
    live.step("force", "larch", STEP)
    live.tell(Note("port", "open on port 1", "force"))
    live.tell(Note("reading", "1 of 6", "force", progress=(1, 6)))
    live.tell(Note("lost", "unplugged", "force"))
    live.samples("force", [0.1, 0.2], [1.0, 2.5])
    snapshot = live.snapshot()
    assert snapshot.gauges == (
        GaugeSeen("force", "force", "N", START_UTC, "lost", "unplugged", "larch", STEP, (1, 6)),
    )
    assert snapshot.latest == {"force": 2.5}
    with live.subscribe(since=snapshot.number) as watcher:
        assert not watcher.take().told


def test_a_gauge_opened_anew_has_a_new_trace(live: Live) -> None:
    with live.subscribe(gap_s=0.0) as watcher:
        live.samples("force", [1.0, 2.0], [1.0, 2.0])
        watcher.take()
        live.opens("force", "force", START_UTC)
        live.samples("force", [0.0], [5.0])
        news = watcher.take()
    assert news.missed_points_n == 0
    assert news.traces[0].values.tolist() == [5.0]


def test_samples_of_a_gauge_that_was_never_opened_are_not_kept(live: Live) -> None:
    with live.subscribe(since=0) as watcher:
        live.samples("other", [0.0], [1.0])
        assert watcher.take().traces == ()


def test_the_service_passes_on_what_it_tells_and_what_its_gauges_send(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        live = bench.service._live
        assert [seen.gauge for seen in live.snapshot().gauges] == ["force", "gloss", "wash"]
        with live.subscribe(since=0) as watcher:
            trial = bench.trial()
            bench.service.measure(trial, slip())
            bench.pull(2.5, "one")
            news = watcher.take()
        notes = [told.about for told in news.told if isinstance(told.about, Note)]
        assert notes == bench.notes
        seen = live.snapshot().gauges[0]
        assert (seen.port, seen.trial, seen.step) == ("open", trial.id, slip())
        assert seen.progress == (1, bench.service.method.slip.pulls)
        (trace,) = news.traces
        (reading,) = bench.readings
        # The breakaway that capture found is the highest value that a viewer sees, in the same unit.
        assert np.nanmax(trace.values) == pytest.approx(reading.details["highest_n"])
        assert trace.unit == "N"


@given(
    steps=st.lists(st.floats(0.0005, 0.05), min_size=1, max_size=300),
    data=st.data(),
)
def test_thinning_keeps_the_extremes_of_every_gap(steps: list[float], data: st.DataObject) -> None:
    t_s = np.cumsum(steps)
    number = st.one_of(st.floats(-50, 50), st.just(np.nan))
    values = np.array(data.draw(st.lists(number, min_size=len(steps), max_size=len(steps))))
    thin_t_s, thinned = thin(t_s, values, 0.02)
    assert np.all(np.diff(thin_t_s) > 0)
    if len(values) < 3:
        assert len(thinned) == len(values)
        return
    for gap in np.unique(np.floor(t_s / 0.02)):
        own = values[np.floor(t_s / 0.02) == gap]
        kept = thinned[np.floor(thin_t_s / 0.02) == gap]
        assert len(kept) <= 3
        assert set(kept[~np.isnan(kept)]) == (
            {np.nanmin(own), np.nanmax(own)} if (~np.isnan(own)).any() else set()
        )
        assert np.isnan(kept).any() == np.isnan(own).any()
