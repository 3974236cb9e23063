"""Control charts for checks: individuals with moving ranges, and the exponentially weighted mean (EWMA).

Formulas of NIST/SEMATECH e-Handbook sections 6.3.2.2 and 6.3.2.4, with exact constants. A chart is for
looking at: at three standard deviations one healthy check in 370 lies outside, so a single point is a reason
to check again. What counts as an alarm for a whole day is decided in `acquire.calibration.drift`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from acquire.calibration.series import D2, Floats

WIDTH = 3.0
"""Control limits in standard deviations."""
WEIGHT = 0.3
"""Share of the newest value in the EWMA, as in the e-Handbook's example."""
D4 = 1 + 3 * sqrt(2 - 4 / pi) / D2
"""Upper limit of the moving range in mean ranges: 3.26653."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Control limits of single values and of their moving ranges, in the values' unit."""

    centre: float
    lower: float
    upper: float
    range_upper: float

    def outside(self, value: float) -> bool:
        return not self.lower <= value <= self.upper


def moving_ranges(values: Sequence[float] | Floats) -> Floats:
    """Size of the change from each value to the next, shape (n - 1,)."""
    return np.abs(np.diff(np.asarray(values, dtype=np.float64)))


def individuals(values: Sequence[float] | Floats) -> Limits:
    """Limits from the values themselves: mean ± 3 mean moving ranges / d2.

    Raises:
        ValueError: fewer than two values.
    """
    if len(values) < 2:
        raise ValueError("an individuals chart needs at least two values")
    return limits(float(np.mean(values)), float(np.mean(moving_ranges(values))) / D2)


def limits(centre: float, sigma: float) -> Limits:
    """Limits around a known centre from a known standard deviation of single values."""
    return Limits(centre, centre - WIDTH * sigma, centre + WIDTH * sigma, D4 * D2 * sigma)


def ewma(values: Sequence[float] | Floats, *, start: float, weight: float = WEIGHT) -> Floats:
    """Exponentially weighted mean after each value, beginning at `start`; shape (n,)."""
    means, mean = [], start
    for value in values:
        mean = weight * float(value) + (1 - weight) * mean
        means.append(mean)
    return np.array(means)


def ewma_half_widths(count: int, sigma: float, *, weight: float = WEIGHT) -> Floats:
    """Distance of the EWMA's control limits from its start after 1 … `count` values; shape (count,).

    Narrower at the beginning, where the mean still is mostly its start; for many values it becomes
    3 sigma sqrt(weight / (2 - weight)).
    """
    grown = 1 - (1 - weight) ** (2 * np.arange(1, count + 1))
    return np.asarray(WIDTH * sigma * np.sqrt(weight / (2 - weight) * grown))
