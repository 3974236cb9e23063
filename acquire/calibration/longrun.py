"""Checks over months: does the interval between calibrations fit this gauge?

ISO/IEC 17025:2017 asks for a calibration programme that is reviewed and adjusted (clause 6.4.7, number from
memory). What is looked at is one mean a day: checks of one day share that day's temperature and hands.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

import numpy as np

from acquire.calibration.checks import Check
from acquire.calibration.drift import Line, fit_line
from acquire.calibration.forecast import Forecast, forecast
from acquire.calibration.series import Floats, added_now

MIN_DAYS_N = 8
"""Six degrees of freedom: below that the band of an extrapolation is too wide to say anything."""
MIN_SPAN_DAYS = 30
HORIZON_DAYS = 5 * 365.25
TREND_P = 0.05


@dataclass(frozen=True, slots=True)
class LongRun:
    """Daily means of a series and their trend; times in days since `first`, values in the checks' unit."""

    first: date
    days: Floats
    means: Floats
    line: Line
    """Fitted in days where `Line` says hours; its uncertainty is from how daily means scatter about it."""
    limit: float
    coming: Forecast

    @property
    def trend(self) -> bool:
        """Whether a slope like this is unlikely by chance."""
        return self.line.p_value < TREND_P

    @property
    def earliest(self) -> date | None:
        """Not before this day the limit is reached, with 97.5 % confidence; None: not within five years."""
        return self._day(self.coming.earliest_h)

    @property
    def expected(self) -> date | None:
        return self._day(self.coming.expected_h)

    def _day(self, days: float | None) -> date | None:
        return None if days is None else self.first + timedelta(days=int(days))


def daily_means(checks: Sequence[Check], zone: tzinfo) -> dict[date, float]:
    """Mean deviation of each day in the bench's time zone, in order."""
    rows: dict[date, list[float]] = {}
    for check in checks:
        rows.setdefault(check.t_utc.astimezone(zone).date(), []).append(check.deviation)
    return {day: float(np.mean(row)) for day, row in sorted(rows.items())}


def long_run(
    checks: Sequence[Check], limit: float, zone: tzinfo, *, since: datetime | None = None
) -> LongRun | None:
    """The trend of a series over weeks and months.

    Args:
        checks: one series; failed checks count too, the gauge was like that.
        limit: permitted deviation, at least 0.
        since: newest calibration or adjustment; what was before it belongs to another state of the gauge.

    Returns:
        None where there are fewer than `MIN_DAYS_N` days with checks, or they span less than `MIN_SPAN_DAYS`.
    """
    means = daily_means([check for check in checks if since is None or check.t_utc >= since], zone)
    days = list(means)
    if len(days) < MIN_DAYS_N or (days[-1] - days[0]).days < MIN_SPAN_DAYS:
        return None
    t = np.array([float((day - days[0]).days) for day in days])
    values = np.array(list(means.values())) + added_now(checks)
    line = fit_line(t, values)
    coming = forecast(line, limit, after_h=float(t[-1]), horizon_h=HORIZON_DAYS)
    return LongRun(days[0], t, values, line, limit, coming)


def interval_in_words(found: LongRun, certificate_due: date | None, unit: str) -> str:
    """Advice on when to have the gauge calibrated again."""
    line = found.line
    year = 365.25
    half = line.factor() * line.slope_uncertainty * year
    rate = f"{line.slope_per_h * year:+.2g} ± {half:.2g} {unit} a year (95 %) over {len(found.days)} days"
    due = (
        "no certificate states a due date"
        if certificate_due is None
        else f"its certificate: {certificate_due}"
    )
    if not found.trend:
        return f"No trend: {rate}. Nothing speaks against the interval in use ({due})."
    if found.earliest is None:
        return f"Trend of {rate}: {found.limit:.2g} {unit} is not reached within five years ({due})."
    expected = "" if found.expected is None else f", {found.expected} as it goes now"
    if certificate_due is not None and found.earliest > certificate_due:
        told = f"That is after the calibration that is due anyway ({certificate_due})."
    else:
        told = f"Have it calibrated before that day ({due})."
    reached = f"±{found.limit:.2g} {unit} is reached on {found.earliest} at the earliest (97.5 %){expected}"
    return f"Trend of {rate}: {reached}. {told}"
