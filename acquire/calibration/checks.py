"""A check: a gauge measured a reference; was it right?"""

from collections.abc import Callable, Sequence
from datetime import date, datetime
from itertools import pairwise
from math import hypot, isfinite, sqrt
from typing import Literal, TypedDict

from acquire.bench import Decision, Tolerance
from acquire.calibration.guard import CheckVerdict, acceptance_limit, conformance_probability, decide
from acquire.calibration.references import Assigned
from acquire.errors import ConfigError
from acquire.model import AppliedCorrection, Model, RawRef, UncertaintyPart
from acquire.scoring.statistics import effective_freedom, mean, resolution_uncertainty, sd, student_factor

_TWO_SIGMA = 0.9544997361036416
GUARDED = Decision()
"""What holds where the bench file says nothing else."""
Corrected = Callable[[float], AppliedCorrection | None]
"""What a correction in use adds to a value shown; None where it says nothing."""
EVALUATION = 2
"""Version of the rules below; checks of version 1 had no guard band and no pairs of zero and reading."""

__all__ = ["AbortedCheck", "Check", "CheckPoint", "CheckVerdict", "Trait", "evaluate_check"]


class CheckPoint(Model):
    """One load of a check at several loads. Forces in the check's unit."""

    reference: str
    run: int
    """From 1."""
    direction: Literal["up", "down"]
    """The largest load of a run ends its way up."""
    assigned: float
    assigned_standard_uncertainty: float
    shown: float
    zero: float
    """At that moment: between the zeros before and after the run, in proportion to time."""
    tolerance: float
    """What is permitted at this load."""
    t_us: int
    """When it was taken, on the recording's axis."""

    @property
    def value(self) -> float:
        """What was shown, zero taken off."""
        return self.shown - self.zero

    @property
    def deviation(self) -> float:
        return self.value - self.assigned


class Trait(Model):
    """One property of a gauge that a check at several loads found, held against the tolerance there."""

    name: Literal["linearity", "hysteresis", "repeatability", "return to zero"]
    value: float
    permitted: float
    where: str
    """At which load it was largest, or from what it was found."""

    @property
    def within(self) -> bool:
        """The tolerance itself still is."""
        return abs(self.value) <= self.permitted * (1 + 1e-9)


class Check(Model):
    """One check as it is kept: what was measured, against what, and the verdict. Values in `unit`."""

    gauge: str
    reference: str
    """Of a check at several loads: all of them, from the smallest, with commas between."""
    channel: str | None = None
    """Angle of a gloss check; it says nothing about other angles."""
    unit: Literal["N", "GU", "1"]
    t_utc: datetime
    zero: tuple[float, ...] = ()
    """Shown with nothing on the gauge, before each placement."""
    zero_after: tuple[float, ...] = ()
    """Shown with nothing on the gauge, after the last reading."""
    readings: tuple[float, ...]
    """Shown on the reference."""
    mean: float
    """Of the readings, zero taken off."""
    assigned: float
    assigned_standard_uncertainty: float
    basis: str
    certificate: str
    reference_due: date | None
    deviation: float
    """Mean minus assigned value; of the gauge as it shows, whatever correction is in use."""
    correction: AppliedCorrection | None = None
    """Of a gauge that is used with a correction: the verdict is on what this leaves of the deviation."""
    standard_uncertainty: float
    """Of the deviation: reference, repeatability of readings and zero, display steps."""
    coverage_factor: float
    expanded_uncertainty: float
    """At 95.45 %."""
    degrees_of_freedom: float | None = None
    """Effective, of the uncertainty; None: infinite."""
    parts: tuple[UncertaintyPart, ...] = ()
    """What `standard_uncertainty` is the root sum of squares of; empty in journals of earlier versions."""
    tolerance: float
    guard: float = 0.0
    """The guard band as a multiple of the expanded uncertainty; 0 is simple acceptance."""
    acceptance_limit: float | None = None
    """How large the deviation may be to pass: the tolerance less the guard band."""
    conformity: float | None = None
    """How probable it is that the true deviation lies within the tolerance."""
    verdict: CheckVerdict
    reason: str
    """One sentence for a person."""
    raw: tuple[RawRef, ...] = ()
    resolution: float = 0.0
    """Display step of the gauge."""
    at_reference: str | None = None
    """Of several loads the one with the worst deviation: readings, mean and all figures above are of it."""
    points: tuple[CheckPoint, ...] = ()
    """Of a check at several loads: each load, in the order it was hung."""
    traits: tuple[Trait, ...] = ()
    """Of a check at several loads: linearity, hysteresis, repeatability, return to zero."""
    remarks: tuple[str, ...] = ()
    """What a person should look at; the verdict does not depend on it."""
    evaluation: int = 1
    """Version of the rules it was evaluated by, `EVALUATION` at that time."""

    @property
    def references(self) -> tuple[str, ...]:
        """Every reference it was made against."""
        return tuple(dict.fromkeys(point.reference for point in self.points)) or (self.reference,)

    @property
    def worst_reference(self) -> str:
        """The reference whose error is in `standard_uncertainty`."""
        return self.at_reference or self.reference

    @property
    def remaining(self) -> float:
        """What is left of the deviation with the correction that was in use; all of it without one."""
        return self.deviation + (self.correction.amount if self.correction else 0.0)

    @property
    def zero_drift(self) -> float | None:
        """Last zero minus first; None where there are not two."""
        zeros = (*self.zero, *self.zero_after)
        return zeros[-1] - zeros[0] if len(zeros) > 1 else None


class AbortedCheck(Model):
    """A check that was begun and not brought to its end; what had been measured by then."""

    gauge: str
    reference: str
    channel: str | None = None
    unit: Literal["N", "GU", "1"]
    assigned: float
    zero: tuple[float, ...] = ()
    readings: tuple[float, ...] = ()
    wanted_n: int
    """So many readings on the reference were asked for."""
    t_utc: datetime
    raw: tuple[RawRef, ...] = ()


def evaluate_check(
    gauge: str,
    assigned: Assigned,
    readings: Sequence[float],
    *,
    unit: Literal["N", "GU", "1"],
    resolution: float,
    tolerance: Tolerance,
    t_utc: datetime,
    zero: Sequence[float] = (),
    zero_after: Sequence[float] = (),
    raw: Sequence[RawRef] = (),
    decision: Decision = GUARDED,
    corrected: Corrected = lambda shown: None,
) -> Check:
    """Turns what a gauge showed on a reference into a check; for the verdict see `guard.decide`.

    Where every reading has a zero of its own before it, the differences are what is evaluated, so that a zero
    that drifts slowly cancels; with a zero after the last one as well, each reading is held against the mean
    of the zeros on either side.

    Args:
        readings: values on the reference, in `unit`; at least one, all finite.
        resolution: display step of the gauge in `unit`.
        zero: values before, with nothing on the gauge; empty where the gauge needs none.
        zero_after: values after the last reading, with nothing on the gauge.
        corrected: the correction in use; the gauge is then judged as it is used, with it.

    Raises:
        ConfigError: the reference does not fit the gauge.
        ValueError: there is no reading, or one is not finite.
    """
    if assigned.unit != unit:
        raise ConfigError(
            f"gauge {gauge!r} measures in {unit}, reference {assigned.reference!r} is in {assigned.unit}",
            hint="choose a reference that fits the gauge",
        )
    if not readings or not all(isfinite(value) for value in (*readings, *zero, *zero_after)):
        raise ValueError("a check needs at least one reading, and finite values throughout")
    # A counter's step is no rounding: whole strokes are shown as they are.
    step = 0.0 if unit == "1" else resolution
    shown, scatter = _net(readings, zero, zero_after)
    parts = [*reference_parts(assigned), *scatter]
    if step:
        # Not divided by the number of values: equal values share one rounding.
        rounded_n = 2 if zero or zero_after else 1
        parts.append(rounding_part(step * sqrt(rounded_n)))
    added = corrected(shown)
    return Check(
        **judged(shown - assigned.value, parts, tolerance.at(assigned.value), decision, unit, added),
        gauge=gauge,
        reference=assigned.reference,
        channel=assigned.channel,
        unit=unit,
        t_utc=t_utc,
        zero=tuple(zero),
        zero_after=tuple(zero_after),
        readings=tuple(readings),
        mean=shown,
        assigned=assigned.value,
        assigned_standard_uncertainty=assigned.standard_uncertainty,
        basis=assigned.basis,
        certificate=assigned.certificate,
        reference_due=assigned.due,
        raw=tuple(raw),
        resolution=resolution,
        remarks=(*assigned.remarks, *_moved_zero((*zero, *zero_after), tolerance.at(assigned.value))),
        evaluation=EVALUATION,
    )


def _moved_zero(zeros: Sequence[float], permitted: float) -> list[str]:
    if len(zeros) < 2 or abs(zeros[-1] - zeros[0]) <= permitted:
        return []
    return ["the zero moved by more than the tolerance meanwhile: let the gauge warm up, look for a knock"]


def _net(
    readings: Sequence[float], zero: Sequence[float], zero_after: Sequence[float]
) -> tuple[float, list[UncertaintyPart]]:
    """Mean of the readings with the zero taken off, and what its scatter makes uncertain."""
    if len(zero) == len(readings):
        zeros = (*zero, *zero_after)
        base = [mean(sides) for sides in pairwise(zeros)] if len(zero_after) == 1 else zero
        pairs = [value - at for value, at in zip(readings, base, strict=True)]
        return mean(pairs), _scatter(pairs, "repeatability")
    every_zero = (*zero, *zero_after)
    shown = mean(readings) - (mean(every_zero) if every_zero else 0.0)
    return shown, _scatter(readings, "repeatability") + _scatter(every_zero, "repeatability of the zero")


def _scatter(values: Sequence[float], source: str) -> list[UncertaintyPart]:
    if len(values) < 2:
        return []
    return [repeatability_part(sd(values) / sqrt(len(values)), len(values) - 1, source)]


def repeatability_part(
    standard_uncertainty: float, freedom: float, source: str = "repeatability"
) -> UncertaintyPart:
    """What scatter makes uncertain; whoever uses it beyond its check gives the key the check's id."""
    return UncertaintyPart(
        source=source,
        key=f"check {source}",
        standard_uncertainty=standard_uncertainty,
        degrees_of_freedom=freedom,
    )


def rounding_part(step: float) -> UncertaintyPart:
    """What the display step makes uncertain."""
    return UncertaintyPart(
        source="display steps",
        key="check display steps",
        standard_uncertainty=resolution_uncertainty(step),
        distribution="rectangular",
    )


def reference_parts(assigned: Assigned) -> tuple[UncertaintyPart, ...]:
    """What makes the assigned value uncertain."""
    whole = UncertaintyPart(
        source=assigned.reference,
        key=f"reference {assigned.reference}",
        standard_uncertainty=assigned.standard_uncertainty,
    )
    return assigned.parts or (whole,)


class Judged(TypedDict):
    """Fields of a check that follow from its deviation."""

    deviation: float
    correction: AppliedCorrection | None
    standard_uncertainty: float
    coverage_factor: float
    expanded_uncertainty: float
    degrees_of_freedom: float | None
    parts: tuple[UncertaintyPart, ...]
    tolerance: float
    guard: float
    acceptance_limit: float
    conformity: float
    verdict: CheckVerdict
    reason: str


def judged(
    deviation: float,
    parts: Sequence[UncertaintyPart],
    permitted: float,
    decision: Decision,
    unit: str,
    added: AppliedCorrection | None = None,
) -> Judged:
    """The fields of a check that follow from a deviation and what makes it uncertain.

    What a correction adds is judged as it is used, without its own uncertainty: the check sees directly what
    it leaves.
    """
    left = deviation + (added.amount if added else 0.0)
    uncertainty = hypot(*(part.standard_uncertainty for part in parts))
    freedom = effective_freedom((part.standard_uncertainty, part.degrees_of_freedom) for part in parts)
    factor = student_factor(freedom, _TWO_SIGMA)
    expanded = factor * uncertainty
    limit = acceptance_limit(permitted, expanded, decision.guard)
    verdict = decide(left, expanded, permitted, decision.guard)
    conformity = conformance_probability(
        left, uncertainty, lower=-permitted, upper=permitted, freedom=freedom
    )
    return Judged(
        deviation=deviation,
        correction=added,
        standard_uncertainty=uncertainty,
        coverage_factor=factor,
        expanded_uncertainty=expanded,
        degrees_of_freedom=freedom,
        parts=tuple(parts),
        tolerance=permitted,
        guard=decision.guard,
        acceptance_limit=limit,
        conformity=conformity,
        verdict=verdict,
        reason=_reason(verdict, left, expanded, permitted, limit, conformity, unit, corrected=bool(added)),
    )


def _reason(
    verdict: CheckVerdict,
    deviation: float,
    expanded: float,
    permitted: float,
    limit: float,
    conformity: float,
    unit: str,
    *,
    corrected: bool,
) -> str:
    shown_unit = "strokes" if unit == "1" else unit
    what = "deviation left by the correction" if corrected else "deviation"
    # What binary fractions leave of nothing is said as nothing.
    deviation = round(deviation / permitted, 9) * permitted + 0.0 if permitted else deviation
    text = f"{what} {deviation:+.3g} ± {expanded:.2g} {shown_unit}, tolerance {permitted:.3g} {shown_unit}"
    if 0 <= limit < permitted:
        text += f" ({limit:.3g} {shown_unit} with guard band)"
    if verdict == "undecided" and (limit < 0 or expanded > permitted):
        return f"{text}: the uncertainty is too large to decide; use a better reference or more readings"
    chance = f"within tolerance with a probability of {percent(conformity)}"
    if verdict == "undecided":
        return f"{text}: too near the limit to decide, {chance}; take more readings or adjust the gauge"
    return f"{text}: {chance}"


def percent(share: float) -> str:
    """A probability for a person, never rounded up to a certainty it is not."""
    if share > 0.9995:
        return "more than 99.9 %"
    return "less than 0.1 %" if share < 0.0005 else f"{100 * share:.3g} %"
