"""Checks against a reference, hands-free: press the key, count the strokes. Weights: `weighing`."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from acquire.bench import Decision, Tolerance
from acquire.calibration.checks import GUARDED, AbortedCheck, Check, Corrected, evaluate_check
from acquire.calibration.references import Assigned
from acquire.capture.levels import Level
from acquire.capture.taken import Taken
from acquire.clock import Clock
from acquire.logger import Logger
from acquire.model import RawRef
from acquire.notes import Note, Tell
from acquire.tasks import STALL_S, Line
from acquire.units import newtons_per
from drivers.description import GaugeDescription


@dataclass(slots=True)
class Checking:
    """What every check shares: where it belongs, and how it ends."""

    line: Line
    logger: Logger
    tell: Tell
    clock: Clock
    assigned: Assigned
    repeats: int
    tolerance: Tolerance
    stall_s: float = STALL_S
    decision: Decision = GUARDED
    corrected: Corrected = lambda shown: None
    values: list[float] = field(default_factory=list)
    zeros: list[float] = field(default_factory=list)
    zeros_after: list[float] = field(default_factory=list)
    raw: list[RawRef] = field(default_factory=list)
    check: Check | None = None
    over: bool = False
    """It was concluded or given up."""
    seen_us: int = 0
    """When the newest value or zero was sent, on the recording's axis."""

    def __post_init__(self) -> None:
        for remark in self.assigned.remarks:
            self.say(remark)
        if self.assigned.care:
            self.say(f"care of {self.assigned.reference}: {self.assigned.care}")

    @property
    def full(self) -> bool:
        """All readings that were asked for have been taken."""
        return len(self.values) == self.repeats

    @property
    def t_utc(self) -> datetime:
        # By the clock its readings are dated by, so that the two can be compared though the calendar is set.
        return self.line.source.start_utc + timedelta(microseconds=self.seen_us)

    def add_zero(self, level: Level) -> None:
        """Takes what the gauge shows with nothing on it: before a reading, or after the last one."""
        (self.zeros_after if self.full else self.zeros).append(level.value_n)
        self.seen_us = level.t_us

    def add(
        self,
        value: float,
        t_us: int,
        first_byte: int,
        last_byte: int,
        opening: int,
        ordinal: int,
        *,
        on: str | None = None,
    ) -> None:
        """Takes one value on the reference, or on one of several."""
        self.values.append(value)
        self.seen_us = t_us
        self.raw.append(
            RawRef(
                recording=self.line.source.recording,
                opening=opening,
                first_byte=first_byte,
                last_byte=last_byte,
                ordinal=ordinal,
            )
        )
        unit = "strokes" if self.assigned.unit == "1" else self.assigned.unit
        said = f"{len(self.values)} of {self.repeats} on {on or self.assigned.reference}: {value:.4g} {unit}"
        self.tell(Note("waiting", said, self.line.gauge, progress=(len(self.values), self.repeats)))

    def say(self, text: str) -> None:
        self.tell(Note("waiting", text, self.line.gauge))

    def refuse(self, taken: Taken) -> None:
        """Keeps what capture refused, with its reasons."""
        refusal = self.logger.refuse(
            taken, source=self.line.source, gauge=self.line.gauge, sync_recording=self.line.sync
        )
        self.tell(Note("refused", "; ".join(taken.reasons), self.line.gauge, refusal))

    def add_level(self, level: Level, *, on: str | None = None) -> None:
        """Takes a settled force."""
        opening = self.line.stream.opening
        self.add(level.value_n, level.t_us, level.first_byte, level.last_byte, opening, 0, on=on)

    def give_up(self) -> None:
        """Writes down what an unfinished check has measured, so that none can be tried again unseen."""
        if self.over or not (self.values or self.zeros):
            return
        self.over = True
        aborted = AbortedCheck(
            gauge=self.line.gauge,
            reference=self.assigned.reference,
            channel=self.assigned.channel,
            unit=self.assigned.unit,
            assigned=self.assigned.value,
            zero=(*self.zeros, *self.zeros_after),
            readings=tuple(self.values),
            wanted_n=self.repeats,
            t_utc=self.t_utc,
            raw=tuple(self.raw),
        )
        self.logger.record_aborted_check(aborted, sync_recording=self.line.sync)
        said = f"check given up after {len(self.values)} of {self.repeats}: written down, and proves nothing"
        self.tell(Note("waiting", said, self.line.gauge))

    def begin_anew(self) -> None:
        """Forgets what was measured, after it was given up and written down."""
        self.over = False
        for taken in (self.values, self.zeros, self.zeros_after, self.raw):
            taken.clear()

    def conclude(self) -> None:
        """Evaluates what was measured, and writes it down."""
        description = self.line.stream.description
        check = evaluate_check(
            self.line.gauge,
            self.assigned,
            self.values,
            unit=self.assigned.unit,
            resolution=canonical_resolution(description),
            tolerance=self.tolerance,
            t_utc=self.t_utc,
            zero=self.zeros,
            zero_after=self.zeros_after,
            raw=self.raw,
            decision=self.decision,
            corrected=self.corrected,
        )
        self.record(check)

    def record(self, check: Check) -> None:
        """Writes a check down, then tells it."""
        self.logger.record_check(check, sync_recording=self.line.sync)
        self.check, self.over = check, True
        verdict = "can't tell" if check.verdict == "undecided" else check.verdict
        moved = f"; the zero moved by {check.zero_drift:+.2g} {check.unit}" if check.zero_drift else ""
        remarks = moved + "".join(f" ({remark})" for remark in check.remarks)
        self.tell(Note("check", f"{verdict}: {check.reason}{remarks}", self.line.gauge, check))


def canonical_resolution(description: GaugeDescription) -> float:
    """The gauge's display step in N, GU or strokes."""
    factor = newtons_per(description.unit) if description.quantity == "force" else 1.0
    return description.resolution * factor


class TileCheck:
    """A gloss tile: so many key presses, at the angle the tile's value is for."""

    def __init__(self, checking: Checking) -> None:
        self._checking = checking
        angle = f" at {checking.assigned.channel}°" if checking.assigned.channel else ""
        checking.say(
            f"put the meter on {checking.assigned.reference}{angle} and press {checking.repeats} times"
        )

    @property
    def done(self) -> bool:
        return self._checking.check is not None

    def take(self, taken: Taken) -> None:
        checking = self._checking
        channel = taken.details.get("channel")
        if taken.verdict == "refused":
            checking.refuse(taken)
        elif checking.assigned.channel is not None and channel not in (None, checking.assigned.channel):
            # Only told: by its bytes it is a good value, and the journal must say what the bytes say.
            said = f"measured at {channel}°, the check is at {checking.assigned.channel}°"
            checking.tell(Note("refused", said, checking.line.gauge))
        elif not self.done:
            checking.add(
                taken.value, taken.t_us, taken.first_byte, taken.last_byte, taken.opening, taken.ordinal
            )
            if checking.full:
                checking.conclude()

    def samples(self) -> None: ...

    def tick(self) -> None: ...

    def opened(self) -> None: ...

    def interrupted(self, why: str) -> None: ...

    def stop(self) -> None:
        self._checking.give_up()


class StrokeCheck:
    """A counter against strokes counted by hand: taken once the machine has stood still."""

    def __init__(self, checking: Checking) -> None:
        self._checking = checking
        self._base: float | None = None
        self._last: Taken | None = None
        self._seen_ns = 0
        self._invite()

    def _invite(self) -> None:
        wanted = self._checking.assigned.value
        self._checking.say(f"make exactly {wanted:g} strokes, counted by hand, then stop the machine")

    @property
    def done(self) -> bool:
        return self._checking.check is not None

    def take(self, taken: Taken) -> None:
        if taken.verdict == "refused":
            self._checking.refuse(taken)
            return
        gained = taken.details.get("gained")
        if self._base is None:
            self._base = taken.value - (gained if isinstance(gained, int) else 0)
        self._last, self._seen_ns = taken, self._checking.clock.monotonic_ns()

    def tick(self) -> None:
        last, base = self._last, self._base
        if last is None or base is None or self.done:
            return
        if (self._checking.clock.monotonic_ns() - self._seen_ns) / 1e9 > self._checking.stall_s:
            self._base = self._last = None
            strokes = last.value - base
            self._checking.add(
                strokes, last.t_us, last.first_byte, last.last_byte, last.opening, last.ordinal
            )
            if self._checking.full:
                self._checking.conclude()
            else:
                self._invite()

    def opened(self) -> None: ...

    def interrupted(self, why: str) -> None:
        """Strokes made while the counter was away prove nothing about it."""
        if self._last is not None:
            self._base = self._last = None
            self._checking.say("the counter was lost: what it had counted is left out")
            self._invite()

    def samples(self) -> None: ...

    def stop(self) -> None:
        self._checking.give_up()
