"""When a hand has let go: watches the force of one load, block by block."""

from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from acquire.capture.robust import median, sliding

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Release:
    """Sample numbers counted from where the load began."""

    at: int
    """The force is back near rest."""
    certain: int
    """It has stayed there long enough."""
    stays_n: float
    """What stayed on the string, above the old level at rest; 0 if it went slack."""
    shifted: bool = False
    """Nothing was pulled: the zero jumped (a tare, a strap left on the hook)."""


@dataclass(frozen=True, slots=True)
class ReleaseRules:
    """Windows are whole numbers of blocks of `block` samples. `band_n`: how far the force wanders at rest."""

    block: int
    gone: int
    """At rest for so many samples: a slip-stick cycle touches zero for less."""
    slack: int
    """Low and flat for so many samples: let go, although some tension stayed."""
    shift: int
    """Flat for so many samples right from a jump: the zero itself has moved."""
    band_n: float


class ReleaseWatch:
    """Fed with the force above rest in whole blocks, in order; the outcome does not depend on the cutting.

    Looks at the past only, and takes what was certain first: how much of the future has already arrived must
    not matter.
    """

    def __init__(self, rules: ReleaseRules) -> None:
        self._rules = rules
        self._gone = rules.gone // rules.block
        self._slack = rules.slack // rules.block
        self._tops = self._lows = np.empty(0)
        self._reached = 0.0  # highest of the blocks that no window begins at any more
        self._first = 0  # block number of _tops[0]
        self._tail = np.empty(0)  # samples that a slack window may still hold
        # Blocks behind the first that were flat together: how many, highest, lowest. None: no longer.
        self._still: tuple[int, float, float] | None = (-1, -inf, inf)

    def feed(self, g: Floats) -> Release | None:
        """Takes more whole blocks; returns the release once it is certain."""
        blocks = g.reshape(-1, self._rules.block)
        tops, lows = blocks.max(axis=1), blocks.min(axis=1)
        self._tops = np.concatenate([self._tops, tops])
        self._lows = np.concatenate([self._lows, lows])
        self._tail = np.concatenate([self._tail, g])
        either = [one for one in (self._find_shift(tops, lows), self._find()) if one is not None]
        found = min(either, key=lambda one: one.certain) if either else None
        if found is None:
            self._forget(len(self._tops) - max(self._gone, self._slack) + 1)
        return found

    def _find(self) -> Release | None:
        reached = np.maximum(np.maximum.accumulate(self._tops), self._reached)
        gone, slack = self._first_gone(reached), self._first_slack(reached)
        block, rules = self._rules.block, self._rules
        if slack is not None and (gone is None or slack + self._slack < gone + self._gone):
            level = median(self._tail[slack * block : slack * block + rules.slack])
            at = (self._first + slack) * block
            return Release(at, at + rules.slack, level)
        if gone is None:
            return None
        at = (self._first + gone) * block
        level = median(self._tail[gone * block : gone * block + rules.gone])
        return Release(at, at + rules.gone, level if level > rules.band_n else 0.0)

    def _find_shift(self, tops: Floats, lows: Floats) -> Release | None:
        """Flat at a new level from the second block on: no hand is so quick and then so still."""
        if self._still is None:
            return None
        count, high, low = self._still
        if count < 0:
            count, tops, lows = 0, tops[1:], lows[1:]
        missing = self._rules.shift // self._rules.block - count
        tops, lows = tops[:missing], lows[:missing]
        high, low = max(high, float(tops.max(initial=-inf))), min(low, float(lows.min(initial=inf)))
        flat = high - low <= self._rules.band_n
        self._still = (count + len(tops), high, low) if flat else None
        if not flat or len(tops) < missing:
            return None
        return Release(0, self._rules.shift + self._rules.block, 0.5 * (high + low), shifted=True)

    def _first_gone(self, reached: Floats) -> int | None:
        """First stretch near rest that is not just the low turn of a stick-slip cycle.

        Either all of it is at rest or below, or it is low and flat; a string being loaded again is neither.
        """
        highs, deeps = self._extremes(self._gone)
        height = reached[: len(highs)]
        band = np.maximum(self._rules.band_n, 0.03 * height)
        return _first((highs < band) | ((highs < 0.15 * height) & (highs - deeps <= band)))

    def _first_slack(self, reached: Floats) -> int | None:
        """First stretch that is flat and well below what was reached."""
        highs, deeps = self._extremes(self._slack)
        height = reached[: len(highs)]
        band = np.maximum(self._rules.band_n, 0.03 * height)
        return _first((highs - deeps <= band) & (highs < 0.35 * height))

    def _extremes(self, length: int) -> tuple[Floats, Floats]:
        return sliding(np.maximum, self._tops, length), sliding(np.minimum, self._lows, length)

    def _forget(self, blocks: int) -> None:
        if blocks > 0:
            self._reached = max(self._reached, float(self._tops[:blocks].max()))
            self._tops, self._lows = self._tops[blocks:], self._lows[blocks:]
            self._tail = self._tail[blocks * self._rules.block :]
            self._first += blocks


def _first(flags: Flags) -> int | None:
    if not len(flags):
        return None
    at = int(flags.argmax())
    return at if flags[at] else None
