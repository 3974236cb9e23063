"""One series of checks, looked at as a whole: charts, shape, forecast, and all of it in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from math import log

import numpy as np

from acquire.calibration.charts import Limits, ewma, ewma_half_widths, individuals, limits
from acquire.calibration.checks import Check
from acquire.calibration.drift import CLEAR, MIN_N, Judgement, chance, judge
from acquire.calibration.forecast import Forecast, forecast
from acquire.calibration.guard import acceptance_limit
from acquire.calibration.series import ENOUGH_N, Floats, Noise, Series, noise_of

HORIZON_H = 24.0
"""A drift over a day says nothing of the day after tomorrow."""
LONG_H = 48.0
"""A longer stretch is told by the day, and extended by `acquire.calibration.longrun` alone."""


@dataclass(frozen=True, slots=True)
class Study:
    """What a stretch of a series says. Values in the series' unit; arrays have one entry for each check."""

    series: Series
    earlier_n: int
    """Checks of the series before this stretch."""
    noise: Noise
    limits: Limits
    limits_said: str
    """For a person: what the control limits rest on."""
    ewma: Floats
    ewma_widths: Floats
    accepted: float
    """Deviation up to which a check passes: the tolerance less the guard band, by the newest check."""
    judgement: Judgement
    forecast: Forecast | None
    """Only for a drift; no other shape can be extended."""
    zone: tzinfo

    @property
    def start(self) -> datetime:
        return self.series.checks[0].t_utc

    @property
    def outside(self) -> list[bool]:
        """Which checks lie outside the control limits, by themselves or by the EWMA."""
        away = np.abs(self.ewma - self.limits.centre) > self.ewma_widths
        alone = [self.limits.outside(value) for value in self.series.deviations]
        return [bool(one or mean) for one, mean in zip(alone, away, strict=True)]

    @property
    def check_before(self) -> datetime | None:
        """Until then the drift leaves the gauge within what is accepted, with 97.5 % confidence."""
        hours = self.forecast.earliest_h if self.forecast else None
        return None if hours is None else self.time_of(hours)

    def time_of(self, hours: float) -> datetime:
        return self.start + timedelta(hours=hours)


def study(series: Series, earlier: Sequence[Check], zone: tzinfo) -> Study:
    """Studies a stretch of checks.

    Args:
        series: the stretch, at least one check.
        earlier: the checks of the same series before it.
        zone: of the bench, for days and times of day.
    """
    hours, deviations, newest = series.hours(), series.deviations, series.checks[-1]
    noise = noise_of(earlier, series.checks, zone)
    control, said = _control_limits(earlier, series, noise)
    judgement = judge(hours, deviations, noise)
    accepted = accepted_by(newest)
    coming = None
    if judgement.shape == "linear drift" and judgement.line is not None and float(hours[-1]) <= LONG_H:
        coming = forecast(judgement.line, accepted, after_h=float(hours[-1]), horizon_h=HORIZON_H)
    return Study(
        series=series,
        earlier_n=len(earlier),
        noise=noise,
        limits=control,
        limits_said=said,
        ewma=ewma(deviations, start=control.centre),
        ewma_widths=ewma_half_widths(len(deviations), (control.upper - control.centre) / 3),
        accepted=accepted,
        judgement=judgement,
        forecast=coming,
        zone=zone,
    )


def accepted_by(check: Check) -> float:
    """How large its deviation could have been to pass; 0 where nothing could."""
    return max(0.0, acceptance_limit(check.tolerance, check.expanded_uncertainty, check.guard))


def _control_limits(earlier: Sequence[Check], series: Series, noise: Noise) -> tuple[Limits, str]:
    """From the gauge's own history once there is enough of it; before, around what is shown itself.

    A failed check is no part of what is usual, unless there is nothing else.
    """
    good = [check.deviation + series.added for check in earlier if check.verdict != "fail"]
    sound = np.array([check.verdict != "fail" for check in series.checks])
    usual = series.deviations[sound] if sound.any() else series.deviations
    if len(good) <= ENOUGH_N < len(usual):
        return individuals(usual), f"mean and moving ranges of {len(usual)} checks shown here"
    if len(good) <= ENOUGH_N:
        said = f"the checks' own uncertainty, around their mean (from {ENOUGH_N + 1} checks on, from those)"
        return limits(float(np.mean(usual)), noise.sigma), said
    own = individuals(good)
    # Moving ranges see changes from check to check, the standard deviation also those from day to day.
    sigma = max((own.upper - own.centre) / 3, float(np.std(good, ddof=1)), noise.sigma)
    return limits(own.centre, sigma), f"mean and spread of {len(good)} earlier checks"


def in_words(found: Study) -> str:
    """The verdict in a sentence or two."""
    judgement, unit = found.judgement, _unit(found)
    failed = "The newest check failed." if found.series.checks[-1].verdict == "fail" else ""
    if not judgement.weights:
        few = f"Too few checks to see a movement: {MIN_N[found.noise.basis]} at different times are needed."
        return f"{failed} {few}".lstrip()
    said = {"steady": _steady, "linear drift": _drifts, "step": _stepped, "warming up": _settles}[
        judgement.shape
    ](found, unit)
    if judgement.moved:
        said += f" Chance alone would do this in {chance(judgement.p_value)} looks."
        if not judgement.clear:
            others = [(share, shape) for shape, share in judgement.weights.items() if share > 1 - CLEAR]
            shares = ", ".join(f"{shape} {100 * share:.0f} %" for share, shape in sorted(others)[::-1])
            said += f" Which shape it is cannot be told yet ({shares})."
    # What moved says why it failed; where nothing was seen to move, the failure is the news.
    return (f"{said} {failed}" if judgement.moved else f"{failed} {said}").strip()


def forecast_in_words(found: Study) -> str:
    """What is to be done, and by when; empty where there is nothing to foretell."""
    coming = found.forecast
    if coming is None:
        return ""
    limit = f"{coming.limit:+.3g} {_unit(found)}"
    if found.check_before is None or coming.earliest_h is None:
        return f"At this rate {limit} (tolerance less guard band) is not reached within {HORIZON_H:g} h."
    now_h = float(found.series.hours()[-1])
    if coming.expected_h is not None and coming.expected_h <= now_h:
        return f"Check again now: the drift has reached {limit} (tolerance less guard band)."
    if coming.earliest_h <= now_h:
        return f"Check again now: the drift may have reached {limit} (tolerance less guard band) already."
    expected = "later than that" if coming.expected_h is None else _at(found, coming.expected_h)
    return (
        f"Check again before {_at(found, coming.earliest_h)}: the drift reaches {limit} (tolerance less "
        f"guard band) then at the earliest (97.5 % confidence), {expected} as it goes now."
    )


def _unit(found: Study) -> str:
    return "strokes" if found.series.unit == "1" else found.series.unit


def _at(found: Study, hours: float) -> str:
    t, start = (one.astimezone(found.zone) for one in (found.time_of(hours), found.start))
    return t.strftime("%H:%M" if t.date() == start.date() else "%Y-%m-%d %H:%M")


def _steady(found: Study, unit: str) -> str:
    n = len(found.series.checks)
    scatter = f"{found.judgement.sigma:.2g} {unit}"
    out = sum(found.limits.outside(value) for value in found.series.deviations)
    if out:
        lie = "1 lies" if out == 1 else f"{out} lie"
        lone = f"{lie} outside the control limits"
        return f"No lasting movement in {n} checks that scatter by {scatter}; {lone}."
    return f"No movement seen: nothing in {n} checks stands out of their scatter of {scatter}."


def _drifts(found: Study, unit: str) -> str:
    line = found.judgement.line
    assert line is not None, "a drift was fitted"
    long = float(found.series.hours()[-1]) > LONG_H
    hours, each = (24.0, "a day") if long else (1.0, "an hour")
    half = line.factor() * line.slope_uncertainty * hours
    slope = line.slope_per_h * hours
    return (
        f"Linear drift of {slope:+.2g} {unit} {each}"
        f" (95 %: {slope - half:+.2g} to {slope + half:+.2g} {unit})."
    )


def _stepped(found: Study, unit: str) -> str:
    index = found.judgement.at_index
    assert index is not None, "a step has a place"
    hours = found.series.hours()
    between = f"between {_at(found, float(hours[index - 1]))} and {_at(found, float(hours[index]))}"
    return (
        f"A step of {found.judgement.size:+.2g} {unit} {between}, as of a gauge that was dropped or knocked."
    )


def _settles(found: Study, unit: str) -> str:
    tau_h, size = found.judgement.tau_h, found.judgement.size
    assert tau_h is not None, "a settling curve has a time"
    settled_h = tau_h * log(max(np.e, abs(size) / found.judgement.sigma))
    return (
        f"Warming up: {abs(size):.2g} {unit} too {'high' if size > 0 else 'low'} at first against where "
        f"it settles, time constant {60 * tau_h:.0f} min, settled to within its scatter from "
        f"{_at(found, settled_h)} on."
    )
