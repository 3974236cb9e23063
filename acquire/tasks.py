"""What the service does with the values a gauge gives: fill a step of a trial, or run the wash machine.

A task belongs to one gauge and is told everything that gauge's stream gives, in order. (Checks of a gauge
are tasks too: see `acquire.checking`.)
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from acquire.capture.taken import Taken
from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.logger import Logger, Source, TimeSource
from acquire.model import Amendment, CalibrationState, Reading, Step, Test, Trial
from acquire.notes import Note, Tell
from acquire.scoring.method import Method
from acquire.scoring.selection import flag_outliers, left_out_by_stamp
from acquire.stream import GaugeStream
from acquire.trials import Record, state_of, strokes_on

STROKES_PER_READING = 10
"""A wash has thousands of strokes: they are logged, and told, in bunches. A kill costs less than one."""
LAMP_CAUTION = (
    "UV harms eyes and skin, also when reflected: shield the lamp, cover up, keep others away; the lamp's "
    "safety sheet and local codes come first"
)
STALL_S = 6.0
"""At 30 strokes a minute one comes every two seconds: after three that did not, the machine stands."""


@dataclass(frozen=True, slots=True)
class Line:
    """What a task needs of the gauge it works with."""

    gauge: str
    source: Source
    sync: Callable[[], None]
    stream: GaugeStream
    t_source: TimeSource


class Task(Protocol):
    """Something under way at one gauge."""

    @property
    def done(self) -> bool:
        """All it asked for has been taken, and nothing more is due."""

    def take(self, taken: Taken) -> None:
        """A value was captured."""

    def samples(self) -> None:
        """A chunk was decoded; `stream.latest` holds its samples."""

    def tick(self) -> None:
        """Some time has passed."""

    def opened(self) -> None:
        """The port is open, for the first time or again."""

    def interrupted(self, why: str) -> None:
        """The port was lost; it may come back."""

    def stop(self) -> None:
        """No more will come; what is not written down yet is written now."""


def _refused(taken: Taken, line: Line, logger: Logger, trial: Trial, step: Step) -> Note:
    refusal = logger.refuse(
        taken, source=line.source, gauge=line.gauge, sync_recording=line.sync, trial=trial.id, step=step
    )
    return Note("refused", "; ".join(taken.reasons), line.gauge, refusal)


def _shown(reading: Reading) -> str:
    state = "" if reading.stamp.state is CalibrationState.IN_TOLERANCE else f" ({reading.stamp.state.value})"
    typed = ", typed in" if reading.t_source == "typed in" else ""
    return f"{reading.value:.4g} {reading.unit}{typed}{state}"


class Measure:
    """Fills a step of slip, gloss or UV screening, without a click between readings.

    What comes after the last one asked for is kept as an extra and never silently averaged in.
    """

    def __init__(
        self,
        line: Line,
        logger: Logger,
        tell: Tell,
        *,
        trial: Trial,
        step: Step,
        method: Method,
        record: Callable[[], Record],
    ) -> None:
        self._line, self._logger, self._tell = line, logger, tell
        self._trial, self._step, self._method, self._record = trial, step, method, record
        state = state_of(trial.id, step, method, record())
        self._taken, self._wanted = state.taken, state.wanted
        self.done = state.done
        self.took_extra = False
        """One came that the step did not ask for."""
        if self.done:
            # A program that was ended between the last reading and the look at outliers left that to do.
            self._flag()
            said = f"{step}: all {self._wanted} were taken before; what comes now is kept as an extra"
            tell(Note("full", said, line.gauge, progress=(self._taken, self._wanted)))
        else:
            tell(Note("waiting", self._invitation(), line.gauge, progress=(self._taken, self._wanted)))

    def _invitation(self) -> str:
        left, panel = self._wanted - self._taken, self._step.panel
        more = " more" if self._taken else ""
        if self._step.test is Test.GLOSS:
            return f"measure {panel} {left}{more} times at {self._method.gloss.angle_deg}°"
        if self._step.test is Test.UV:
            where = f"{panel} ({self._step.zone} zone)" if self._step.zone else panel
            return f"leave the lit gauge at {where} for {left}{more} readings, one a minute; {LAMP_CAUTION}"
        return f"pull the block {left}{more} times on {panel}; let the string hang slack before each pull"

    def take(self, taken: Taken) -> None:
        if taken.verdict == "refused":
            self._tell(_refused(taken, self._line, self._logger, self._trial, self._step))
            return
        wrong_angle = self._wrong_angle(taken)
        extra = self._taken >= self._wanted or bool(wrong_angle)
        reading = self._logger.log(
            taken,
            source=self._line.source,
            gauge=self._line.gauge,
            trial=self._trial.id,
            step=self._step,
            sync_recording=self._line.sync,
            extra=extra,
            t_source=self._line.t_source,
        )
        if extra:
            self.took_extra = True
            why = wrong_angle or f"{self._wanted} were asked for"
            self._tell(
                Note("extra", f"{_shown(reading)}: kept as an extra ({why})", self._line.gauge, reading)
            )
            if self.done:
                # It may stand out itself, or show that another one does, or does not.
                self._flag()
            return
        why_not = left_out_by_stamp(reading, self._method)
        if why_not is not None:
            said = f"{_shown(reading)}: kept, and not counted: {why_not}; check the gauge before you go on"
            self._tell(Note("extra", said, self._line.gauge, reading))
            return
        self._taken += 1
        said = f"{self._taken} of {self._wanted}: {_shown(reading)}"
        progress = (self._taken, self._wanted)
        self._tell(Note("reading", said, self._line.gauge, reading, progress))
        if self._taken == self._wanted:
            self._close()

    def _wrong_angle(self, taken: Taken) -> str:
        angle = taken.details.get("angle_deg")
        wanted = self._method.gloss.angle_deg
        if self._step.test is not Test.GLOSS or angle == wanted:
            return ""
        if angle is None:
            return f"the gauge does not say its angle, the method asks for {wanted}°"
        return f"measured at {angle}°, the method asks for {wanted}°"

    def _close(self) -> None:
        self._flag()
        state = state_of(self._trial.id, self._step, self._method, self._record())
        self._taken, self.done = state.taken, state.done
        if self.done:
            self._tell(Note("full", f"{self._step}: all {self._wanted} taken", self._line.gauge))
        else:
            # The method does not count outliers: one more is due for each.
            progress = (self._taken, self._wanted)
            self._tell(Note("waiting", self._invitation(), self._line.gauge, progress=progress))

    def undo(self, reason: str) -> str:
        """Rules that the newest reading of the step that still counts does not; it stays in the journal.

        Returns:
            What was undone, in words.

        Raises:
            ConfigError: there is none.
        """
        own = [reading for reading in self._own() if reading.counts is not False]
        if not own:
            raise ConfigError(f"{self._step} has no reading to undo", hint="what was undone stays undone")
        newest = own[-1]
        ruling = Amendment(reading=newest.id, what="ruling", reason=reason, counts=False)
        self._logger.amend(ruling)
        state = state_of(self._trial.id, self._step, self._method, self._record())
        self._taken, self.done = state.taken, state.done
        said = f"undone: {_shown(newest)}; {self._taken} of {self._wanted}"
        self._tell(Note("amended", said, self._line.gauge, ruling, (self._taken, self._wanted)))
        return said

    def _own(self) -> list[Reading]:
        return [
            reading
            for reading in self._record().readings
            if reading.trial == self._trial.id and reading.step == self._step
        ]

    def _flag(self) -> None:
        """The step is full: what stands out among its readings is said, and written down."""
        own = self._own()
        stand_out = flag_outliers(own, self._method)
        for reading in own:
            why = stand_out.get(reading.id)
            if why is not None and why != reading.flagged:
                self._amend(Amendment(reading=reading.id, what="flagged", reason=why), f"stands out: {why}")
            elif why is None and reading.flagged is not None:
                said = f"no longer stands out among the {len(own)} of its step"
                self._amend(Amendment(reading=reading.id, what="unflagged", reason=said), said)

    def _amend(self, amendment: Amendment, said: str) -> None:
        self._logger.amend(amendment)
        self._tell(Note("amended", said, self._line.gauge, amendment))

    def samples(self) -> None: ...

    def tick(self) -> None: ...

    def opened(self) -> None: ...

    def interrupted(self, why: str) -> None: ...

    def stop(self) -> None: ...


class Wash:
    """Counts strokes up to a wash stage; what the machine really did counts, not what was planned.

    So it ends when the counter has stood still after the last stroke asked for: a machine that is stopped
    late, or runs on, has washed the panel all the same. Only strokes that are logged are told.
    """

    def __init__(
        self,
        line: Line,
        logger: Logger,
        tell: Tell,
        clock: Clock,
        *,
        trial: Trial,
        step: Step,
        target: int,
        method: Method,
        record: Callable[[], Record],
        stall_s: float = STALL_S,
    ) -> None:
        self._line, self._logger, self._tell, self._clock = line, logger, tell, clock
        self._trial, self._step, self._target, self._method = trial, step, target, method
        self.strokes = strokes_on(trial.id, step.panel, record().readings, method)
        """Logged on this panel since it was first washed, by a counter that the method lets count."""
        self._base: float | None = None  # stream total when the last reading was logged
        self._last: Taken | None = None
        self._seen_ns = clock.monotonic_ns()
        self._stall_s = stall_s
        # Of a machine that has reached its stage it must be seen that it stands.
        self._stands = not self._reached
        self._away = False
        if self._reached:
            self._tell_full()
        else:
            said = f"{self.strokes} of {target} strokes so far: hands clear, then start the machine"
            tell(Note("waiting", said, line.gauge, progress=(self.strokes, target)))

    @property
    def _reached(self) -> bool:
        return self.strokes >= self._target

    @property
    def done(self) -> bool:
        """The stage is reached, and the machine stands."""
        return self._reached and self._stands

    def take(self, taken: Taken) -> None:
        if taken.verdict == "refused":
            self._tell(_refused(taken, self._line, self._logger, self._trial, self._step))
            return
        if self._base is None:
            gained = taken.details.get("gained")
            self._base = taken.value - (gained if isinstance(gained, int) else 0)
        starts, self._stands = self._stands, False
        self._last = taken
        self._seen_ns = self._clock.monotonic_ns()
        pending = int(taken.value - self._base)
        # The first stroke is told at once, so that it is seen to count, and so is each one too many.
        if starts or pending >= STROKES_PER_READING or self.strokes + pending >= self._target:
            self._log()

    def _tell_full(self) -> None:
        said = f"{self.strokes} strokes: stop the machine, isolate it, then inspect {self._step.panel}"
        self._tell(Note("full", said, self._line.gauge))

    def _log(self) -> None:
        if self._last is None or self._base is None or self._last.value == self._base:
            return
        strokes, total = self._last.value - self._base, self._last.value
        run = replace(
            self._last,
            value=strokes,
            details={**self._last.details, "from_total": self._base, "total": total},
        )
        reading = self._logger.log(
            run,
            source=self._line.source,
            gauge=self._line.gauge,
            trial=self._trial.id,
            step=self._step,
            sync_recording=self._line.sync,
            t_source=self._line.t_source,
        )
        self._base = total
        why_not = left_out_by_stamp(reading, self._method)
        if why_not is not None:
            said = (
                f"{strokes:.0f} strokes kept, and not counted: {why_not}; stop the machine, check the counter"
            )
            self._tell(Note("extra", said, self._line.gauge, reading))
            return
        was_reached = self._reached
        self.strokes += int(strokes)
        rate = reading.details.get("rate_per_min")
        pace = f", {rate:.0f} a minute" if isinstance(rate, float) else ""
        said = f"{self.strokes} of {self._target} strokes{pace}"
        progress = (self.strokes, self._target)
        self._tell(Note("strokes", said, self._line.gauge, reading, progress))
        if self._reached and not was_reached:
            self._tell_full()

    def tick(self) -> None:
        silent_s = (self._clock.monotonic_ns() - self._seen_ns) / 1e9
        # A counter that is away is not seen to stand still.
        if self._stands or self._away or silent_s <= self._stall_s:
            return
        self._log()
        self._stands = True
        said = f"no stroke for {silent_s:.0f} s: the machine stands at {self.strokes} strokes"
        self._tell(Note("waiting", said, self._line.gauge))

    def opened(self) -> None:
        self._away = False
        self._seen_ns = self._clock.monotonic_ns()

    def interrupted(self, why: str) -> None:
        """What was counted before is safe; what the counter gained meanwhile shows when it is back."""
        self._away = True
        self._log()
        if self._reached and not self._stands:
            said = (
                "the counter was lost before it was seen to stand still: what it gains meanwhile still counts"
            )
            self._tell(Note("waiting", said, self._line.gauge))

    def stop(self) -> None:
        """Logs the strokes not logged yet."""
        self._log()

    def samples(self) -> None: ...
