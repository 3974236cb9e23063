"""Force traces built from straight pieces, for tests of capture: invented, and exact to the last digit."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from acquire.capture.anatomy import Pull
from acquire.capture.finder import PullFinder
from acquire.capture.settings import PullSettings

Floats = NDArray[np.float64]

RATE_HZ = 100.0
SETTINGS = PullSettings(rate_hz=RATE_HZ, resolution_n=0.01, full_scale_n=500.0)
REST = (1.0, 0.0)
PULL = ((0.5, 3.0), (0.05, 2.2), (1.0, 2.2), (0.1, 0.0))
"""Rises to 3 N in half a second, breaks away, slides at 2.2 N for a second, is let go."""


def line(*pieces: tuple[float, float], rate_hz: float = RATE_HZ, start_n: float = 0.0) -> Floats:
    """Straight pieces (seconds, force in N at its end), sampled at `rate_hz`."""
    parts = [np.array([start_n])]
    level = start_n
    for seconds, end in pieces:
        count = max(1, round(seconds * rate_hz))
        parts.append(level + (end - level) * np.arange(1, count + 1) / count)
        level = end
    return np.concatenate(parts)


def times(force: Floats, rate_hz: float = RATE_HZ) -> Floats:
    return np.asarray(np.arange(len(force)) / rate_hz)


def found(force: Floats, settings: PullSettings = SETTINGS, t: Floats | None = None) -> list[Pull]:
    """All pulls of a trace, taken at once."""
    finder = PullFinder(settings)
    return [*finder.feed(times(force, settings.rate_hz) if t is None else t, force), *finder.finish()]


def only(pulls: list[Pull]) -> Pull:
    assert len(pulls) == 1, [(pull.t_start_s, pull.breakaway_n) for pull in pulls]
    return pulls[0]


def cut(length: int, places: Sequence[int]) -> Iterator[slice]:
    """Slices that cover `length` items, cut at `places` (any integers)."""
    edges = sorted({0, length, *(place % (length + 1) for place in places)})
    return (slice(first, stop) for first, stop in pairwise(edges))
