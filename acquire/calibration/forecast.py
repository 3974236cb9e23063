"""When a gauge that drifts will leave what is permitted, and how sure that is."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from acquire.calibration.drift import COVERAGE, Line


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a line reaches a limit. Times in hours on the line's axis; None: not within the horizon."""

    side: Literal["upper", "lower"]
    limit: float
    """With its sign, in the values' unit."""
    expected_h: float | None
    """The line itself is there."""
    earliest_h: float | None
    """The line's confidence band touches it: with 97.5 % confidence (for 95 % two-sided) not before."""
    latest_h: float | None
    """The other edge of the band is there; None where the slope may as well be nought."""
    coverage: float = COVERAGE


def forecast(
    line: Line, limit: float, *, after_h: float, horizon_h: float, coverage: float = COVERAGE
) -> Forecast:
    """Extends a line until it reaches `limit` on the side to which it moves.

    Args:
        limit: permitted deviation, at least 0.
        after_h: no time before this is told; what was reached earlier is told as this.
        horizon_h: nothing later than so many hours behind `after_h` is told.
    """
    sign = 1.0 if line.slope_per_h >= 0 else -1.0
    end_h, factor = after_h + horizon_h, line.factor(coverage)

    def beyond(t_h: float, share: float) -> float:
        t = np.array([t_h])
        return float(sign * line.at(t)[0] + share * factor * line.uncertainty_at(t)[0] - limit)

    def first(share: float) -> float | None:
        if beyond(after_h, share) >= 0:
            return after_h
        if beyond(end_h, share) < 0:
            return None
        # The excess is convex for the near edge and concave for the far one: it crosses nought only once.
        return float(brentq(beyond, after_h, end_h, args=(share,)))

    side: Literal["upper", "lower"] = "upper" if sign > 0 else "lower"
    return Forecast(side, sign * limit, first(0.0), first(1.0), first(-1.0), coverage)
