"""Whether a gauge streams, speaks on an event or answers, and how fast, from when its lines came."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acquire.identify.heard import Heard

_NOMINAL_HZ = (1, 2, 4, 5, 6, 8, 10, 12, 12.5, 15, 16, 20, 24, 25, 30, 32, 40, 50, 60, 64, 80)
_SNAP = 0.015
_JITTER_S = 0.05
_HOLES = 0.05
_SLOW_HZ = 30.0
LEAST_N = 4


@dataclass(frozen=True, slots=True)
class Rhythm:
    """`rate_hz` only for a stream; `sure` is False where few lines were heard."""

    mode: Literal["stream", "poll", "on event"]
    rate_hz: float | None
    sure: bool


def find_rhythm(heard: Heard, times_us: Sequence[int], *, per_event: bool) -> Rhythm:
    """Reads the rhythm of lines that ended at `times_us`.

    Args:
        heard: says whether the gauge was asked.
        times_us: when each line's end was read.
        per_event: the values themselves look like one line for each stroke or key press.
    """
    if heard.request is not None:
        return Rhythm("poll", None, True)
    if len(times_us) < LEAST_N:
        return Rhythm("on event", None, False)
    gaps_s = [(late - early) / 1e6 for early, late in pairwise(times_us)]
    rate_hz = _slope_hz(times_us, np.arange(len(times_us)))
    if 0 < rate_hz < _SLOW_HZ:
        # Slow enough to see where a damaged line is missing in between.
        steps = [max(1, round(gap_s * rate_hz)) for gap_s in gaps_s]
        rate_hz = _slope_hz(times_us, np.cumsum([0, *steps]))
    if rate_hz <= 0 or (per_event and rate_hz < 4):
        return Rhythm("on event", None, True)
    late = [gap_s for gap_s in gaps_s if gap_s > 1.6 / rate_hz + _JITTER_S]
    # A damaged line leaves a hole of one; more than a few holes are no stream.
    even = len(late) <= _HOLES * len(gaps_s) and max(gaps_s) < 3.5 / rate_hz + _JITTER_S
    return Rhythm("stream", nominal(rate_hz), True) if even else Rhythm("on event", None, True)


def _slope_hz(times_us: Sequence[int], places: NDArray[np.int64]) -> float:
    """Lines a second, by a straight line through all of them: what came in one read does not tip it."""
    t_s = np.asarray(times_us, dtype=np.float64) / 1e6
    spread_s = t_s - t_s.mean()
    index = places - places.mean()
    # Time over index, not index over time: the indices are exact, the times are not.
    slope_s = float(spread_s @ index / (index @ index))
    return 1.0 / slope_s if slope_s > 0 else 0.0


def nominal(rate_hz: float) -> float:
    """The round rate this one probably is; three digits of itself if none is near."""
    scale = 1.0
    while rate_hz / scale >= 100:
        scale *= 10
    for round_hz in _NOMINAL_HZ:
        if abs(rate_hz / scale / round_hz - 1) < _SNAP:
            return round_hz * scale
    if abs(rate_hz / scale / 100 - 1) < _SNAP:
        return 100 * scale
    return float(f"{rate_hz:.3g}")
