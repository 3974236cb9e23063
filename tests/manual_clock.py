"""A clock that only moves when it is told to."""

import threading
from datetime import UTC, datetime, timedelta

START_UTC = datetime(2031, 5, 4, 8, 0, tzinfo=UTC)


class ManualClock:
    """Stands still until someone sleeps on it or moves it; sleeping takes no real time."""

    def __init__(self, start_utc: datetime = START_UTC, start_ns: int = 5_000_000_000) -> None:
        self._start_utc = start_utc
        self._start_ns = start_ns
        self._now_ns = start_ns
        self._lock = threading.Lock()

    def monotonic_ns(self) -> int:
        return self._now_ns

    def utc(self) -> datetime:
        return self._start_utc + timedelta(microseconds=(self._now_ns - self._start_ns) // 1000)

    def sleep(self, seconds: float) -> None:
        self.move(seconds)

    def move(self, seconds: float) -> None:
        """Lets `seconds` pass."""
        with self._lock:
            self._now_ns += round(seconds * 1e9)
