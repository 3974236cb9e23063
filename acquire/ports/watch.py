"""Times the gauges of one port by their descriptions: what to ask next, and how long silence means a loss."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.description import Timing
from drivers.plan import Plan, Request

MISSES_N = 3
ABSENT_PERIODS = 8
"""A gauge of several that does not answer is asked this much more rarely: each miss costs the others time."""
EVENT_GATHER_S = 0.002
"""A gauge that speaks when its key is pressed says one line: waiting for more only makes it late."""
MOST_FOLLOWING = 16
"""Requests that follow from replies, in one round: a gauge that never stops complaining may not hog it."""
_MOST_REPLY_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Poll:
    """One gauge on a port: its timing, and what it is asked (by default the timing's own request)."""

    gauge: str
    timing: Timing
    plan: Plan | None = None

    @property
    def asks(self) -> Plan | None:
        """What is asked; None for a gauge that speaks by itself."""
        if self.timing.mode != "poll":
            return None
        return self.plan or Plan((Request(self.timing.request or b""),))


class _Turn:
    """One gauge's requests in rotation."""

    def __init__(self, poll: Poll, plan: Plan, now_ns: int, shortest_limit_s: float) -> None:
        self._requests = plan.requests
        self._period_ns = _ns(poll.timing.period_s or 0.0)
        self.limit_ns = _ns(max(poll.timing.reply_timeout_s or 0.0, shortest_limit_s))
        self.gap_ns = _ns(plan.gap_s)
        self.byte_s = plan.byte_s
        self.misses_n = 0
        self._due_ns = now_ns
        self._round_n = 0
        self._following_n = 0
        self._waiting: deque[Request] = deque(one for one in plan.requests if one.every_n == 0)

    def due_ns(self, now_ns: int) -> int:
        return min(now_ns, self._due_ns) if self._waiting else self._due_ns

    def take(self, now_ns: int) -> Request:
        """The next request, which is sent now."""
        if now_ns >= self._due_ns:
            self._following_n = 0
            self._begin_round()
            # On the beat where possible; after slow answers the next round is due at once, and only one.
            self._due_ns = max(self._due_ns + self._period_ns, now_ns)
        return self._waiting.popleft()

    def _begin_round(self) -> None:
        self._round_n += 1
        self._waiting.extend(
            one for one in self._requests if one.every_n and self._round_n % one.every_n == 0
        )
        if not self._waiting:
            self._begin_round()

    def replied(self, request: Request, reply: bytes) -> None:
        following = request.follow(reply) if request.follow else None
        if following is not None and self._following_n < MOST_FOLLOWING:
            self._following_n += 1
            self._waiting.appendleft(following)

    def missed(self, request: Request, now_ns: int) -> None:
        self.misses_n += 1
        if request.every_n == 0:
            # What has to be known first is asked until it is: a gauge may still be waking up.
            self._waiting.appendleft(request)
        if self.misses_n >= MISSES_N:
            self._due_ns = max(self._due_ns, now_ns + ABSENT_PERIODS * self._period_ns)


@dataclass(slots=True)
class _Awaited:
    """A request whose reply is not complete."""

    turn: _Turn
    request: Request
    asked_ns: int
    received: bytes = b""


class Watch:
    """State of one opening of a port. All times are the clock's monotonic nanoseconds.

    Args:
        polls: the gauges on the port; several only if all of them are asked.
        now_ns: when the port was opened.
        shortest_limit_s: no limit is taken shorter than this.
    """

    def __init__(self, polls: Sequence[Poll], now_ns: int, shortest_limit_s: float = 0.0) -> None:
        self._turns = [
            _Turn(poll, plan, now_ns, shortest_limit_s) for poll in polls if (plan := poll.asks) is not None
        ]
        self._on_event = all(poll.timing.mode == "on event" for poll in polls)
        silences_s = [poll.timing.max_silence_s for poll in polls]
        known_s = [silence_s for silence_s in silences_s if silence_s is not None]
        # Of several gauges one may be switched off; the line is dead when the most patient has heard nothing.
        all_known = len(known_s) == len(silences_s)
        self._silence_limit_ns = _ns(max(*known_s, shortest_limit_s)) if known_s and all_known else None
        self._heard_ns = now_ns
        self._quiet_until_ns = now_ns
        self._awaited: _Awaited | None = None
        self._next: tuple[_Turn, Request] | None = None

    def due(self, now_ns: int) -> bytes | None:
        """The request to send now; None if none is due or the answer to the last one is still awaited."""
        self._give_up_on_babble(now_ns)
        if self._next is not None:
            return self._next[1].data
        if self._awaited is not None or now_ns < self._quiet_until_ns:
            return None
        turn = min(self._turns, key=lambda one: one.due_ns(now_ns), default=None)
        if turn is None or turn.due_ns(now_ns) > now_ns:
            return None
        self._next = turn, turn.take(now_ns)
        return self._next[1].data

    def idle_ns(self, now_ns: int) -> int:
        """For how long nothing is expected from the gauges; 0 if something may come at any moment."""
        if not self._turns or self._awaited is not None:
            return 0
        due_ns = min(turn.due_ns(now_ns) for turn in self._turns)
        return max(0, due_ns - now_ns, self._quiet_until_ns - now_ns)

    def gather_s(self, longest_s: float) -> float:
        """How long to let bytes come together behind the first one, at most `longest_s`.

        A reply that is whole is told at once, so that the next request can go out.
        """
        if self._awaited is None:
            return min(longest_s, EVENT_GATHER_S) if self._on_event else longest_s
        received, turn = self._awaited.received, self._awaited.turn
        return min(longest_s, self._awaited.request.missing(received) * turn.byte_s) if received else 0.0

    def asked(self, now_ns: int) -> None:
        """What `due` gave went out."""
        assert self.due(now_ns) is not None, "nothing was due"
        assert self._next is not None
        self._awaited = _Awaited(*self._next, now_ns)
        self._next = None

    def heard(self, data: bytes, now_ns: int) -> None:
        """Something came in; whatever it is, somebody is there."""
        self._heard_ns = now_ns
        if self._awaited is None:
            return
        awaited = self._awaited
        awaited.turn.misses_n = 0
        awaited.received += data
        if len(awaited.received) > _MOST_REPLY_BYTES or awaited.request.missing(awaited.received) <= 0:
            awaited.turn.replied(awaited.request, awaited.received)
            self._close(now_ns)

    def fault(self, now_ns: int) -> str | None:
        """Why the gauge counts as lost, if it does. To be asked only when nothing was there to read."""
        awaited = self._awaited
        if awaited is not None and now_ns - awaited.asked_ns > awaited.turn.limit_ns:
            if not awaited.received:
                awaited.turn.missed(awaited.request, now_ns)
            self._close(now_ns)
            if all(turn.misses_n >= MISSES_N for turn in self._turns):
                return f"no reply to {MISSES_N} requests"
        if self._silence_limit_ns is not None and now_ns - self._heard_ns > self._silence_limit_ns:
            return f"silent for {self._silence_limit_ns / 1e9:g} s"
        return None

    def _give_up_on_babble(self, now_ns: int) -> None:
        """Bytes without end, and no reply among them. Twice the limit: a busy machine reads late."""
        awaited = self._awaited
        if awaited is not None and awaited.received and now_ns - awaited.asked_ns > 2 * awaited.turn.limit_ns:
            self._close(now_ns)

    def _close(self, now_ns: int) -> None:
        assert self._awaited is not None
        self._quiet_until_ns = now_ns + self._awaited.turn.gap_ns
        self._awaited = None


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)
