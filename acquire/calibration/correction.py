"""A fitted correction of a gauge: made from a multi-point check, in use only while a person says so.

    check ──fit──> Correction (journal) ──active_correction──> correction_at(value shown) ──> amount

A reading's value stays as the gauge showed it; the amount is kept beside it.
"""

from collections.abc import Iterable
from datetime import datetime
from math import sqrt
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from acquire.calibration.checks import Check, Corrected
from acquire.calibration.fit import fit_curve, predict
from acquire.errors import ConfigError
from acquire.model import AppliedCorrection, Model
from acquire.scoring.statistics import resolution_uncertainty

MARGIN_SHARE = 0.01
"""This share of its range beyond either end still belongs to a fit: no weight shows twice the very same."""


class Correction(Model):
    """A correction switched on, or off, by a person (journal kind "correction").

    amount = sum of coefficients[k] * (shown - reference_point)**k, to be added to what the gauge shows.
    """

    id: str
    """The same as that of its journal event."""
    gauge: str
    channel: str | None = None
    """Angle of a gloss correction; it is used for no other."""
    on: bool = True
    """False: from here on no correction is used, and the figures below are empty."""
    from_check: str | None = None
    """Id of the check it was fitted to."""
    unit: Literal["N", "GU", "1"]
    reference_point: float = 0.0
    coefficients: tuple[float, ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()
    """Of the coefficients, shape (n, n)."""
    residual_sd: float = 0.0
    degrees_of_freedom: int = 0
    lowest: float = 0.0
    highest: float = 0.0
    """Shown values the fit rests on; outside them it says nothing."""
    by: Annotated[str, Field(min_length=1)]
    reason: Annotated[str, Field(min_length=1)]
    t_utc: datetime

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        size = len(self.coefficients)
        if self.on and (not size or self.from_check is None):
            raise ValueError("a correction that is on needs its coefficients and the check they are from")
        if len(self.covariance) != size or any(len(row) != size for row in self.covariance):
            raise ValueError("the covariance must have a row and a column for each coefficient")
        return self

    def covers(self, shown: float) -> bool:
        """Whether the fit speaks for this value: from its lowest to its highest point, and a little more."""
        slack = MARGIN_SHARE * (self.highest - self.lowest)
        return self.lowest - slack <= shown <= self.highest + slack


def fit_correction(
    check: Check, *, id: str, from_check: str, by: str, reason: str, t_utc: datetime
) -> Correction:
    """The correction that a check at several loads asks for: assigned minus shown, over what was shown.

    The zero of each run is a point too: there the gauge was set to zero, and needs no correction. So the fit
    speaks for loads from none to the largest.

    Args:
        from_check: id of the check's journal event.

    Raises:
        ConfigError: it was no check at several loads.
    """
    if not check.points:
        raise ConfigError(
            f"{from_check} is a check at one value: it cannot tell how the deviation changes with the load",
            hint=f"check at several: panelwright check {check.gauge} --against WEIGHT,WEIGHT,WEIGHT",
        )
    runs_n = max(point.run for point in check.points)
    shown = [point.value for point in check.points] + [0.0] * runs_n
    amounts = [-point.deviation for point in check.points] + [0.0] * runs_n
    fit = fit_curve(
        shown,
        amounts,
        levels_n=len(check.references) + 1,
        least_sd=sqrt(2) * resolution_uncertainty(check.resolution),
    )
    return Correction(
        id=id,
        gauge=check.gauge,
        channel=check.channel,
        from_check=from_check,
        unit=check.unit,
        reference_point=fit.about,
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        residual_sd=fit.residual_sd,
        degrees_of_freedom=fit.degrees_of_freedom,
        lowest=fit.lowest,
        highest=fit.highest,
        by=by,
        reason=reason,
        t_utc=t_utc,
    )


def in_words(correction: Correction) -> str:
    """What a correction does, for a person: the amount at its ends and in the middle."""
    if not correction.on:
        return f"no correction is used for {correction.gauge}"
    unit = "strokes" if correction.unit == "1" else correction.unit
    shape = {1: "a constant", 2: "a straight line", 3: "a parabola"}[len(correction.coefficients)]
    places = (correction.lowest, (correction.lowest + correction.highest) / 2, correction.highest)
    said = []
    for shown in places:
        found = correction_at(correction, shown)
        assert found is not None, "its own range is covered"
        said.append(f"{found[0]:+.3g} ± {2 * found[1]:.2g} {unit} at {shown:.3g} {unit}")
    return (
        f"{shape} between {correction.lowest:.3g} and {correction.highest:.3g} {unit}: {', '.join(said)}"
        f" (± is twice the standard uncertainty of the fit alone; residual sd {correction.residual_sd:.2g}"
        f" {unit}, {correction.degrees_of_freedom} degrees of freedom)"
    )


def active_correction(
    history: Iterable[Correction], gauge: str, channel: str | None = None
) -> Correction | None:
    """The correction in use for a gauge: the newest one said of it, if that is on.

    Args:
        history: the journal's corrections, in its order.
    """
    newest = None
    for correction in history:
        if (correction.gauge, correction.channel) == (gauge, channel):
            newest = correction
    return newest if newest is not None and newest.on else None


def correction_at(correction: Correction, shown: float) -> tuple[float, float] | None:
    """What to add to a shown value, and the standard uncertainty (k = 1) of that amount from the fit alone.

    None where the value lies outside the range of the fit, or the correction is off: then nothing is added,
    and `not_corrected` says why.
    """
    if not correction.on or not correction.covers(shown):
        return None
    return predict(correction.coefficients, correction.covariance, shown - correction.reference_point)


def applied(correction: Correction, shown: float) -> AppliedCorrection | None:
    """The same as it is kept with what was corrected."""
    found = correction_at(correction, shown)
    if found is None:
        return None
    return AppliedCorrection(id=correction.id, amount=found[0], standard_uncertainty=found[1])


def corrected_by(correction: Correction | None) -> Corrected:
    """What a correction adds to a value shown, as a function; None adds nothing to any."""
    return lambda shown: None if correction is None else applied(correction, shown)


def not_corrected(correction: Correction, shown: float) -> str:
    """Why a value is left as it was shown, in words."""
    if not correction.on:
        return f"the correction of {correction.gauge} is switched off"
    unit = "strokes" if correction.unit == "1" else correction.unit
    return (
        f"{shown:.4g} {unit} lies outside {correction.lowest:.4g} to {correction.highest:.4g} {unit}, "
        f"where the correction of {correction.gauge} was fitted: nothing is added"
    )
