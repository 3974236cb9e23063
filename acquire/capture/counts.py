"""Counts: the strokes of a wash machine, through a counter reset, a pause or a re-plugged cable."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from acquire.capture.taken import Taken
from drivers.base import Batch

FASTEST_PER_S = 5.0
"""A wash machine makes 30 to 40 strokes a minute; eight times that is certainly a misread counter."""
RATE_STROKES = 10


class CountCapture:
    """Adds up what a counter gained. `value` of each item is the total since the stream began."""

    def __init__(self, *, line_per_stroke: bool) -> None:
        self._line_per_stroke = line_per_stroke
        self._total = 0
        self._shown: int | None = None
        self._seen_us = 0
        self._end = 0
        self._times_us: deque[int] = deque(maxlen=RATE_STROKES + 1)

    def feed(self, t_us: NDArray[np.int64], batch: Batch) -> list[Taken]:
        """Takes samples with their times (µs, shape (n,)); returns an item for each change of the count."""
        taken: list[Taken] = []
        for at, sample in zip(t_us.tolist(), batch, strict=True):
            item = self._take(at, sample.value, sample.end, good=sample.kind.good)
            if item is not None:
                taken.append(item)
        return taken

    def _take(self, t_us: int, value: float, end: int, *, good: bool) -> Taken | None:
        first, self._end = self._end, end
        if not good or value != int(value):
            return self._item(t_us, first, end, ("the counter sent no good number",))
        shown, before, since_us = int(value), self._shown, self._seen_us
        if before is None:
            # A line at each stroke tells of one stroke; a reply to a question only says where the count is.
            gained, reset = (1 if self._line_per_stroke else 0), False
        else:
            reset = shown < before
            gained = shown if reset else shown - before
        if before is not None and gained > 2 + FASTEST_PER_S * (t_us - since_us) / 1e6:
            said = (
                f"the counter went from {before} to {shown} in {(t_us - since_us) / 1e6:.1f} s: not believed"
            )
            return self._item(t_us, first, end, (said,))
        self._shown, self._seen_us = shown, t_us
        if not gained:
            return None
        self._total += gained
        self._times_us.append(t_us)
        return self._item(t_us, first, end, (), gained=gained, reset=reset)

    def _rate_per_min(self) -> float | None:
        if len(self._times_us) < 2:
            return None
        middle_us = float(np.median(np.diff(np.array(self._times_us))))
        return 60e6 / middle_us if middle_us > 0 else None

    def _item(
        self,
        t_us: int,
        first: int,
        end: int,
        reasons: tuple[str, ...],
        *,
        gained: int = 0,
        reset: bool = False,
    ) -> Taken:
        return Taken(
            quantity="count",
            value=float(self._total),
            unit="1",
            t_us=t_us,
            opening=0,
            first_byte=first,
            last_byte=end,
            ordinal=0,
            verdict="refused" if reasons else "accepted",
            reasons=reasons,
            details={
                "gained": gained,
                "shown": self._shown,
                "counter_reset": reset,
                "rate_per_min": self._rate_per_min(),
            },
        )

    def interrupt(self, why: str) -> list[Taken]:
        """The port was lost. The counter may have gone on: the next number tells by how much."""
        self._end = 0
        return []

    def finish(self) -> list[Taken]:
        return []
