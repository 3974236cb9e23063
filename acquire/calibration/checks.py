"""A check: a gauge measured a reference; was it right?"""

from collections.abc import Sequence
from datetime import date, datetime
from math import hypot, isfinite, sqrt
from typing import Literal

from acquire.bench import Tolerance
from acquire.calibration.references import Assigned
from acquire.errors import ConfigError
from acquire.model import Model, RawRef
from acquire.scoring.statistics import effective_freedom, mean, resolution_uncertainty, sd, student_factor

_TWO_SIGMA = 0.9544997361036416

CheckVerdict = Literal["pass", "fail", "undecided"]


class Check(Model):
    """One check as it is kept: what was measured, against what, and the verdict. Values in `unit`."""

    gauge: str
    reference: str
    channel: str | None = None
    """Angle of a gloss check; it says nothing about other angles."""
    unit: Literal["N", "GU", "1"]
    t_utc: datetime
    zero: tuple[float, ...] = ()
    """Shown with nothing on the gauge, before."""
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
    """Mean minus assigned value."""
    standard_uncertainty: float
    """Of the deviation: reference, repeatability of readings and zero, display steps."""
    coverage_factor: float
    expanded_uncertainty: float
    """At 95.45 %."""
    tolerance: float
    verdict: CheckVerdict
    reason: str
    """One sentence for a person."""
    raw: tuple[RawRef, ...] = ()


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
    raw: Sequence[RawRef] = (),
) -> Check:
    """Turns what a gauge showed on a reference into a check.

    The verdict is by simple acceptance: a deviation up to the tolerance passes. Where the expanded
    uncertainty exceeds the tolerance, a small deviation proves nothing, and the check is undecided.

    Args:
        readings: values on the reference, in `unit`; at least one, all finite.
        resolution: display step of the gauge in `unit`.
        zero: values before, with nothing on the gauge; empty where the gauge needs none.

    Raises:
        ConfigError: the reference does not fit the gauge.
        ValueError: there is no reading, or one is not finite.
    """
    if assigned.unit != unit:
        raise ConfigError(
            f"gauge {gauge!r} measures in {unit}, reference {assigned.reference!r} is in {assigned.unit}",
            hint="choose a reference that fits the gauge",
        )
    if not readings or not all(isfinite(value) for value in (*readings, *zero)):
        raise ValueError("a check needs at least one reading, and finite values throughout")
    shown = mean(readings) - (mean(zero) if zero else 0.0)
    deviation = shown - assigned.value
    # A counter's step is no rounding: whole strokes are shown as they are.
    step = 0.0 if unit == "1" else resolution
    uncertainty, factor = _uncertainty(assigned.standard_uncertainty, step, readings, zero)
    permitted = tolerance.at(assigned.value)
    verdict = _verdict(deviation, factor * uncertainty, permitted)
    return Check(
        gauge=gauge,
        reference=assigned.reference,
        channel=assigned.channel,
        unit=unit,
        t_utc=t_utc,
        zero=tuple(zero),
        readings=tuple(readings),
        mean=shown,
        assigned=assigned.value,
        assigned_standard_uncertainty=assigned.standard_uncertainty,
        basis=assigned.basis,
        certificate=assigned.certificate,
        reference_due=assigned.due,
        deviation=deviation,
        standard_uncertainty=uncertainty,
        coverage_factor=factor,
        expanded_uncertainty=factor * uncertainty,
        tolerance=permitted,
        verdict=verdict,
        reason=_reason(verdict, deviation, factor * uncertainty, permitted, unit),
        raw=tuple(raw),
    )


def _uncertainty(
    reference: float, step: float, readings: Sequence[float], zero: Sequence[float]
) -> tuple[float, float]:
    """Standard uncertainty of the deviation and the factor that expands it to 95.45 %."""
    parts: list[tuple[float, float | None]] = [(reference, None)]
    for values in (readings, zero):
        if values:
            # Not divided by the number of values: equal values share one rounding.
            parts.append((resolution_uncertainty(step), None))
        if len(values) > 1:
            parts.append((sd(values) / sqrt(len(values)), len(values) - 1))
    return hypot(*(size for size, _ in parts)), student_factor(effective_freedom(parts), _TWO_SIGMA)


def _verdict(deviation: float, expanded: float, permitted: float) -> CheckVerdict:
    # A deviation of exactly the tolerance passes, whatever binary fractions make of its last digit.
    permitted *= 1 + 1e-9
    if abs(deviation) > permitted:
        return "fail"
    return "undecided" if expanded > permitted else "pass"


def _reason(verdict: CheckVerdict, deviation: float, expanded: float, permitted: float, unit: str) -> str:
    shown_unit = "strokes" if unit == "1" else unit
    text = f"deviation {deviation:+.3g} ± {expanded:.2g} {shown_unit}, tolerance {permitted:.3g} {shown_unit}"
    if verdict == "undecided":
        return f"{text}: the uncertainty is too large to decide; use a better reference or more readings"
    return text
