"""Checks of a force gauge with weights, hands-free: what hangs is recognised, and taken once settled."""

from collections.abc import Mapping, Sequence
from typing import Literal

from acquire.calibration.checks import CheckPoint
from acquire.calibration.multipoint import evaluate_ladder
from acquire.calibration.references import Assigned
from acquire.capture.levels import Level, LevelCapture
from acquire.capture.taken import Taken
from acquire.checking import Checking, canonical_resolution
from acquire.tasks import Line

ON_SHARE = 0.5
"""A level of at least this share of what the weight should give is the weight, perhaps wrongly shown."""
EMPTY_SHARE = 0.1
"""A level within this share of the weight from the last zero is the empty hook."""
MOVED_SHARE = 0.05
"""A force that moved by this share of the weight has left its level."""
STILL_SHARE = 0.01
"""What a settled gauge may flicker, as a share of the weight; or four display steps, if that is more."""
CLEAR_OF_FLICKER = 1.25
"""So many times what it may flicker is a move, on a gauge whose steps are coarse for the weight."""


class Hook:
    """What hangs on a force gauge: settled levels, told apart into the empty hook and loads.

    Args:
        smallest_n: the smallest load that is to be recognised.
    """

    def __init__(self, line: Line, smallest_n: float) -> None:
        self._stream = line.stream
        timing = self._stream.description.timing
        still_n = max(4 * canonical_resolution(self._stream.description), STILL_SHARE * smallest_n)
        self._empty_n = max(EMPTY_SHARE * smallest_n, CLEAR_OF_FLICKER * still_n)
        self._half_n = ON_SHARE * smallest_n
        self._levels = LevelCapture(
            rate_hz=timing.rate_hz or 1.0 / (timing.period_s or 0.1),
            still_n=still_n,
            moved_n=max(MOVED_SHARE * smallest_n, CLEAR_OF_FLICKER * still_n),
            full_scale_n=self._stream.full_scale_n,
        )
        self.zero_n = 0.0
        """The newest zero that was taken."""

    def levels(self) -> list[Level]:
        """Levels reached with the newest chunk."""
        if self._stream.latest is None:
            return []
        return self._levels.feed(self._stream.latest_t_us, self._stream.latest)

    def is_empty(self, level: Level, *, after_load: bool) -> bool:
        """Whether nothing hangs there.

        Args:
            after_load: a load was just taken and is to come off: what is left then is a zero that moved,
                however far, and must be seen. Before a load, it may as well be a lighter weight.
        """
        return abs(self.load_n(level)) <= (self._half_n if after_load else self._empty_n)

    def load_n(self, level: Level) -> float:
        """What hangs there, the newest zero taken off."""
        return level.value_n - self.zero_n

    def reset(self) -> None:
        """The port was lost: the gauge may have set itself to zero meanwhile."""
        self._levels.reset()
        self.zero_n = 0.0


class WeightCheck:
    """A check weight on a force gauge: empty hook, weight, empty hook … empty hook; each once settled."""

    def __init__(self, checking: Checking) -> None:
        self._checking = checking
        self._hook = Hook(checking.line, checking.assigned.value)
        self._empty = False
        self._interrupted = False
        checking.say("leave the hook empty until the zero is taken")

    @property
    def done(self) -> bool:
        return self._checking.check is not None

    def samples(self) -> None:
        for level in self._hook.levels():
            if not self.done:
                self._take(level)

    def _take(self, level: Level) -> None:
        checking = self._checking
        if self._hook.is_empty(level, after_load=bool(checking.values) and not self._empty):
            if not self._empty:
                self._zero(level)
        elif not self._empty:
            checking.say(not_empty(level))
        elif abs(self._hook.load_n(level)) < ON_SHARE * checking.assigned.value:
            checking.say(wrong_load(self._hook.load_n(level), checking.assigned))
        else:
            self._empty = False
            checking.add_level(level)
            if not checking.full:
                checking.say("take it off again")
            elif self._interrupted:
                checking.conclude()
            else:
                checking.say("take it off, for the last zero")

    def _zero(self, level: Level) -> None:
        # One zero before each placement and one after the last: in the differences, drift cancels.
        checking = self._checking
        self._empty = True
        self._hook.zero_n = level.value_n
        checking.add_zero(level)
        if checking.full:
            checking.conclude()
        else:
            checking.say(f"zero {newtons(level.value_n)} N taken: hang {checking.assigned.reference}")

    def take(self, taken: Taken) -> None: ...

    def tick(self) -> None: ...

    def opened(self) -> None: ...

    def interrupted(self, why: str) -> None:
        """A gauge that was away may have set itself to zero: no reading is held against a zero from after."""
        self._interrupted = True
        self._hook.reset()
        if self._empty:
            self._empty = False
            self._checking.zeros.pop()
        if self.done:
            return
        if self._checking.full:
            self._checking.conclude()
        else:
            self._checking.say("leave the hook empty when the gauge is back: the zero is taken anew")

    def stop(self) -> None:
        self._checking.give_up()


def not_empty(level: Level) -> str:
    """What is said of a hook that should be empty."""
    return (
        f"{level.value_n:.3g} N hang on the hook: take it off first, for the zero;"
        " if nothing hangs there, set the gauge to zero"
    )


def newtons(value_n: float) -> str:
    """A zero as it is said: what binary fractions leave of nothing is nothing."""
    return f"{round(value_n, 6) + 0.0:+.3g}"


def wrong_load(load_n: float, assigned: Assigned) -> str:
    """What is said of a load that cannot be the weight."""
    return (
        f"{load_n:.3g} N hang on the hook, {assigned.reference} should give {assigned.value:.3g} N:"
        f" hang {assigned.reference}"
    )


LIKE_SHARE = 0.25
"""A load within this share of what a weight should give is that weight, or the gauge is beyond checking."""


class LadderCheck:
    """Weights on a force gauge from the smallest to the largest and back, `runs` times.

    An empty hook before, between and after the runs gives the zeros. Weights may be changed with the hook
    empty meanwhile; for a hysteresis without unloading, hang stacks (see `assigned_value`) and add to them.

    Args:
        assigned: what each load is worth, from the smallest to the largest; at least two.
        checking: shares its `assigned` among all of them.
    """

    def __init__(self, checking: Checking, assigned: Sequence[Assigned], *, runs: int) -> None:
        self._checking, self._runs = checking, runs
        self._assigned: Mapping[str, Assigned] = {one.reference: one for one in assigned}
        self._ladder: list[tuple[Assigned, Literal["up", "down"]]] = [(one, "up") for one in assigned]
        self._ladder += [(one, "down") for one in reversed(assigned[:-1])]
        self._hook = Hook(checking.line, assigned[0].value)
        self._run: list[tuple[Level, Assigned, Literal["up", "down"]]] = []
        self._open: Level | None = None
        """The zero before the run."""
        self._points: list[CheckPoint] = []
        checking.say("leave the hook empty until the zero is taken")

    @property
    def done(self) -> bool:
        return self._checking.check is not None

    @property
    def _next(self) -> tuple[Assigned, Literal["up", "down"]] | None:
        """The load that is due; None: the zero after the run is."""
        return self._ladder[len(self._run)] if len(self._run) < len(self._ladder) else None

    def samples(self) -> None:
        for level in self._hook.levels():
            if not self.done:
                self._take(level)

    def _take(self, level: Level) -> None:
        if self._hook.is_empty(level, after_load=bool(self._run)):
            if self._open is None or self._next is None:
                self._zero(level)
        elif self._open is None:
            self._checking.say(not_empty(level))
        elif self._next is None:
            self._checking.say("take it off, for the zero after the run")
        else:
            self._load(level, *self._next)

    def _load(self, level: Level, due: Assigned, direction: Literal["up", "down"]) -> None:
        load_n = self._hook.load_n(level)
        like = min(self._assigned.values(), key=lambda one: abs(one.value - load_n))
        if like is due and abs(load_n - due.value) <= LIKE_SHARE * due.value:
            self._run.append((level, due, direction))
            self._checking.add_level(level, on=due.reference)
            self._checking.say(self._invitation())
        elif not (self._run and like is self._run[-1][1]):  # else the one just taken, that was touched
            self._checking.say(wrong_load(load_n, due))

    def _invitation(self) -> str:
        if self._next is None:
            return "take everything off, for the zero after the run"
        due, direction = self._next
        return f"{direction}: hang {due.reference}"

    def _zero(self, level: Level) -> None:
        closes, opened = self._next is None, self._open
        self._hook.zero_n = level.value_n
        self._checking.zeros.append(level.value_n)
        self._checking.seen_us = level.t_us
        if closes and opened is not None:
            self._close(opened, level)
        self._open = level  # the zero after a run is the one before the next
        if self._checking.full:
            self._conclude()
        else:
            self._checking.say(f"zero {newtons(level.value_n)} N taken; {self._invitation()}")

    def _close(self, opened: Level, closed: Level) -> None:
        run = 1 + len(self._points) // len(self._ladder)
        lasted_us = closed.t_us - opened.t_us
        for level, assigned, direction in self._run:
            share = (level.t_us - opened.t_us) / lasted_us
            self._points.append(
                CheckPoint(
                    reference=assigned.reference,
                    run=run,
                    direction=direction,
                    assigned=assigned.value,
                    assigned_standard_uncertainty=assigned.standard_uncertainty,
                    shown=level.value_n,
                    zero=opened.value_n + share * (closed.value_n - opened.value_n),
                    tolerance=self._checking.tolerance.at(assigned.value),
                    t_us=level.t_us,
                )
            )
        self._run = []

    def _conclude(self) -> None:
        checking = self._checking
        check = evaluate_ladder(
            checking.line.gauge,
            list(self._assigned.values()),
            self._points,
            checking.zeros,
            resolution=canonical_resolution(checking.line.stream.description),
            t_utc=checking.t_utc,
            raw=checking.raw,
            decision=checking.decision,
            corrected=checking.corrected,
        )
        checking.record(check)

    def take(self, taken: Taken) -> None: ...

    def tick(self) -> None: ...

    def opened(self) -> None: ...

    def interrupted(self, why: str) -> None:
        """A gauge that was away may have set itself to zero: what was taken so far is given up, and kept."""
        if self.done:
            return
        self._hook.reset()
        self._checking.give_up()
        self._checking.begin_anew()
        self._run, self._points, self._open = [], [], None
        self._checking.say("leave the hook empty when the gauge is back: the check begins anew")

    def stop(self) -> None:
        self._checking.give_up()
