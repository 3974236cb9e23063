"""The bench at work: opens the gauges, runs what they send through capture, and gives it to the task at hand.

    port threads ──events──> queue ──pump()──> stream ──taken──> task ──> logger ──> journal, then told

One thread pumps; it alone touches streams and tasks. A recording or journal that cannot be written stops
acquisition: `pump` raises, and nothing is told that is not on disk.
"""

import queue
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from types import TracebackType
from typing import Self

from acquire.calibration.references import assigned_value
from acquire.calibration.stamp import Incident
from acquire.capture import CAPTURE_VERSION
from acquire.capture.ambient import AMBIENT
from acquire.capture.taken import Taken
from acquire.checking import CHECKS, Checking
from acquire.climate import climate_of, in_words, log_climate
from acquire.clock import Clock, StepWatch
from acquire.errors import ConfigError, JournalError, RecordingError, TransportError
from acquire.health import Health
from acquire.home import Home
from acquire.logger import Announcement, Logger, Source
from acquire.model import UNIT_OF, Amendment, Step, StreamStart, Test, Trial
from acquire.notes import Note, Tell
from acquire.ports import Poll, PortEvent, PortOwner, parse_address
from acquire.ports.listing import SystemPorts, system_ports
from acquire.ports.owner import connect_to
from acquire.recordings import Header, Recorder
from acquire.stream import GaugeStream
from acquire.tasks import STALL_S, Line, Measure, Task, Wash
from acquire.trials import record_of
from drivers.contact import ContactSettings
from drivers.description import GaugeDescription
from drivers.registry import make_driver

QUEUE_EVENTS = 1000
LEAST_FRICTION = 0.02
"""No pull is weaker than this share of the block's weight; what is, is a hand near the string."""
STALL_LIMITS_N = 4
"""A machine stands, for a clock that runs fast, after so many of its shortest limits at least."""
QUANTITY_OF = {Test.SLIP: "force", Test.GLOSS: "gloss", Test.WASH: "count"}
UNHEARD = ("silent", "no reply")
"""How the watch over a port begins when nothing comes through a port that is open."""
CLOCK_LIMIT_S = 60.0
"""Recordings date their readings from their own start: beyond this, what follows would be misdated."""


@dataclass(slots=True)
class _Open:
    """One gauge while the service runs."""

    line: Line
    owner: PortOwner
    recorder: Recorder
    health: Health
    task: Task | None = None
    opened: bool = False
    device: str = ""
    """What the port was opened as, the last time."""
    lost: str = ""
    """Why the port is not open, as far as was told."""
    unheard: bool = False
    """Nothing came through the open port, and since then still nothing has, however often it was opened."""
    complaint: str | None = None
    """Why the gauge is not to be used although its port is open, as far as was told."""


class Service:
    """Runs the gauges of a bench. Use it as a context manager; call `pump` from one thread.

    Args:
        home: the bench's folder.
        clock: gives all times.
        tell: takes notes for the person at the bench.
        gauges: which gauges to open; all of the bench if left out.
        shortest_limit_s: see `PortOwner`; for clocks that run faster than real time.
        ports: where USB serial numbers are looked up.

    Raises:
        ConfigError: bench, method or a description is faulty, or there is no such gauge.
        JournalError: the journal cannot be opened.
        RecordingError: a recording cannot be started.
    """

    def __init__(
        self,
        home: Home,
        *,
        clock: Clock,
        tell: Tell,
        gauges: Sequence[str] | None = None,
        shortest_limit_s: float = 0.0,
        ports: SystemPorts = system_ports,
    ) -> None:
        self.home = home
        self.bench = home.bench()
        self.method = home.method()
        self._clock = clock
        self._tell = tell
        self._shortest_limit_s = shortest_limit_s
        self._ports = ports
        self._events: queue.Queue[PortEvent | Exception] = queue.Queue(QUEUE_EVENTS)
        self._open: dict[str, _Open] = {}
        self._on_port: dict[str, list[_Open]] = {}
        self._stall_s = max(STALL_S, STALL_LIMITS_N * shortest_limit_s)
        self._doubts: list[Amendment] = []
        self._closing = False
        self._clock_watch = StepWatch(clock)
        names = list(dict.fromkeys(self.bench.with_port if gauges is None else gauges))
        descriptions = {name: home.description(self.bench.gauge(name).description) for name in names}
        self.journal = home.journal()
        self.logger = Logger(self.journal, self.bench, clock, self._announced)
        try:
            for group in self.bench.lines(names):
                self._prepare(
                    {
                        name: GaugeStream(
                            descriptions[name],
                            self._capture(descriptions[name].quantity),
                            place=place,
                            places=len(group),
                        )
                        for place, name in enumerate(group)
                    }
                )
        except BaseException:
            self._close()
            raise

    @classmethod
    def for_step(
        cls,
        home: Home,
        step: Step,
        *,
        clock: Clock,
        tell: Tell,
        gauge: str | None = None,
        shortest_limit_s: float = 0.0,
    ) -> Self:
        """A service that opens the gauge one step needs (`gauge`, else the bench's first that fits).

        Gauges of the room and its climate come along.

        Raises:
            ConfigError: the bench has no such gauge, or the step is a person's to answer.
        """
        bench = home.bench()
        quantities = {
            name: home.description(bench.gauge(name).description).quantity for name in bench.with_port
        }
        wanted = _quantity_for(step)
        fitting = [name for name, quantity in quantities.items() if quantity == wanted]
        if gauge is not None and gauge not in fitting:
            bench.gauge(gauge)
            does = f"measures {quantities[gauge]}" if gauge in quantities else "has no port"
            raise ConfigError(
                f"gauge {gauge!r} {does}; {step.test.value} needs {wanted}",
                hint=f"gauges of this bench that fit: {', '.join(fitting) or 'none'}",
            )
        fitting = fitting if gauge is None else [gauge]
        if not fitting:
            raise _no_gauge(step)
        room = [name for name, quantity in quantities.items() if quantity in AMBIENT]
        return cls(
            home, clock=clock, tell=tell, gauges=[fitting[0], *room], shortest_limit_s=shortest_limit_s
        )

    def _capture(self, quantity: str) -> dict[str, float | None]:
        """Capture settings that the method chooses."""
        if quantity != "force":
            return {}
        slip = self.method.slip
        chosen: dict[str, float | None] = slip.capture.model_dump()
        if chosen["min_force_n"] is None:
            gravity = slip.gravity(self.bench.gravity()).value_m_s2
            chosen["min_force_n"] = LEAST_FRICTION * float(slip.block_mass_kg) * gravity
        if self._shortest_limit_s:
            # On a clock that runs fast, bytes are handed over late by as much more.
            chosen["min_gap_s"] = self._shortest_limit_s
        return {key: value for key, value in chosen.items() if value is not None}

    def _prepare(self, streams: dict[str, GaugeStream]) -> None:
        """Makes one port ready, for one gauge or for all on its line; they share its recording."""
        line_name = "+".join(streams)
        port = self.bench.gauge(next(iter(streams))).port
        first = next(iter(streams.values())).description
        path = self.home.recordings / f"{self._clock.utc():%Y%m%dT%H%M%S.%fZ}-{line_name}.rec"
        self.home.recordings.mkdir(exist_ok=True)
        header = Header(
            driver=first.name,
            description_sha256=first.sha256 if len(streams) == 1 else None,
            device=line_name,
            port=port,
            scenario=self.bench.name,
        )
        contact = first.settings if isinstance(first.settings, ContactSettings) else None
        connect = connect_to(
            parse_address(port),
            first.serial,
            contact=None if contact is None else (contact, self._clock),
            ports=self._ports,
        )
        with ExitStack() as undo:
            recorder = Recorder(path, header, self._clock)
            undo.callback(recorder.close)
            for name, stream in streams.items():
                self._announce_stream(name, stream, recorder)
            undo.pop_all()
        owner = PortOwner(
            line_name,
            connect,
            [
                Poll(name, stream.description.timing, make_driver(stream.description).plan())
                for name, stream in streams.items()
            ],
            recorder=recorder,
            clock=self._clock,
            deliver=partial(self._events.put, timeout=0.1),
            on_failure=self._failed,
            shortest_limit_s=self._shortest_limit_s,
        )
        source = Source(path.name, recorder.start_utc)
        for name, stream in streams.items():
            line = Line(name, source, recorder.sync, stream, stream.t_source)
            self._open[name] = _Open(line, owner, recorder, Health(stream, port, self._others(streams)))
        self._on_port[line_name] = [self._open[name] for name in streams]

    def _others(self, streams: dict[str, GaugeStream]) -> dict[str, GaugeDescription]:
        """The bench's gauges that are plugged in elsewhere, each kind once."""
        own = {stream.description.sha256 for stream in streams.values()}
        found = {
            name: self.home.description(self.bench.gauge(name).description) for name in self.bench.with_port
        }
        return {name: one for name, one in found.items() if name not in streams and one.sha256 not in own}

    def _announce_stream(self, name: str, stream: GaugeStream, recorder: Recorder) -> None:
        """Writes down all that is needed to get this recording's readings out of its bytes again."""
        self.journal.append(
            "stream",
            StreamStart(
                recording=recorder.path.name,
                gauge=name,
                description=stream.description.name,
                description_text=stream.description.text,
                description_sha256=stream.description.sha256,
                capture=stream.chosen,
                capture_version=CAPTURE_VERSION,
                place=stream.place,
                places=stream.places,
                t_utc=recorder.start_utc,
            ),
            t_utc=recorder.start_utc,
            t_mono_ns=self._clock.monotonic_ns(),
        )

    def __enter__(self) -> Self:
        for sharing in self._on_port.values():
            sharing[0].owner.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            # Whatever ends the run, what was counted is written down; unless that is what cannot be done.
            if not isinstance(error, JournalError | RecordingError):
                for one in self._open.values():
                    self._end_task(one)
        finally:
            self._close()

    def _end_task(self, one: _Open) -> None:
        task, one.task = one.task, None
        if task is not None:
            task.stop()

    def _close(self) -> None:
        """Ports first, journal last; one that fails to close does not keep the others open."""
        self._closing = True
        for one in self._open.values():
            one.owner.request_stop()
        with ExitStack() as last_to_first:
            last_to_first.callback(self.journal.close)
            for one, *_ in self._on_port.values():
                last_to_first.callback(one.recorder.close)
                if one.owner.running:
                    last_to_first.callback(one.owner.stop)

    def await_ports(self, limit_s: float) -> None:
        """Pumps until every port has been open once, but for gauges that no step depends on.

        Raises:
            TransportError: one was not within `limit_s`; says why.
        """
        until_ns = self._clock.monotonic_ns() + int(limit_s * 1e9)
        needed = {
            name: one
            for name, one in self._open.items()
            if one.line.stream.description.quantity not in AMBIENT
        }
        while missing := [name for name, one in needed.items() if not one.opened]:
            late = self._clock.monotonic_ns() >= until_ns
            self.pump()
            name = missing[0]
            if late and not needed[name].opened:
                port, why = self.bench.gauge(name).port, self._open[name].lost or "it did not open"
                raise TransportError(
                    f"gauge {name!r} on port {port}: {why}",
                    hint="plug it in and close what else uses it, or set its port in "
                    f"{self.home.bench_file}; `panelwright ports` lists what is there",
                )

    def measure(self, trial: Trial, step: Step) -> Task:
        """From now on, what the gauge for this step gives belongs to the step.

        Raises:
            ConfigError: the step is a person's to answer, or no gauge for it is open.
        """
        one = self._gauge_for(step)
        self._end_task(one)
        record = partial(record_of, self.journal, trial.id)
        if step.test is Test.WASH:
            target = self.method.wash.strokes_at(step.stage or 0)
            if target is None:
                raise ConfigError(
                    "the method does not say how many strokes a wash has",
                    hint="set strokes_per_wash in [wash] of method.toml",
                )
            one.task = Wash(
                one.line,
                self.logger,
                self._tell,
                self._clock,
                trial=trial,
                step=step,
                target=target,
                method=self.method,
                record=record,
                stall_s=self._stall_s,
            )
        else:
            one.task = Measure(
                one.line, self.logger, self._tell, trial=trial, step=step, method=self.method, record=record
            )
        return one.task

    def check(self, gauge: str, reference: str, *, repeats: int = 3, channel: str | None = None) -> Task:
        """Checks a gauge against a reference; what it gives belongs to the check until it is done.

        Raises:
            ConfigError: there is no such gauge or reference, or they do not fit each other.
        """
        entry = self.bench.gauge(gauge)
        if gauge not in self._open:
            raise ConfigError(f"gauge {gauge!r} is not open", hint="name it when the service is started")
        one = self._open[gauge]
        assigned = assigned_value(self.bench, reference, channel)
        if assigned.unit != UNIT_OF[one.line.stream.description.quantity]:
            raise ConfigError(
                f"{reference} is no reference for a gauge of {one.line.stream.description.quantity}",
                hint="a force gauge needs a weight, a glossmeter a tile, a counter counted strokes",
            )
        checking = Checking(
            one.line,
            self.logger,
            self._tell,
            self._clock,
            assigned,
            repeats,
            entry.tolerance,
            stall_s=self._stall_s,
        )
        self._end_task(one)
        task: Task = CHECKS[assigned.unit](checking)
        one.task = task
        return task

    def rest(self, task: Task) -> None:
        """Ends a task: what its gauge gives from now on belongs to nothing."""
        for one in self._open.values():
            if one.task is task:
                self._end_task(one)

    def run(self, task: Task, *, linger_s: float = 0.0) -> None:
        """Pumps until `task` is done and `linger_s` have passed since, then ends it; so does Ctrl-C.

        Raises:
            RecordingError, JournalError, TransportError: as `pump`. The task then logs nothing more.
        """
        try:
            while not task.done:
                self.pump()
                until_ns = self._clock.monotonic_ns() + int(linger_s * 1e9)
                # A machine that moves again meanwhile is waited for anew.
                while task.done and self._clock.monotonic_ns() < until_ns:
                    self.pump()
        except KeyboardInterrupt:
            self.rest(task)
            raise
        self.rest(task)

    def pump(self, timeout_s: float = 0.1) -> int:
        """Handles what the ports delivered, waiting up to `timeout_s` of real time for the first event.

        Returns:
            How many events were handled.

        Raises:
            RecordingError, JournalError: something cannot be written; acquisition has ended.
            TransportError: the clock jumped so far that readings would be misdated; the same.
        """
        handled = 0
        # No more than the queue holds: a gauge that talks without pause must not keep the tasks waiting.
        while handled < QUEUE_EVENTS:
            try:
                event = self._events.get(block=not handled, timeout=timeout_s)
            except queue.Empty:
                break
            if isinstance(event, Exception):
                raise event
            self._handle(event)
            handled += 1
        self._notice_clock_step()
        for one in self._open.values():
            if one.task is not None:
                one.task.tick()
            self._complain(one)
        self._tell_doubts()
        return handled

    def _handle(self, event: PortEvent) -> None:
        for one in self._on_port[event.gauge]:
            self._hear(one, event)

    def _hear(self, one: _Open, event: PortEvent) -> None:
        found = one.line.stream.take(event)
        task = one.task
        if event.kind == "chunk":
            self._heard(one)
            if task is not None:
                task.samples()
        self._give(one, found)
        if event.kind == "lost" and task is not None:
            task.interrupted(event.note)
        if event.kind == "open" and task is not None:
            task.opened()
        if event.kind in ("open", "lost"):
            self._port(one, event)
        one.health.hear(event)

    def _give(self, one: _Open, found: Iterable[Taken]) -> None:
        for taken in found:
            if taken.quantity in AMBIENT:
                self._surroundings(one, taken)
            elif one.task is not None:
                one.task.take(taken)

    def _surroundings(self, one: _Open, taken: Taken) -> None:
        if taken.verdict == "refused":
            self._tell(Note("refused", "; ".join(taken.reasons), one.line.gauge))
            return
        climate = climate_of(taken, gauge=one.line.gauge, source=one.line.source, bench=self.bench)
        log_climate(self.journal, self._clock, climate, sync=one.line.sync)
        self._tell(Note("climate", in_words(climate), one.line.gauge))

    def _complain(self, one: _Open) -> None:
        """Another gauge than expected, one that does not answer, or bytes that make no sense: told once."""
        refused = one.line.stream.complaint
        expecting = one.task is not None and not one.task.done
        now_us = one.recorder.now_us()
        complaint = one.health.trouble(now_us, expecting=expecting)
        # Another gauge at the plug is worse news than what it sends; no reply while bytes arrive is not.
        if refused and not (complaint and refused.startswith(UNHEARD)):
            complaint = refused
        # A port that was only just opened again has proved nothing yet.
        if complaint == one.complaint or (complaint is None and not one.health.well):
            return
        one.complaint = complaint
        gauge = one.line.gauge
        if complaint is None:
            self._tell(Note("port", "answers as it should again", gauge))
            return
        is_refused = complaint == refused
        what = f"{'refused' if is_refused else 'in doubt'}: {complaint}"
        self.logger.record_incident(
            Incident(gauge=gauge, t_utc=one.recorder.utc_at(now_us), what=what, needs_check=False)
        )
        self._tell(Note("lost" if is_refused else "trouble", complaint, gauge))

    def _port(self, one: _Open, event: PortEvent) -> None:
        gauge = one.line.gauge
        if event.kind == "lost":
            one.lost = event.note
            unheard = event.note.startswith(UNHEARD)
            # A port that opens and stays silent is lost again and again; that is told once.
            if unheard and one.unheard:
                return
            one.unheard = unheard
            self.logger.record_incident(
                Incident(gauge=gauge, t_utc=event.t_utc, what=f"lost: {event.note}", needs_check=False)
            )
            trying = "trying to get it back" if one.opened else "waiting for it"
            if unheard and not one.line.stream.samples:
                trying += "; it has not sent a value yet: is it on, are its speed and description right?"
            self._tell(Note("lost", f"{event.note}; {trying}", gauge))
            return
        again = "back" if one.opened else "open"
        one.opened, one.lost = True, ""
        one.device = event.note
        if not one.unheard:
            self._tell(Note("port", f"{again} on {event.note}", gauge))

    def _heard(self, one: _Open) -> None:
        if one.unheard:
            one.unheard = False
            self._tell(Note("port", f"back on {one.device}", one.line.gauge))

    def _gauge_for(self, step: Step) -> _Open:
        quantity = _quantity_for(step)
        for one in self._open.values():
            if one.line.stream.description.quantity == quantity:
                return one
        raise _no_gauge(step)

    def _announced(self, announcement: Announcement) -> None:
        """What the logger has written; tasks tell of their own, doubts concern everybody."""
        fact = announcement.fact
        if isinstance(fact, Amendment) and fact.what == "doubtful":
            self._doubts.append(fact)

    def _tell_doubts(self) -> None:
        """All that one failed check puts in doubt in one note: it may be a whole day's readings."""
        doubts, self._doubts = self._doubts, []
        if not doubts:
            return
        named = doubts[0].reading if len(doubts) == 1 else f"{doubts[0].reading} to {doubts[-1].reading}"
        noun = "reading is" if len(doubts) == 1 else "readings are"
        text = f"{len(doubts)} earlier {noun} doubtful now ({named}): {doubts[0].reason}"
        self._tell(Note("amended", text, about=doubts[0]))

    def _failed(self, error: Exception) -> None:
        """Called on a port's thread: the pump must see it, even if the queue is full."""
        while not self._closing:
            try:
                self._events.put(error, timeout=0.1)
            except queue.Full:
                continue
            return

    def _notice_clock_step(self) -> None:
        """A stepped clock or a suspended machine is an event of its own, never a stretched pull."""
        step_s = self._clock_watch.step_s()
        if not step_s:
            return
        self.journal.append(
            "clock step", {"step_s": step_s}, t_utc=self._clock.utc(), t_mono_ns=self._clock.monotonic_ns()
        )
        said = f"the clock jumped by {step_s:+.1f} s, or the machine slept"
        if abs(step_s) > CLOCK_LIMIT_S:
            raise TransportError(
                f"{said}: what is measured now would carry a wrong date",
                hint="start again; what was taken is kept",
            )
        self._tell(Note("lost", said))


def _quantity_for(step: Step) -> str:
    quantity = QUANTITY_OF.get(step.test)
    if quantity is None:
        raise ConfigError(
            f"{step.test.value} is judged by a person",
            hint=f"use: panelwright rate TRIAL {step.test.value} VALUE",
        )
    return quantity


def _no_gauge(step: Step) -> ConfigError:
    return ConfigError(
        f"no gauge of this bench measures {_quantity_for(step)}, which {step.test.value} needs",
        hint="add one to bench.toml under [gauges.NAME]",
    )
