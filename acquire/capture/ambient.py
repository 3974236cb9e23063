"""Slow values that nobody presses a key for: room climate, panel temperature, mass, UV irradiance."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acquire.capture.taken import Taken
from acquire.model import UNIT_OF, Quantity
from drivers.base import Batch, Kind
from drivers.description import UNITS

AMBIENT: frozenset[Quantity] = frozenset({"temperature", "humidity", "mass", "irradiance"})
EVERY_US = 60_000_000
"""A value that does not change is taken once a minute."""
STEPS = 5.0
"""A change of so many display steps is taken at once; less is flicker of the last digits."""
SETTLED_N = 3
"""So many values in a row within those steps of each other: a balance or a sensor has come to rest."""


@dataclass(slots=True)
class _Seen:
    """What is known of one quantity and channel."""

    taken: Taken | None = None
    settling: float = 0.0
    settled_n: int = 0
    bad: frozenset[str] = frozenset()


class AmbientCapture:
    """Takes a settled value when it has changed, and once a minute; refuses each kind of bad value once.

    Args:
        resolution: display step of the gauge, in `unit`.
        unit: the description's own unit; values in another one come with their kind.
    """

    def __init__(self, resolution: float, unit: str) -> None:
        self._resolution = resolution
        self._unit = unit
        self._seen: dict[tuple[str, str | None], _Seen] = {}
        self._first = self._end = 0

    def feed(self, t_us: NDArray[np.int64], batch: Batch) -> list[Taken]:
        """Takes samples with their times (µs, shape (n,)); returns what is worth keeping."""
        found = []
        for at, sample in zip(t_us.tolist(), batch, strict=True):
            kind = sample.kind
            if sample.end != self._end:
                self._first, self._end = self._end, sample.end
            quantity = next((one for one in AMBIENT if one == kind.quantity), None)
            if quantity is not None:
                factor = UNITS[quantity].get(kind.unit, 1.0)
                item = self._item(quantity, kind, at, sample.value * factor, sample.end)
                seen = self._seen.setdefault((quantity, kind.channel), _Seen())
                if self._wanted(seen, item, kind.flags):
                    found.append(item)
        return found

    def _item(self, quantity: Quantity, kind: Kind, t_us: int, value: float, end: int) -> Taken:
        reasons = tuple(f"the gauge reported: {flag}" for flag in sorted(kind.flags - {"low battery"}))
        factor = UNITS[quantity].get(self._unit, 1.0)
        return Taken(
            quantity=quantity,
            value=value,
            unit=UNIT_OF[quantity],
            t_us=t_us,
            opening=0,
            first_byte=self._first,
            last_byte=end,
            ordinal=0,
            verdict="accepted" if kind.good else "refused",
            reasons=() if kind.good else reasons,
            resolution=self._resolution * factor,
            details={"channel": kind.channel, "low_battery": "low battery" in kind.flags},
        )

    def _wanted(self, seen: _Seen, item: Taken, flags: frozenset[str]) -> bool:
        if item.verdict == "refused":
            # A balance is unsettled many times a minute: nobody wants to know each time.
            news = flags != seen.bad and flags - {"low battery"} != {"unstable"}
            seen.bad, seen.settled_n = flags, 0
            return news
        seen.bad = frozenset()
        step = STEPS * item.resolution * (1 + 1e-9)
        if seen.settled_n and abs(item.value - seen.settling) <= step:
            seen.settled_n += 1
        else:
            seen.settling, seen.settled_n = item.value, 1
        if seen.settled_n < SETTLED_N:
            return False
        last = seen.taken
        if last is not None and abs(item.value - last.value) < step and item.t_us - last.t_us < EVERY_US:
            return False
        seen.taken = replace(item)
        return True

    def interrupt(self, why: str) -> list[Taken]:
        """The port was lost: nothing was under way, and what comes next is told anew."""
        self._first = self._end = 0
        self._seen.clear()
        return []

    def finish(self) -> list[Taken]:
        return []
