"""Settled levels of a force gauge: nothing on the hook, then a check weight, then nothing again."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.capture.pulls import usable_force
from drivers.base import Batch

SETTLED_S = 1.0


@dataclass(frozen=True, slots=True)
class Level:
    """A force that stood still. `value_n` is the mean of what was shown; offsets are half-open."""

    value_n: float
    t_us: int
    first_byte: int
    last_byte: int


class LevelCapture:
    """Gives each level once, as soon as the force has stood still for a second.

    Still means: every sample of that second within `still_n` of the others. A new level is only looked for
    after the force has moved away from the last one.

    Args:
        rate_hz: nominal sample rate.
        still_n: how much a settled gauge may flicker, in N.
        moved_n: how far the force must go from the last level before another is looked for, in N.
        full_scale_n: what an overload without a number counts as.
    """

    def __init__(self, *, rate_hz: float, still_n: float, moved_n: float, full_scale_n: float) -> None:
        self._still_n = still_n
        self._moved_n = moved_n
        self._full_scale_n = full_scale_n
        self._window: deque[tuple[float, int, int]] = deque(maxlen=max(3, round(SETTLED_S * rate_hz)))
        self._given: float | None = None

    def reset(self) -> None:
        """Samples were lost: what stood still before says nothing about now."""
        self._window.clear()
        self._given = None

    def feed(self, t_us: NDArray[np.int64], batch: Batch) -> list[Level]:
        """Takes samples with their times (µs, shape (n,)); returns the levels reached with them."""
        force_n, usable = usable_force(batch, self._full_scale_n)
        levels = []
        for value, at, end in zip(
            force_n[usable].tolist(), t_us[usable].tolist(), batch.ends[usable].tolist(), strict=True
        ):
            level = self._take(value, at, end)
            if level is not None:
                levels.append(level)
        return levels

    def _take(self, value: float, t_us: int, end: int) -> Level | None:
        if self._given is not None:
            if abs(value - self._given) <= self._moved_n:
                return None
            self._given = None
            self._window.clear()
        self._window.append((value, t_us, end))
        if len(self._window) < (self._window.maxlen or 0):
            return None
        values = [one for one, _, _ in self._window]
        if max(values) - min(values) > self._still_n:
            return None
        self._given = sum(values) / len(values)
        return Level(self._given, t_us, self._window[0][2], end)
