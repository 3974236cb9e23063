"""What is going on at the bench right now, for whoever watches: screens, the bus.

    service ──samples, notes──> Live ──news──> a subscription for each watcher, read when it likes

The hub does no I/O and never waits for a watcher. It keeps the newest notes and the newest points of each
trace once, for all; a watcher that stays away too long finds that the oldest are gone, and how many. Nothing
here is a record: what was taken is in the journal, and the hub of a service that is started again is empty.
"""

import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal, Self
from uuid import uuid4

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acquire.capture.ambient import AMBIENT
from acquire.model import UNIT_OF, Quantity, Step, Unit
from acquire.notes import Note, Tell
from acquire.stream import GaugeStream
from acquire.units import newtons_per
from drivers.base import Kind

KEPT_TOLD = 1000
KEPT_POINTS = 30_000
"""Of each gauge's trace: half a minute of one that sends a thousand values a second."""
KEPT_PIECES = 4096
GAP_S = 0.02
"""Points of a trace are thinned, for a watcher, to the lowest and the highest within so long."""

Floats = NDArray[np.float64]
PortState = Literal["waiting", "open", "lost", "trouble"]
_PORT_STATE: dict[str, PortState] = {"port": "open", "lost": "lost", "trouble": "trouble"}


@dataclass(frozen=True, slots=True)
class GaugeSeen:
    """One gauge, as it stands."""

    gauge: str
    quantity: Quantity
    unit: Unit
    start_utc: datetime
    """When its recording began: traces count their seconds from there."""
    port: PortState = "waiting"
    said: str = ""
    """What was last told of its port."""
    trial: str | None = None
    step: Step | None = None
    """The step that its values belong to, if any."""
    progress: tuple[int, int] | None = None
    """How many are taken, of how many."""


@dataclass(frozen=True, slots=True)
class Told:
    """A note, or a gauge whose state has changed; numbered from 1 without gaps."""

    number: int
    about: Note | GaugeSeen


@dataclass(frozen=True, slots=True)
class Trace:
    """A piece of one gauge's trace, thinned: the peaks are kept. Not a number: no good value there."""

    gauge: str
    unit: Unit
    start_utc: datetime
    t_s: Floats
    """Since `start_utc`, shape (points,)."""
    values: Floats
    """In `unit`, shape (points,)."""


@dataclass(frozen=True, slots=True)
class News:
    """What a watcher has not had yet."""

    told: tuple[Told, ...] = ()
    traces: tuple[Trace, ...] = ()
    missed_n: int = 0
    """So many of what was told are no longer kept."""
    missed_points_n: int = 0

    def __bool__(self) -> bool:
        return bool(self.told or self.traces or self.missed_n or self.missed_points_n)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All gauges as they stand, after what was told up to `number`."""

    run: str
    """Different for each hub: numbers of another run mean nothing here."""
    number: int
    gauges: tuple[GaugeSeen, ...]
    latest: dict[str, float]
    """The newest value of each gauge that has sent one, in its unit."""


@dataclass(slots=True)
class _Kept:
    """The newest points of one gauge, in the pieces in which they came."""

    seen: GaugeSeen
    pieces: deque[tuple[int, Floats, Floats]] = field(default_factory=deque)
    """Each with the number of points that came before it."""
    points_n: int = 0

    def add(self, t_s: Floats, values: Floats) -> None:
        self.pieces.append((self.points_n, t_s, values))
        self.points_n += len(values)
        while len(self.pieces) > KEPT_PIECES or (
            len(self.pieces) > 1 and self.points_n - self.pieces[0][0] > KEPT_POINTS
        ):
            self.pieces.popleft()

    def since(self, point: int) -> tuple[list[Floats], list[Floats], int]:
        """Times and values from that point on, and how many points are kept no longer."""
        t_s: list[Floats] = []
        values: list[Floats] = []
        first = self.points_n
        for first, some_t_s, some_values in reversed(self.pieces):
            if first < point:
                break
            t_s.append(some_t_s)
            values.append(some_values)
        missed_n = max(0, (self.pieces[0][0] if self.pieces else self.points_n) - point)
        return t_s[::-1], values[::-1], missed_n


class Live:
    """The hub. The service calls it from its one thread; watchers subscribe and read from any."""

    def __init__(self) -> None:
        self.run = uuid4().hex
        self._changed = threading.Condition()
        self._told: deque[Told] = deque(maxlen=KEPT_TOLD)
        self._number = 0
        self._kept: dict[str, _Kept] = {}
        self._subscriptions: list[Subscription] = []

    def opens(self, gauge: str, quantity: Quantity, start_utc: datetime) -> None:
        """A gauge is about to be opened, with a recording that began at `start_utc`."""
        seen = GaugeSeen(gauge, quantity, UNIT_OF[quantity], start_utc)
        with self._changed:
            self._kept[gauge] = _Kept(seen)
            self._put(seen)
        self._wake()

    def hear(self, gauge: str, stream: GaugeStream) -> None:
        """Takes what the gauge's newest bytes held, in the unit in which values travel.

        Surroundings change slowly and are told in notes; they have no trace.
        """
        batch, description = stream.latest, stream.description
        if batch is None or not len(batch) or description.quantity in AMBIENT:
            return
        scale = np.array([_scale(kind) for kind in batch.kinds])[batch.kind_index]
        self.samples(gauge, stream.latest_t_us / 1e6, batch.values * scale)

    def samples(self, gauge: str, t_s: ArrayLike, values: ArrayLike) -> None:
        """Adds to a gauge's trace.

        Args:
            gauge: one that was opened before; of any other, nothing is kept.
            t_s: seconds since its recording began, shape (points,).
            values: in the gauge's unit, shape (points,); not a number where there is no good value.
        """
        times, numbers = np.asarray(t_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
        with self._changed:
            kept = self._kept.get(gauge)
            if kept is None or not len(numbers):
                return
            kept.add(times, numbers)
            self._changed.notify_all()
        self._wake(told=False)

    def tell(self, note: Note) -> None:
        """Passes a note on, and what it says about the state of its gauge."""
        with self._changed:
            self._put(note)
            kept = self._kept.get(note.gauge)
            if kept is not None:
                self._see(kept, _after(kept.seen, note))
        self._wake()

    def beside(self, tell: Tell) -> Tell:
        """Notes go here and to `tell`."""

        def both(note: Note) -> None:
            self.tell(note)
            tell(note)

        return both

    def step(self, gauge: str, trial: str | None, step: Step | None) -> None:
        """From now on the gauge's values belong to this step of a trial; None: to nothing."""
        with self._changed:
            kept = self._kept.get(gauge)
            if kept is not None:
                self._see(kept, replace(kept.seen, trial=trial, step=step, progress=None))
        self._wake()

    def snapshot(self) -> Snapshot:
        """How everything stands; `subscribe(since=snapshot.number)` continues from there."""
        with self._changed:
            latest = {name: float(kept.pieces[-1][2][-1]) for name, kept in self._kept.items() if kept.pieces}
            return Snapshot(self.run, self._number, tuple(kept.seen for kept in self._kept.values()), latest)

    def subscribe(
        self,
        *,
        since: int | None = None,
        traces: bool = True,
        gap_s: float = GAP_S,
        wake: Callable[[], object] | None = None,
    ) -> "Subscription":
        """A watcher's own place in what goes on.

        Args:
            since: number of the last that it was told, for one that was away: it gets what it missed as far
                as that is kept, and of the traces all that is kept. 0, and a number that was not reached
                yet (of another run): everything. None: from now on.
            traces: whether it wants traces, and to be woken for them.
            gap_s: see `thin`.
            wake: called, from the service's thread, when there is something after the last `take`; once, so
                it costs the same however slow the watcher is. It must return at once: an event loop's
                `call_soon_threadsafe` does.
        """
        with self._changed:
            points = {} if since is not None else {n: (k, k.points_n) for n, k in self._kept.items()}
            number = self._number if since is None else since if since <= self._number else 0
            subscription = Subscription(self, number, points, gap_s, wake, traces=traces)
            self._subscriptions.append(subscription)
        return subscription

    def _put(self, about: Note | GaugeSeen) -> None:
        self._number += 1
        self._told.append(Told(self._number, about))
        self._changed.notify_all()

    def _see(self, kept: _Kept, seen: GaugeSeen) -> None:
        if seen != kept.seen:
            kept.seen = seen
            self._put(seen)

    def _wake(self, *, told: bool = True) -> None:
        for one in tuple(self._subscriptions):
            if one.wake is not None and not one.woken and (told or one.traces):
                one.woken = True
                # The loop of a watcher that has just gone may be closed already.
                with suppress(RuntimeError):
                    one.wake()


def _scale(kind: Kind) -> float:
    """From a gauge's own unit to the one in which values travel; not a number where none is good."""
    if not kind.good:
        return np.nan
    return newtons_per(kind.unit) if kind.quantity == "force" else 1.0


def _after(seen: GaugeSeen, note: Note) -> GaugeSeen:
    """A gauge's state after a note about it."""
    if note.progress is not None:
        seen = replace(seen, progress=note.progress)
    state = _PORT_STATE.get(note.kind)
    return seen if state is None else replace(seen, port=state, said=note.text)


class Subscription:
    """Made by `Live.subscribe`. Use it from one thread; close it, or use `with`."""

    def __init__(
        self,
        live: Live,
        number: int,
        points: dict[str, tuple[_Kept, int]],
        gap_s: float,
        wake: Callable[[], object] | None,
        *,
        traces: bool,
    ) -> None:
        self.traces = traces
        self._live, self._number, self._points, self._gap_s = live, number, points, gap_s
        self.wake = wake
        self.woken = False

    def take(self) -> News:
        """What is new since the last time; false if nothing is."""
        live = self._live
        with live._changed:
            self.woken = False
            told, missed_n = self._told()
            pieces, missed_points_n = self._pieces()
        traces = tuple(
            Trace(
                kept.seen.gauge,
                kept.seen.unit,
                kept.seen.start_utc,
                *thin(np.concatenate(t_s), np.concatenate(values), self._gap_s),
            )
            for kept, t_s, values in pieces
        )
        return News(told, traces, missed_n, missed_points_n)

    def get(self, timeout_s: float) -> News:
        """Waits up to `timeout_s` of real time until there is something."""
        with self._live._changed:
            self._live._changed.wait_for(self._behind, timeout_s)
        return self.take()

    def close(self) -> None:
        """Nothing wakes it any more."""
        with self._live._changed, suppress(ValueError):
            self._live._subscriptions.remove(self)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _behind(self) -> bool:
        live = self._live
        return self._number < live._number or (
            self.traces
            and any(self._point_of(name, kept) < kept.points_n for name, kept in live._kept.items())
        )

    def _point_of(self, name: str, kept: _Kept) -> int:
        """How far it has read; a gauge that was opened anew has a new trace."""
        known, point = self._points.get(name, (kept, 0))
        return point if known is kept else 0

    def _told(self) -> tuple[tuple[Told, ...], int]:
        live, told = self._live, []
        for one in reversed(live._told):
            if one.number <= self._number:
                break
            told.append(one)
        missed_n = max(0, live._number - self._number - len(told))
        self._number = live._number
        return tuple(reversed(told)), missed_n

    def _pieces(self) -> tuple[list[tuple[_Kept, list[Floats], list[Floats]]], int]:
        found: list[tuple[_Kept, list[Floats], list[Floats]]] = []
        missed_n = 0
        for name, kept in self._live._kept.items() if self.traces else ():
            t_s, values, gone_n = kept.since(self._point_of(name, kept))
            missed_n += gone_n
            self._points[name] = (kept, kept.points_n)
            if values:
                found.append((kept, t_s, values))
        return found, missed_n


def thin(t_s: Floats, values: Floats, gap_s: float) -> tuple[Floats, Floats]:
    """The lowest and the highest value within each `gap_s`, in their order; a peak is never lost.

    Args:
        t_s: shape (points,), rising.
        values: shape (points,); not a number breaks the line there, and one such point in each gap is kept.

    Returns:
        Times and values, shape (at most three for each gap,).
    """
    if len(values) < 3 or gap_s <= 0:
        return t_s, values
    gap = np.floor(t_s / gap_s)
    starts = np.append(0, np.flatnonzero(np.diff(gap)) + 1)
    if len(starts) == len(values):
        return t_s, values
    # Within each gap by value: the first is the lowest, the last good one the highest, NaN behind it.
    order = np.lexsort((values, gap))
    bad = np.isnan(values)
    good_n = np.add.reduceat(~bad, starts)
    ends = np.append(starts[1:], len(values))
    kept = np.zeros(len(values), dtype=bool)
    some, broken = good_n > 0, good_n < ends - starts
    kept[order[starts[some]]] = True
    kept[order[(starts + good_n - 1)[some]]] = True
    kept[order[(ends - 1)[broken]]] = True
    return t_s[kept], values[kept]
