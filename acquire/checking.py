"""Checks of a gauge against a reference, hands-free: hang the weight, press the key, count the strokes."""

from collections.abc import Callable
from dataclasses import dataclass, field

from acquire.bench import Tolerance
from acquire.calibration.checks import Check, evaluate_check
from acquire.calibration.references import Assigned
from acquire.capture.levels import Level, LevelCapture
from acquire.capture.taken import Taken
from acquire.clock import Clock
from acquire.logger import Logger
from acquire.model import RawRef
from acquire.notes import Note, Tell
from acquire.tasks import STALL_S, Line
from acquire.units import newtons_per
from drivers.description import GaugeDescription

ON_SHARE = 0.5
"""A level of at least this share of what the weight should give is the weight; less is the empty hook."""


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
    values: list[float] = field(default_factory=list)
    zeros: list[float] = field(default_factory=list)
    raw: list[RawRef] = field(default_factory=list)
    check: Check | None = None

    def add(self, value: float, first_byte: int, last_byte: int, opening: int, ordinal: int) -> None:
        """Takes one value on the reference; the last one ends the check."""
        self.values.append(value)
        self.raw.append(
            RawRef(
                recording=self.line.source.recording,
                opening=opening,
                first_byte=first_byte,
                last_byte=last_byte,
                ordinal=ordinal,
            )
        )
        said = f"{len(self.values)} of {self.repeats} on {self.assigned.reference}: {value:.4g}"
        self.say(f"{said} {'strokes' if self.assigned.unit == '1' else self.assigned.unit}")
        if len(self.values) == self.repeats:
            self._conclude()

    def say(self, text: str) -> None:
        self.tell(Note("waiting", text, self.line.gauge))

    def _conclude(self) -> None:
        description = self.line.stream.description
        check = evaluate_check(
            self.line.gauge,
            self.assigned,
            self.values,
            unit=self.assigned.unit,
            resolution=canonical_resolution(description),
            tolerance=self.tolerance,
            t_utc=self.clock.utc(),
            zero=self.zeros,
            raw=self.raw,
        )
        self.logger.record_check(check, sync_recording=self.line.sync)
        self.check = check
        self.tell(Note("check", f"{check.verdict}: {check.reason}", self.line.gauge, check))


def canonical_resolution(description: GaugeDescription) -> float:
    """The gauge's display step in N, GU or strokes."""
    factor = newtons_per(description.unit) if description.quantity == "force" else 1.0
    return description.resolution * factor


class WeightCheck:
    """A check weight on a force gauge: empty hook, weight, empty hook, weight …; each taken once settled."""

    def __init__(self, checking: Checking) -> None:
        self._checking = checking
        stream = checking.line.stream
        timing = stream.description.timing
        resolution_n = canonical_resolution(stream.description)
        self._levels = LevelCapture(
            rate_hz=timing.rate_hz or 1.0 / (timing.period_s or 0.1),
            still_n=max(4 * resolution_n, 0.01 * checking.assigned.value),
            full_scale_n=stream.full_scale_n,
        )
        self._empty = False
        checking.say("leave the hook empty until the zero is taken")

    @property
    def done(self) -> bool:
        return self._checking.check is not None

    def samples(self) -> None:
        stream = self._checking.line.stream
        if stream.latest is None:
            return
        for level in self._levels.feed(stream.latest_t_us, stream.latest):
            if not self.done:
                self._take(level)

    def _take(self, level: Level) -> None:
        checking = self._checking
        if abs(level.value_n) < ON_SHARE * checking.assigned.value:
            if not self._empty:
                checking.zeros.append(level.value_n)
                checking.say(f"zero {level.value_n:+.3g} N taken: hang {checking.assigned.reference}")
            self._empty = True
        elif self._empty:
            self._empty = False
            zero_n = checking.zeros[-1]
            # Every placement is measured from the zero just before it, so drift between them cancels.
            checking.add(
                level.value_n - zero_n + checking.zeros[0],
                level.first_byte,
                level.last_byte,
                checking.line.stream.opening,
                0,
            )
            if not self.done:
                checking.say("take it off again")

    def take(self, taken: Taken) -> None: ...

    def tick(self) -> None: ...

    def stop(self) -> None: ...


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
            checking.tell(Note("refused", "; ".join(taken.reasons), checking.line.gauge))
        elif checking.assigned.channel is not None and channel not in (None, checking.assigned.channel):
            said = f"measured at {channel}°, the check is at {checking.assigned.channel}°"
            checking.tell(Note("refused", said, checking.line.gauge))
        elif not self.done:
            checking.add(taken.value, taken.first_byte, taken.last_byte, taken.opening, taken.ordinal)

    def samples(self) -> None: ...

    def tick(self) -> None: ...

    def stop(self) -> None: ...


class StrokeCheck:
    """A counter against strokes counted by hand: taken once the machine has stood still."""

    def __init__(self, checking: Checking) -> None:
        self._checking = checking
        self._base: float | None = None
        self._last: Taken | None = None
        self._seen_ns = 0
        checking.say(f"make exactly {checking.assigned.value:g} strokes, counted by hand, then stop")

    @property
    def done(self) -> bool:
        return self._checking.check is not None

    def take(self, taken: Taken) -> None:
        if taken.verdict == "refused":
            self._checking.tell(Note("refused", "; ".join(taken.reasons), self._checking.line.gauge))
            return
        gained = taken.details.get("gained")
        if self._base is None:
            self._base = taken.value - (gained if isinstance(gained, int) else 0)
        self._last, self._seen_ns = taken, self._checking.clock.monotonic_ns()

    def tick(self) -> None:
        last, base = self._last, self._base
        if last is None or base is None or self.done:
            return
        if (self._checking.clock.monotonic_ns() - self._seen_ns) / 1e9 > STALL_S:
            self._checking.add(last.value - base, last.first_byte, last.last_byte, last.opening, last.ordinal)
            self._base = self._last = None

    def samples(self) -> None: ...

    def stop(self) -> None: ...


CHECKS: dict[str, Callable[[Checking], WeightCheck | TileCheck | StrokeCheck]] = {
    "N": WeightCheck,
    "GU": TileCheck,
    "1": StrokeCheck,
}
"""Kind of check by the unit of the reference."""
