"""The few statistics that scoring rests on, each held against published values in tests/published."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from scipy.special import stdtrit

Sides = Literal["two", "upper", "lower"]


def mean(values: Sequence[float]) -> float:
    """Arithmetic mean, summed without loss.

    Raises:
        ValueError: there are no values.
    """
    if not values:
        raise ValueError("a mean needs at least one value")
    return math.fsum(values) / len(values)


def sd(values: Sequence[float]) -> float:
    """Standard deviation with n - 1, in two passes: sums of squares lose all digits on a large offset.

    Raises:
        ValueError: fewer than two values.
    """
    if len(values) < 2:
        raise ValueError("a standard deviation needs at least two values")
    centre = mean(values)
    return math.sqrt(math.fsum([(value - centre) ** 2 for value in values]) / (len(values) - 1))


@cache
def relative_sd_of_sd(count: int) -> float:
    """How well a standard deviation of `count` normal values is itself known, relative to its expectation.

    With the exact c4, not the short form 1/sqrt(2(n-1)), which is too small below ten values.
    """
    freedom = count - 1
    c4 = math.sqrt(2 / freedom) * math.exp(math.lgamma(count / 2) - math.lgamma(freedom / 2))
    return math.sqrt(1 - c4**2) / c4


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value anywhere within ± `half_width`."""
    return half_width / math.sqrt(3)


def resolution_uncertainty(step: float) -> float:
    """Standard uncertainty of one shown value, from the display step alone: step / sqrt(12)."""
    return step / math.sqrt(12)


def under_read_uncertainty(bound: float) -> float:
    """Standard uncertainty of a value, left as shown, that may be too low by anything from 0 to `bound`.

    The root mean square of such a deviation is bound / sqrt(3): the spread, bound / sqrt(12), and the
    uncorrected offset, bound / 2, together. It is not corrected because the sign alone is certain.
    """
    return bound / math.sqrt(3)


def student_factor(freedom: float | None, coverage: float) -> float:
    """Two-sided Student factor for `coverage`; `freedom` need not be whole, None means infinite.

    Effective degrees of freedom are used as they are, not cut to the next lower whole number: cutting would
    turn the 18.999 of the GUM's own example into 18, where the GUM itself says 19.
    """
    degrees = math.inf if freedom is None else freedom
    return float(stdtrit(degrees, (1 + coverage) / 2))


def effective_freedom(parts: Iterable[tuple[float, float | None]]) -> float | None:
    """Welch and Satterthwaite: effective degrees of freedom of a sum of independent contributions.

    Args:
        parts: (contribution to the standard uncertainty, its degrees of freedom or None for infinite).

    Returns:
        The degrees of freedom, or None if they are infinite.
    """
    parts = list(parts)
    variance = math.fsum(size**2 for size, _ in parts)
    if variance == 0:
        return None
    # Shares of the variance, not fourth powers of tiny numbers, which could underflow.
    below = math.fsum((size**2 / variance) ** 2 / freedom for size, freedom in parts if freedom is not None)
    return 1 / below if below > 0 else None


@cache
def grubbs_critical(count: int, level: float, sides: Sides) -> float:
    """Critical value of Grubbs' test for one outlier among `count` values, at the given level.

    Raises:
        ValueError: fewer than three values, among which nothing can stand out.
    """
    if count < 3:
        raise ValueError("Grubbs' test needs at least three values")
    tail = level / count if sides != "two" else level / (2 * count)
    t_squared = float(stdtrit(count - 2, 1 - tail)) ** 2
    return (count - 1) / math.sqrt(count) * math.sqrt(t_squared / (count - 2 + t_squared))


@dataclass(frozen=True, slots=True)
class Grubbs:
    """Outcome of one test: `outliers` holds the positions of the outlying value (several if equal)."""

    statistic: float
    critical: float
    outliers: tuple[int, ...]


def grubbs(values: Sequence[float], level: float, sides: Sides) -> Grubbs:
    """Grubbs' test for one outlier. It is made once: repeating it on what remains is a different test.

    Raises:
        ValueError: fewer than three values.
    """
    critical = grubbs_critical(len(values), level, sides)
    spread = sd(values)
    if spread == 0:
        return Grubbs(0.0, critical, ())
    sign = -1.0 if sides == "lower" else 1.0
    centre = mean(values)
    distances = [sign * (value - centre) for value in values]
    if sides == "two":
        distances = [abs(distance) for distance in distances]
    furthest = max(distances)
    statistic = furthest / spread
    if statistic <= critical:
        return Grubbs(statistic, critical, ())
    return Grubbs(statistic, critical, tuple(i for i, d in enumerate(distances) if d == furthest))
