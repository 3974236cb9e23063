"""The bench at work: runs what the gauges send through capture, and gives it to the task at hand.

    port threads ──events──> queue ──pump()──> stream ──taken──> task ──> logger ──> journal, then told

One thread pumps; it alone touches streams and tasks. A recording or journal that cannot be written stops
acquisition: `pump` raises, and nothing is told that is not on disk.
"""

import queue
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from types import TracebackType
from typing import Self

from acquire.calibration.brackets import Bracket
from acquire.calibration.correction import corrected_by
from acquire.calibration.multipoint import ladder, merged
from acquire.calibration.references import assigned_value
from acquire.capture.ambient import AMBIENT
from acquire.capture.taken import Taken
from acquire.checking import Checking, StrokeCheck, TileCheck
from acquire.climate import climate_of, in_words, log_climate
from acquire.clock import Clock, StepWatch
from acquire.correcting import correction_in_use
from acquire.errors import ConfigError, JournalError, RecordingError, TransportError
from acquire.home import Home
from acquire.live import Live
from acquire.logger import Announcement, Logger
from acquire.model import UNIT_OF, Amendment, Step, Test, Trial
from acquire.notes import Note, Tell
from acquire.ports import PortEvent
from acquire.ports.listing import SystemPorts, system_ports
from acquire.service.choosing import gauges_for, no_gauge, quantity_for
from acquire.service.opening import OpenGauge, OpenPorts
from acquire.service.telling import PortNews, bracket_in_words, doubts_in_words
from acquire.tasks import STALL_S, Measure, Task, Wash
from acquire.trials import record_of
from acquire.weighing import LadderCheck, WeightCheck

STALL_LIMITS_N = 4
"""A machine stands, for a clock that runs fast, after so many of its shortest limits at least."""
CLOCK_LIMIT_S = 60.0
"""Recordings date their readings from their own start: beyond this, what follows would be misdated."""

CHECKS: dict[str, Callable[[Checking], Task]] = {"N": WeightCheck, "GU": TileCheck, "1": StrokeCheck}
"""Kind of check by the unit of the reference."""


class Service:
    """Runs the gauges of a bench. Use it as a context manager; call `pump` from one thread.

    Args:
        home: the bench's folder.
        clock: gives all times.
        tell: takes notes for the person at the bench.
        gauges: which gauges to open; all of the bench if left out.
        shortest_limit_s: see `PortOwner`; for clocks that run faster than real time.
        ports: where USB serial numbers are looked up.
        live: hub for those who watch: it gets notes, traces and the gauges' states.

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
        live: Live | None = None,
    ) -> None:
        self.home = home
        self.bench = home.bench()
        self.method = home.method()
        self._clock = clock
        self._live = live or Live()
        self._tell = tell = self._live.beside(tell)
        self._stall_s = max(STALL_S, STALL_LIMITS_N * shortest_limit_s)
        self._doubts: list[Amendment] = []
        self._brackets: list[Bracket] = []
        self._clock_watch = StepWatch(clock)
        names = list(dict.fromkeys(self.bench.with_port if gauges is None else gauges))
        descriptions = {name: home.description(self.bench.gauge(name).description) for name in names}
        self.journal = home.journal()
        self.logger = Logger(self.journal, self.bench, clock, self._announced)
        try:
            self._ports = OpenPorts(
                home,
                self.bench,
                self.method,
                self.journal,
                descriptions,
                clock=clock,
                system=ports,
                shortest_limit_s=shortest_limit_s,
            )
        except BaseException:
            self.journal.close()
            raise
        self._open, self._events = self._ports.gauges, self._ports.events
        self._news = PortNews(self.logger, tell, lambda gauge: self.bench.gauge(gauge).rules.after)
        for name, one in self._open.items():
            self._live.opens(name, descriptions[name].quantity, one.line.source.start_utc)

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
        return cls(
            home,
            clock=clock,
            tell=tell,
            gauges=gauges_for(home, step, gauge),
            shortest_limit_s=shortest_limit_s,
        )

    def __enter__(self) -> Self:
        self._ports.start()
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
            try:
                self._ports.close()
            finally:
                self.journal.close()

    def _end_task(self, one: OpenGauge) -> None:
        task, one.task = one.task, None
        if task is not None:
            task.stop()
            self._live.step(one.line.gauge, None, None)

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
        self._live.step(one.line.gauge, trial.id, step)
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

    def check(
        self,
        gauge: str,
        reference: str | Sequence[str],
        *,
        repeats: int = 3,
        channel: str | None = None,
        runs: int = 2,
    ) -> Task:
        """Checks a gauge against a reference; what it gives belongs to the check until it is done.

        Args:
            reference: several weights, in any order, are hung up and down the ladder of their loads.
            repeats: readings on one reference.
            runs: how often the ladder of several weights is gone up and down.

        Raises:
            ConfigError: there is no such gauge or reference, or they do not fit each other.
        """
        entry = self.bench.gauge(gauge)
        if gauge not in self._open:
            raise ConfigError(f"gauge {gauge!r} is not open", hint="name it when the service is started")
        one = self._open[gauge]
        names = list(dict.fromkeys([reference] if isinstance(reference, str) else reference))
        if not names:
            raise ConfigError("a check needs a reference", hint="name one of bench.toml")
        found = [assigned_value(self.bench, name, channel) for name in names]
        if any(each.unit != UNIT_OF[one.line.stream.description.quantity] for each in found):
            raise ConfigError(
                f"{' or '.join(names)} is no reference for a gauge of {one.line.stream.description.quantity}",
                hint="a force gauge needs a weight, a glossmeter a tile, a counter counted strokes",
            )
        loads = ladder(found) if len(found) > 1 else []
        checking = Checking(
            one.line,
            self.logger,
            self._tell,
            self._clock,
            merged(loads) if loads else found[0],
            runs * (2 * len(loads) - 1) if loads else repeats,
            entry.tolerance,
            stall_s=self._stall_s,
            decision=entry.decision,
            corrected=corrected_by(correction_in_use(self.journal, gauge, found[0].channel)),
        )
        self._end_task(one)
        task = LadderCheck(checking, loads, runs=runs) if loads else CHECKS[found[0].unit](checking)
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
        while handled < self._events.maxsize:
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
            self._news.complain(one)
        self._tell_doubts()
        return handled

    def _handle(self, event: PortEvent) -> None:
        for one in self._ports.on_port[event.gauge]:
            self._hear(one, event)

    def _hear(self, one: OpenGauge, event: PortEvent) -> None:
        found = one.line.stream.take(event)
        task = one.task
        if event.kind == "chunk":
            self._live.hear(one.line.gauge, one.line.stream)
            self._news.heard(one, event)
            if task is not None:
                task.samples()
        self._give(one, found)
        if event.kind == "lost" and task is not None:
            task.interrupted(event.note)
        if event.kind == "open" and task is not None:
            task.opened()
        if event.kind in ("open", "lost"):
            self._news.port(one, event)
        one.health.hear(event)

    def _give(self, one: OpenGauge, found: Iterable[Taken]) -> None:
        for taken in found:
            if one.task is not None:
                one.task.take(taken)
            elif taken.quantity in AMBIENT:
                self._surroundings(one, taken)

    def _surroundings(self, one: OpenGauge, taken: Taken) -> None:
        if taken.verdict == "refused":
            self._tell(Note("refused", "; ".join(taken.reasons), one.line.gauge))
            return
        climate = climate_of(taken, gauge=one.line.gauge, source=one.line.source, bench=self.bench)
        log_climate(self.journal, self._clock, climate, sync=one.line.sync)
        self._tell(Note("climate", in_words(climate), one.line.gauge))

    def _gauge_for(self, step: Step) -> OpenGauge:
        quantity = quantity_for(step)
        for one in self._open.values():
            if one.line.stream.description.quantity == quantity:
                return one
        raise no_gauge(step)

    def _announced(self, announcement: Announcement) -> None:
        """What the logger has written; tasks tell of their own, doubts concern everybody."""
        fact = announcement.fact
        if isinstance(fact, Amendment) and fact.what == "doubtful":
            self._doubts.append(fact)
        elif isinstance(fact, Bracket) and fact.verdict != "failed":
            self._brackets.append(fact)

    def _tell_doubts(self) -> None:
        """What a check says of the readings before it, in one note: they may be a whole day's."""
        brackets, self._brackets = self._brackets, []
        for bracket in brackets:
            self._tell(Note("amended", bracket_in_words(bracket), bracket.gauge))
        doubts, self._doubts = self._doubts, []
        if not doubts:
            return
        self._tell(Note("amended", doubts_in_words(self.journal, doubts), about=doubts[0]))

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
