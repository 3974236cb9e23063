"""Laws of pull capture: no cutting matters, nothing raises, memory stays flat, time goes forward."""

from functools import cache

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from acquire.capture.anatomy import Pull
from acquire.capture.finder import PullFinder
from acquire.capture.settings import PullSettings
from acquire.capture.survey import settings_for
from acquire.capture.traces import pulls_in
from simulators.force import HANDS, SURFACES, simulate_pulls
from simulators.front import GaugeFront
from tests.capture_tools import Floats, cut, found, times

CASES = (
    ("bare", "clean", GaugeFront(rate_hz=100.0)),
    ("stick-slip", "regrip", GaugeFront(rate_hz=1000.0, noise_n=0.02)),
    ("no-drop", "no-rest", GaugeFront(rate_hz=10.0, resolution_n=0.0980665)),
    ("treated", "held", GaugeFront(rate_hz=200.0, drift_n_per_h=30.0)),
    ("treated", "bump-after", GaugeFront(rate_hz=50.0, range_n=2.0)),
)

PIECES = st.lists(
    st.tuples(
        st.integers(1, 80),
        st.floats(-1e3, 1e3) | st.sampled_from([0.0, 0.01, 3.0, -3.0, 1e9, -1e9]),
        st.booleans(),
        st.floats(0.0, 1.0),
    ),
    min_size=1,
    max_size=12,
)
"""Pieces of a force: samples, level, ramp or step, noise."""


@cache
def simulated(case: int) -> tuple[PullSettings, Floats, Floats]:
    surface, hand, front = CASES[case]
    t, f = front.sample(simulate_pulls(SURFACES[surface], HANDS[hand], pulls=3, seed=5), seed=7)
    chosen = PullSettings(front.rate_hz, front.resolution_n, full_scale_n=front.range_n)
    return chosen, t, f


def built(pieces: list[tuple[int, float, bool, float]]) -> Floats:
    rng = np.random.default_rng(3)
    parts: list[Floats] = []
    level = 0.0
    for count, end, ramp, noise in pieces:
        way = np.linspace(level, end, count) if ramp else np.full(count, end)
        parts.append(way + noise * rng.standard_normal(count))
        level = end
    return np.concatenate(parts)


def cut_up(t: Floats, f: Floats, chosen: PullSettings, places: list[int]) -> list[Pull]:
    finder = PullFinder(chosen)
    pulls: list[Pull] = []
    for part in cut(len(t), places):
        pulls += finder.feed(t[part], f[part])
    return [*pulls, *finder.finish()]


@pytest.mark.parametrize("case", range(len(CASES)))
def test_any_cutting_gives_the_same_pulls(case: int) -> None:
    chosen, t, f = simulated(case)
    whole = found(f, chosen, t)
    assert whole
    rng = np.random.default_rng(case)
    for cuts in (0, 1, 7, 60, 400):
        assert cut_up(t, f, chosen, rng.integers(0, len(t), cuts).tolist()) == whole


@pytest.mark.slow
def test_sample_by_sample_gives_the_same_pulls() -> None:
    chosen, t, f = simulated(0)
    assert cut_up(t, f, chosen, list(range(len(t)))) == found(f, chosen, t)


@settings(max_examples=60, deadline=None)
@given(PIECES, st.sampled_from([5.0, 100.0, 2000.0]), st.lists(st.integers(0, 10_000), max_size=20))
def test_nothing_raises_and_cutting_never_matters(
    pieces: list[tuple[int, float, bool, float]], rate_hz: float, places: list[int]
) -> None:
    f = built(pieces)
    chosen = PullSettings(rate_hz, 0.01, full_scale_n=500.0)
    whole = found(f, chosen)
    assert cut_up(times(f, rate_hz), f, chosen, places) == whole
    for pull in whole:
        assert pull.t_start_s <= pull.t_break_s <= pull.t_end_s
        assert pull.first_number < pull.last_number
        assert all(np.isfinite([pull.breakaway_n, pull.highest_n, pull.under_read_n, pull.contact_s]))
        assert pull.highest_n >= pull.breakaway_n
        assert pull.under_read_n >= 0
    starts = [pull.t_start_s for pull in whole]
    assert starts == sorted(starts)


@settings(max_examples=60, deadline=None)
@given(PIECES, st.lists(st.floats(0.0, 2.0), min_size=1, max_size=5), st.booleans())
def test_a_whole_trace_with_any_clock_raises_nothing(
    pieces: list[tuple[int, float, bool, float]], steps: list[float], coarse: bool
) -> None:
    f = built(pieces)
    assume(len(f) >= 2)
    t = np.cumsum(np.resize(np.array(steps), len(f)))
    if coarse:
        t = np.round(t)
    pulls = pulls_in(t, f, directions=("tension", "compression"), breaks=(len(f) // 2,))
    assert pulls.samples == len(f)


@given(st.lists(st.floats(-1e9, 1e9), min_size=2, max_size=40))
def test_a_few_samples_of_anything_raise_nothing(values: list[float]) -> None:
    f = np.array(values)
    t = times(f, 10.0)
    for pull in found(f, settings_for(t, f), t):
        assert t[0] <= pull.t_break_s <= t[-1]


def test_memory_stays_flat() -> None:
    chosen, t, f = simulated(0)
    finder = PullFinder(chosen)
    count = 0
    kept: list[int] = []
    for round_ in range(40):
        finder.feed(t + round_ * (t[-1] + 0.01), f)
        count += len(f)
        kept.append(count - finder.keeps_from)
    assert max(kept[1:]) <= max(kept[:2])
    assert max(kept) < 3 * len(f)


def test_an_endless_load_is_cut_off_and_forgotten() -> None:
    chosen = PullSettings(100.0, 0.01, max_pull_s=5.0)
    f = np.concatenate([np.zeros(200), np.full(3000, 3.0) + np.arange(3000) % 7])
    finder = PullFinder(chosen)
    pulls = finder.feed(times(f), f)
    assert pulls[0].reasons[0] == "never released: under load for more than 5 s"
    assert len(f) - finder.keeps_from < 1500
