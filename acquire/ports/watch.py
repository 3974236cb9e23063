"""Times a gauge by its description: when to ask, and how long without an answer means it is lost."""

from drivers.description import Timing

MISSES_N = 3


class Watch:
    """State of one opening of a port. All times are the clock's monotonic nanoseconds.

    Args:
        timing: request, period and limits out of the gauge's description.
        now_ns: when the port was opened.
        shortest_limit_s: no limit is taken shorter than this.
    """

    def __init__(self, timing: Timing, now_ns: int, shortest_limit_s: float = 0.0) -> None:
        self._request = timing.request if timing.mode == "poll" else None
        self._period_ns = _ns(timing.period_s or 0.0)
        self._reply_limit_ns = _ns(max(timing.reply_timeout_s or 0.0, shortest_limit_s))
        silence_s = timing.max_silence_s
        self._silence_limit_ns = None if silence_s is None else _ns(max(silence_s, shortest_limit_s))
        self._due_ns = now_ns
        self._heard_ns = now_ns
        self._asked_ns: int | None = None
        self._misses_n = 0

    def due(self, now_ns: int) -> bytes | None:
        """The request to send now; None if none is due or the answer to the last one is still awaited."""
        return self._request if self._asked_ns is None and now_ns >= self._due_ns else None

    def idle_ns(self, now_ns: int) -> int:
        """For how long nothing is expected from the gauge; 0 if something may come at any moment."""
        if self._request is None or self._asked_ns is not None:
            return 0
        return max(0, self._due_ns - now_ns)

    def asked(self, now_ns: int) -> None:
        """A request went out."""
        self._asked_ns = now_ns
        # On the beat where possible; after a slow answer the next question is due at once, and only one.
        self._due_ns = max(self._due_ns + self._period_ns, now_ns)

    def heard(self, now_ns: int) -> None:
        """Something came in; whatever it is, the gauge is there."""
        self._heard_ns = now_ns
        self._asked_ns = None
        self._misses_n = 0

    def fault(self, now_ns: int) -> str | None:
        """Why the gauge counts as lost, if it does. To be asked only when nothing was there to read."""
        if self._asked_ns is not None and now_ns - self._asked_ns > self._reply_limit_ns:
            self._asked_ns = None
            self._misses_n += 1
            if self._misses_n == MISSES_N:
                return f"no reply to {MISSES_N} requests"
        if self._silence_limit_ns is not None and now_ns - self._heard_ns > self._silence_limit_ns:
            return f"silent for {self._silence_limit_ns / 1e9:g} s"
        return None


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)
