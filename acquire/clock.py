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


STEP_S = 1.0
"""A smaller step of the calendar is an ordinary correction."""


class StepWatch:
    """Notices that the calendar has jumped against the monotonic clock, or that the machine slept."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._ahead_s = self._look()

    def step_s(self) -> float:
        """By how much the calendar has jumped since the last look; 0 if it has not."""
        before_s, ahead_s = self._ahead_s, self._look()
        if ahead_s is None:
            return 0.0
        # Held against the last look, not the first: slow corrections add up and are no step.
        self._ahead_s = ahead_s
        step_s = 0.0 if before_s is None else ahead_s - before_s
        return step_s if abs(step_s) > STEP_S else 0.0

    def _look(self) -> float | None:
        """How far the calendar is ahead; None if this thread was held up between the two readings."""
        before_ns = self._clock.monotonic_ns()
        utc_s = self._clock.utc().timestamp()
        after_ns = self._clock.monotonic_ns()
        if after_ns - before_ns > STEP_S * 1e9 / 4:
            return None
        return utc_s - (before_ns + after_ns) / 2e9
