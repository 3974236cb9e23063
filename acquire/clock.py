"""The only place that asks the machine for the time; everyone else is handed a `Clock`."""

import math
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Time as the service knows it: monotonic nanoseconds for intervals, UTC for people."""

    def monotonic_ns(self) -> int: ...

    def utc(self) -> datetime: ...

    def sleep(self, seconds: float) -> None: ...


class SystemClock:
    """The machine's clock; with `speed` other than 1 it runs that many times faster, for demonstrations.

    At speed 1 `utc` is the machine's own, so it follows corrections of the system clock; at any other
    speed it starts at the machine's time and runs ahead (or behind) from there.

    Raises:
        ValueError: `speed` is not a finite number above zero.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not (math.isfinite(speed) and speed > 0):
            raise ValueError(f"a clock's speed must be a finite number above zero, not {speed!r}")
        self.speed = speed
        self._start_ns = time.monotonic_ns()

    def monotonic_ns(self) -> int:
        """Nanoseconds that never go back; only differences mean anything."""
        now_ns = time.monotonic_ns()
        # At speed 1 no float comes in between: the full resolution is kept however long the machine is up.
        if self.speed == 1.0:
            return now_ns
        return self._start_ns + int((now_ns - self._start_ns) * self.speed)

    def utc(self) -> datetime:
        """Now, with time zone UTC."""
        ahead_s = (time.monotonic_ns() - self._start_ns) * (self.speed - 1.0) / 1e9
        return datetime.now(UTC) + timedelta(seconds=ahead_s)

    def sleep(self, seconds: float) -> None:
        """Waits until `seconds` of this clock have passed."""
        time.sleep(seconds / self.speed)
