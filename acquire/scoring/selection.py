"""Which readings of a panel and phase count. Nothing vanishes: what does not count is listed with its reason.

In this order: it must be the right measurement; the method's rule for its stamp; a person's ruling; outliers;
extras beyond the number asked for. A ruling goes before the last two, never before the stamp rule: what
to do with a gauge that was not in tolerance is the method's to say, openly and beforehand.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from acquire.model import Reading, Step, Test
from acquire.scoring.method import Method, OutlierRules
from acquire.scoring.results import Flag, LeftOut, Mark
from acquire.scoring.statistics import grubbs, mean


@dataclass(frozen=True, slots=True)
class Candidate:
    """A reading with the value that counts (for a pull, its first or highest break), corrected if it was."""

    reading: Reading
    value: float


RULED_OUT = "a person ruled that it does not count"

ValueOf = Callable[[Reading], float | str]
"""The value that counts, or why the reading is none of this test's."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How many readings a panel and phase needs, and of what."""

    value_of: ValueOf
    asked: int
    least: int


@dataclass(frozen=True, slots=True)
class Selection:
    """The outcome for one panel and phase; `problem` says why it gives no mean."""

    taken: int
    used: tuple[Candidate, ...]
    left_out: tuple[LeftOut, ...]
    flags: tuple[Flag, ...]
    marks: tuple[Mark, ...]
    notes: tuple[str, ...]
    problem: str | None


def slip_value(counts: str) -> ValueOf:
    """Takes the first break, or the highest one as capture noted it in `details`."""

    def value_of(reading: Reading) -> float | str:
        if reading.quantity != "force" or reading.unit != "N":
            return f"a {reading.quantity} in {reading.unit}, where a force in N is needed"
        if counts == "first":
            return reading.value
        highest = reading.details.get("highest_n")
        if isinstance(highest, bool) or not isinstance(highest, int | float):
            return "the highest break counts, and this reading does not tell it"
        return float(highest)

    return value_of


def gloss_value(angle_deg: int) -> ValueOf:
    """Takes glosses measured at the method's angle (`details["angle_deg"]`) and no others."""

    def value_of(reading: Reading) -> float | str:
        if reading.quantity != "gloss" or reading.unit != "GU":
            return f"a {reading.quantity} in {reading.unit}, where a gloss in GU is needed"
        angle = reading.details.get("angle_deg")
        if angle is None:
            return f"its angle is not known; the method asks for {angle_deg} degrees"
        if angle != angle_deg:
            return f"measured at {angle} degrees; the method asks for {angle_deg}"
        return reading.value

    return value_of


def uv_value(reading: Reading) -> float | str:
    """Takes irradiances."""
    if reading.quantity != "irradiance" or reading.unit != "W/m2":
        return f"a {reading.quantity} in {reading.unit}, where an irradiance in W/m2 is needed"
    return reading.value


def wanted(test: Test, method: Method) -> Wanted:
    """What the method asks of one panel and phase in slip, gloss or UV screening.

    Raises:
        ValueError: the test is not made of readings.
    """
    if test is Test.SLIP:
        return Wanted(slip_value(method.slip.counts), method.slip.asked, method.slip.least)
    if test is Test.GLOSS:
        return Wanted(gloss_value(method.gloss.angle_deg), method.gloss.asked, method.gloss.least)
    if test is Test.UV:
        return Wanted(uv_value, method.uv.asked, method.uv.least)
    raise ValueError(f"{test.value} is not made of readings")


def flag_outliers(readings: Iterable[Reading], method: Method) -> dict[str, str]:
    """Which readings stand out from the others of their step, by id, and why.

    Extras are looked at too: they were measured on the same surface. Readings that a person ruled out, that
    their stamp leaves out, or that measure something else are not.
    """
    by_step: dict[tuple[str, Step], list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.step.test in (Test.SLIP, Test.GLOSS, Test.UV):
            by_step[reading.trial, reading.step].append(reading)
    flags: dict[str, str] = {}
    for (_, step), group in by_step.items():
        candidates, _, _ = _measured(group, wanted(step.test, method), method)
        flags |= _stand_out([c for c in candidates if c.reading.counts is not False], method.outliers)
    return flags


def select(readings: Iterable[Reading], want: Wanted, method: Method) -> Selection:
    """Decides which of the readings of one panel and phase count."""
    measured, left_out, taken = _measured(readings, want, method)
    kept: list[Candidate] = []
    for candidate in measured:
        if candidate.reading.counts is False:
            left_out.append(LeftOut(id=candidate.reading.id, why=RULED_OUT))
        else:
            kept.append(candidate)
    why_flagged = _stand_out(kept, method.outliers)
    if not method.outliers.count:
        kept = _without_outliers(kept, why_flagged, left_out)
    used = _without_extras(kept, want.asked, left_out)
    ids = {candidate.reading.id for candidate in used}
    flags = tuple(Flag(id=id_, why=why, counted=id_ in ids) for id_, why in why_flagged.items())
    return Selection(
        taken=taken,
        used=tuple(used),
        left_out=tuple(left_out),
        flags=flags,
        marks=tuple(marks((candidate.reading for candidate in used), method)),
        notes=tuple(_notes(measured, used, flags, taken, want)),
        problem=_problem(len(used), want),
    )


def _problem(used: int, want: Wanted) -> str | None:
    if used >= want.least:
        return None
    few = f"{used} of {want.asked} readings count"
    return few if want.least == want.asked else f"{few}, and the method wants {want.least} at least"


def _measured(
    readings: Iterable[Reading], want: Wanted, method: Method
) -> tuple[list[Candidate], list[LeftOut], int]:
    """In the order they were taken: what measures the right thing with a gauge the method lets pass."""
    candidates: list[Candidate] = []
    left_out: list[LeftOut] = []
    taken = 0
    for reading in sorted(readings, key=lambda r: (r.t_utc, r.t_mono_ns, r.id)):
        value = want.value_of(reading)
        if reading.correction is not None and not isinstance(value, str):
            value += reading.correction.amount
        if isinstance(value, str):
            left_out.append(LeftOut(id=reading.id, why=value))
        elif not math.isfinite(value):
            left_out.append(LeftOut(id=reading.id, why=f"its value is {value}"))
        else:
            taken += 1
            why = left_out_by_stamp(reading, method)
            if why is None:
                candidates.append(Candidate(reading, value))
            else:
                left_out.append(LeftOut(id=reading.id, why=why))
    return candidates, left_out, taken


def left_out_by_stamp(reading: Reading, method: Method) -> str | None:
    """Why the method leaves a reading out for its gauge's calibration state; None if it does not."""
    stamp = reading.stamp
    if method.stamps.rule(stamp.state) != "leave out":
        return None
    was = f"gauge {reading.gauge} was {stamp.state.value} ({stamp.reason})"
    return f"{was}: the method leaves such readings out"


def _without_outliers(
    kept: list[Candidate], why_flagged: dict[str, str], left_out: list[LeftOut]
) -> list[Candidate]:
    """Drops what stands out, unless a person ruled that it counts."""
    result: list[Candidate] = []
    for candidate in kept:
        reading = candidate.reading
        if reading.id in why_flagged and reading.counts is None:
            left_out.append(LeftOut(id=reading.id, why=f"outlier: {why_flagged[reading.id]}"))
        else:
            result.append(candidate)
    return result


def _without_extras(kept: list[Candidate], asked: int, left_out: list[LeftOut]) -> list[Candidate]:
    """Drops what came beyond the number asked for, unless a person ruled that it counts.

    A reading ruled out, or an outlier that does not count, has made room for a later one that was not offered
    as an extra.
    """
    result: list[Candidate] = []
    places = 0
    for candidate in kept:
        reading = candidate.reading
        places += not reading.extra
        if (reading.extra or places > asked) and reading.counts is not True:
            why = f"taken beyond the {asked} that the method asks for; it counts only if a person says so"
            left_out.append(LeftOut(id=reading.id, why=why))
        else:
            result.append(candidate)
    return result


def _stand_out(candidates: Sequence[Candidate], rules: OutlierRules) -> dict[str, str]:
    if len(candidates) < 3:
        return {}
    values = [candidate.value for candidate in candidates]
    outcome = grubbs(values, rules.level, rules.sides)
    centre = mean(values)
    flags: dict[str, str] = {}
    for index in outcome.outliers:
        reading = candidates[index].reading
        away = values[index] - centre
        # Where a gauge shows few digits, nine equal values make one step look like an outlier.
        if abs(away) <= rules.beyond_steps * reading.resolution * (1 + 1e-9):
            continue
        side = "above" if away > 0 else "below"
        kind = "two-sided" if rules.sides == "two" else "one-sided"
        flags[reading.id] = (
            f"{values[index]:.6g} {reading.unit} lies {abs(away):.3g} {side} the mean of {len(values)}: "
            f"Grubbs {outcome.statistic:.3f} > {outcome.critical:.3f} ({kind}, {100 * rules.level:g} %)"
        )
    return flags


def marks(used: Iterable[Reading], method: Method) -> Iterable[Mark]:
    """Which readings the method counts although their gauge was not in tolerance."""
    for reading in used:
        stamp = reading.stamp
        if method.stamps.rule(stamp.state) == "use and mark":
            yield Mark(id=reading.id, gauge=reading.gauge, state=stamp.state, reason=stamp.reason)


def unconfirmed(used: Iterable[Reading]) -> Iterable[str]:
    """That readings still wait for the check behind them, where their gauge's rule asks for one."""
    waits = [reading.stamp.closing_due and reading.bracket == "open" for reading in used]
    if any(waits):
        yield f"{sum(waits)} of the {len(waits)} readings used are not confirmed yet by a check behind them"


def _notes(
    measured: Iterable[Candidate], used: Sequence[Candidate], flags: Sequence[Flag], taken: int, want: Wanted
) -> Iterable[str]:
    if taken > want.asked:
        yield f"{taken} readings were taken although the method asks for {want.asked}; {len(used)} count"
    elif want.least <= len(used) < want.asked:
        yield f"only {len(used)} of the {want.asked} readings asked for count"
    typed = sum(candidate.reading.t_source == "typed in" for candidate in used)
    if typed:
        yield f"{typed} of the {len(used)} readings used were typed in by a person, not read from a gauge"
    yield from unconfirmed(candidate.reading for candidate in used)
    fits = [candidate.reading.correction.id for candidate in used if candidate.reading.correction is not None]
    if fits:
        names = ", ".join(sorted(set(fits)))
        yield f"{len(fits)} of the {len(used)} readings used are corrected as fitted ({names})"
    for flag in flags:
        yield f"outlier, {'counted' if flag.counted else 'not counted'}: {flag.why}"
    flagged = {flag.id for flag in flags}
    for candidate in measured:
        reading = candidate.reading
        if reading.counts is True:
            yield f"{reading.id} counts by a person's ruling"
        if reading.flagged is not None and reading.id not in flagged:
            yield f"{reading.id} was flagged when it was taken ({reading.flagged}), but not in this set"
