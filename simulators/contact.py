"""A reed switch on a wash machine's carriage: it closes at each stroke, and bounces.

A pseudo-terminal has no control lines, so this is not a serial port with a switch on it. It sends the text in
which a port writes the changes of a contact down, each with its milliseconds since the port was opened.
"""

import heapq
from random import Random

from simulators.station import Truth
from simulators.wash import StrokeCounter
from simulators.wash_station import WashStation

CLOSED_S = 0.12
BOUNCES_N = 3
BOUNCE_S = 0.002


class ContactStation(WashStation):
    def __init__(self, truth: Truth, *, counter: StrokeCounter, rng: Random) -> None:
        self._rng = rng
        self._edges: list[tuple[float, bool]] = []
        self._closed = False
        self._opened_s: float | None = None
        super().__init__(truth, speaks="contact-wash", counter=counter)

    @property
    def busy(self) -> bool:
        return super().busy or bool(self._edges)

    @property
    def next_s(self) -> float | None:
        dues_s = [self._edges[0][0]] if self._edges else []
        if super().next_s is not None:
            dues_s.append(self._next_s)
        return min(dues_s, default=None)

    def opened(self, t_s: float) -> list[bytes]:
        """Somebody has begun to look at the contact: how it stands is said first."""
        self._opened_s = t_s
        return [self._line(0)]

    def advance(self, t_s: float) -> list[bytes]:
        super().advance(t_s)
        messages = []
        while self._edges and self._edges[0][0] <= t_s:
            at_s, self._closed = heapq.heappop(self._edges)
            if self._opened_s is not None:
                messages.append(self._line(max(1, round(1000 * (at_s - self._opened_s)))))
        return messages

    def _stroked(self, at_s: float, shown_n: int) -> None:
        self._close(at_s)

    def _close(self, at_s: float) -> None:
        """One stroke: the contact closes and opens, and bounces both times."""
        for closes, start_s in ((True, at_s), (False, at_s + CLOSED_S)):
            edge_s = start_s
            heapq.heappush(self._edges, (edge_s, closes))
            for _ in range(self._rng.randrange(BOUNCES_N)):
                for state in (not closes, closes):
                    edge_s += BOUNCE_S * (0.5 + self._rng.random())
                    heapq.heappush(self._edges, (edge_s, state))

    def _line(self, at_ms: int) -> bytes:
        return b"%c%010d\n" % (b"+" if self._closed else b"-", at_ms)
