"""What the checks of a day say together: has the gauge moved, and in which manner?

Four shapes are held against the deviations y of checks at times t, each with scatter sigma:

    steady          y = level
    linear drift    y = level + slope t
    step            y = level, and from some check on level + size     (a gauge that was dropped)
    warming up      y = level + size exp(-t / tau)                     (t since the first check)

Every curve that bends or jumps in its own way is one contrast c of the checks; c·y / sd(c·y) is a Student
value if nothing moved. The gauge has moved if the largest is less likely than `ALARM_P`. Which shape fits is
then a matter of the remaining squares, one more parameter costing two units (Akaike's criterion).

Sigma is that of the gauge's own history. Where there is none, a gauge may well scatter more from check to
check than each check knows of: then sigma is what remains beside the curve, with n - 2 degrees of freedom,
but no less than the checks' own uncertainty. Movements are then seen later, and no restless gauge is accused.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import exp, inf, log10, sqrt
from typing import Literal

import numpy as np
from scipy.special import stdtr, stdtrit

from acquire.calibration.series import Basis, Floats, Noise

Shape = Literal["steady", "linear drift", "step", "warming up"]

ALARM_P = 1e-4
"""Two-sided, of the best of all curves at one look. There are some twenty curves, and a day is looked at
after every check: chosen by simulation so that over ten checks a healthy gauge is accused in under 1 % of
days."""
MIN_N: Mapping[Basis, int] = {"history": 3, "own uncertainty": 5}
"""Two checks have no shape; and a scatter that the checks themselves must tell takes two more."""
CLEAR = 0.9
"""A shape is named without reserve from this share of Akaike weight on."""
COVERAGE = 0.95
WARM_UP_WITHIN_H = 16.0
"""No warm-up is looked for in a series that is longer than a working day."""
_TAUS_N = 12
_PENALTY: Mapping[Shape, float] = {"linear drift": 2.0, "step": 4.0, "warming up": 4.0}


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through deviations over time in hours, with what is known of it."""

    mid_h: float
    """Weighted mean of the times: there level and slope are uncorrelated."""
    level: float
    slope_per_h: float
    level_uncertainty: float
    slope_uncertainty: float
    freedom: float
    n: int

    def at(self, t_h: Floats) -> Floats:
        return np.asarray(self.level + self.slope_per_h * (t_h - self.mid_h))

    def uncertainty_at(self, t_h: Floats) -> Floats:
        """Standard uncertainty of the line, not of a single check."""
        return np.asarray(np.hypot(self.level_uncertainty, self.slope_uncertainty * (t_h - self.mid_h)))

    def factor(self, coverage: float = COVERAGE) -> float:
        """Two-sided Student factor."""
        return float(stdtrit(self.freedom, (1 + coverage) / 2))

    @property
    def p_value(self) -> float:
        """How likely so steep a slope is by chance, two-sided."""
        if self.slope_uncertainty == 0:
            return 1.0 if self.slope_per_h == 0 else 0.0
        return _two_sided(self.slope_per_h / self.slope_uncertainty, self.freedom)


def fit_line(t_h: Floats, values: Floats, sigma: Floats | None = None, *, freedom: float = inf) -> Line:
    """Weighted least squares of a straight line.

    Args:
        t_h: times in hours, shape (n,); not all equal.
        values: shape (n,).
        sigma: standard deviation of each value, shape (n,); None takes it, equal for all, from what
            remains, with n - 2 degrees of freedom.
        freedom: degrees of freedom with which `sigma` is known.

    Raises:
        ValueError: too few values, or all at one time.
    """
    needed = 2 if sigma is not None else 3
    if len(t_h) < needed or float(np.ptp(t_h)) == 0:
        raise ValueError(f"a line needs {needed} values at different times")
    weights = np.ones(len(t_h)) if sigma is None else sigma**-2
    total = float(weights.sum())
    mid_h, level = float(weights @ t_h) / total, float(weights @ values) / total
    away = t_h - mid_h
    spread = float(weights @ away**2)
    slope = float(weights @ (away * (values - level))) / spread
    scale = 1.0
    if sigma is None:
        freedom = len(t_h) - 2
        scale = sqrt(float(np.sum((values - level - slope * away) ** 2)) / freedom)
    return Line(mid_h, level, slope, scale / sqrt(total), scale / sqrt(spread), freedom, len(t_h))


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether and how a series moved. Sizes in the unit of the values, times in hours as they were given."""

    shape: Shape
    """The likeliest; "steady" unless `p_value` is below `ALARM_P`."""
    p_value: float
    """Of the curve that stands out most, if nothing had moved; 1 where there are too few checks to say."""
    weights: Mapping[Shape, float]
    """Akaike weights of the three that move; they add up to 1. Empty where there are too few checks."""
    line: Line | None
    """Fitted whatever the shape is."""
    sigma: float
    """The scatter of single checks that it was judged by."""
    size: float = 0.0
    """Step or settling amplitude; 0 for the other shapes."""
    at_index: int | None = None
    """First check after the step."""
    tau_h: float | None = None

    @property
    def moved(self) -> bool:
        return self.shape != "steady"

    @property
    def clear(self) -> bool:
        """Whether one shape stands out among those that move."""
        return self.moved and self.weights[self.shape] >= CLEAR


@dataclass(frozen=True, slots=True)
class _Curve:
    shape: Shape
    values: Floats
    at_index: int | None = None
    tau_h: float | None = None


def judge(t_h: Floats, values: Floats, noise: Noise) -> Judgement:
    """Judges a series of deviations.

    Args:
        t_h: times in hours, rising, shape (n,).
        values: deviations, shape (n,).
        noise: the scatter that nothing but chance gives.
    """
    if len(t_h) < 2 or float(np.ptp(t_h)) == 0:
        return Judgement("steady", 1.0, {}, None, noise.sigma)
    if len(t_h) < MIN_N[noise.basis]:
        line = fit_line(t_h, values, np.full(len(t_h), noise.sigma), freedom=noise.freedom)
        return Judgement("steady", 1.0, {}, line, noise.sigma)
    curves = list(_curves(t_h))
    fits = _fit_all(curves, values, noise)
    best = {shape: _largest(fits.gain, curves, shape) for shape in _PENALTY}
    found = {shape: index for shape, index in best.items() if index is not None}
    sigma = min(float(fits.sigma[index]) for index in found.values())
    scores = {shape: fits.gain[index] / sigma**2 - _PENALTY[shape] for shape, index in found.items()}
    top = max(scores.values())
    total = sum(exp((score - top) / 2) for score in scores.values())
    weights = {shape: exp((score - top) / 2) / total for shape, score in scores.items()}
    t = np.sqrt(fits.gain) / fits.sigma
    p_value = _two_sided(float(t.max()), fits.freedom)
    line = fit_line(t_h, values, np.full(len(t_h), fits.sigma[found["linear drift"]]), freedom=fits.freedom)
    if p_value >= ALARM_P:
        return Judgement("steady", p_value, weights, line, float(fits.sigma[int(t.argmax())]))
    shape = max(scores, key=lambda one: scores[one])
    index = found[shape]
    size = 0.0 if shape == "linear drift" else float(fits.size[index])
    curve = curves[index]
    scatter = float(fits.sigma[index])
    return Judgement(shape, p_value, weights, line, scatter, size, curve.at_index, curve.tau_h)


@dataclass(frozen=True, slots=True)
class _Fits:
    """Every curve fitted to the same values; arrays have one entry for each curve."""

    size: Floats
    gain: Floats
    """Sum of squares that the curve explains."""
    sigma: Floats
    freedom: float


def _fit_all(curves: list[_Curve], values: Floats, noise: Noise) -> _Fits:
    contrasts = np.array([curve.values for curve in curves])
    contrasts -= contrasts.mean(axis=1, keepdims=True)
    squares = (contrasts**2).sum(axis=1)
    products = contrasts @ values
    gain = products**2 / squares
    if noise.basis == "history":
        return _Fits(products / squares, gain, np.full(len(curves), noise.sigma), noise.freedom)
    freedom = len(values) - 2
    rest = np.maximum(0.0, float(((values - values.mean()) ** 2).sum()) - gain)
    sigma = np.maximum(noise.sigma, np.sqrt(rest / freedom))
    return _Fits(products / squares, gain, sigma, freedom)


def _curves(t_h: Floats) -> Iterator[_Curve]:
    since_h = t_h - t_h[0]
    yield _Curve("linear drift", since_h)
    for index in range(1, len(t_h)):
        yield _Curve("step", np.where(np.arange(len(t_h)) >= index, 1.0, 0.0), at_index=index)
    span_h = float(since_h[-1])
    # Three checks on a bend leave nothing to prove it by, and one slower than half the span is a line.
    if len(t_h) > 3 and span_h <= WARM_UP_WITHIN_H:
        for tau_h in np.geomspace(span_h / 20, span_h / 2, _TAUS_N):
            yield _Curve("warming up", np.exp(-since_h / tau_h), tau_h=float(tau_h))


def _largest(gain: Floats, curves: list[_Curve], shape: Shape) -> int | None:
    found = [index for index, curve in enumerate(curves) if curve.shape == shape]
    return max(found, key=lambda index: float(gain[index])) if found else None


def _two_sided(t: float, freedom: float) -> float:
    return float(2 * stdtr(freedom, -abs(t)))


def chance(p_value: float) -> str:
    """A small probability in words: "less than 1 in 10,000"."""
    if p_value >= 0.01:
        return f"{100 * p_value:.0f} in 100"
    power = min(9, int(-log10(max(p_value, 1e-12))))
    return f"less than 1 in {10**power:,}"
