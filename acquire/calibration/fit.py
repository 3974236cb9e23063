"""Least squares for a gauge's own calibration: a line or a parabola, with the covariance of its coefficients.

The fit assumes what the GUM's example H.3 assumes: scatter only in the ordinate, the same everywhere. What is
common to all points (the reference's own uncertainty) is not in it and stays a part of the stamp.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, sqrt

import numpy as np
from scipy.special import fdtrc

CURVATURE_LEVEL = 0.01
"""A parabola is taken only where so small a chance would make a line look as bent: one check in a hundred."""
PARABOLA_LEVELS_N = 4
"""Through three different abscissae every parabola fits, so that nothing could speak against it."""


@dataclass(frozen=True, slots=True)
class Fit:
    """y = sum of coefficients[k] * (x - about)**k, fitted between `lowest` and `highest`."""

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    about: float
    residual_sd: float
    degrees_of_freedom: int
    lowest: float
    highest: float

    @property
    def standard_uncertainties(self) -> tuple[float, ...]:
        """Of the coefficients."""
        return tuple(sqrt(row[k]) for k, row in enumerate(self.covariance))

    def correlation(self, first: int, second: int) -> float:
        """Between two coefficients; without scatter there is none to speak of, and it is 0."""
        sds = self.standard_uncertainties
        product = sds[first] * sds[second]
        return self.covariance[first][second] / product if product else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """Predicted value and its standard uncertainty, the coefficients' correlation included (GUM H.3)."""
        return predict(self.coefficients, self.covariance, x - self.about)


def predict(
    coefficients: Sequence[float], covariance: Sequence[Sequence[float]], away: float
) -> tuple[float, float]:
    """Value and standard uncertainty of a fitted polynomial, `away` from the point it was fitted about."""
    powers = np.power(away, np.arange(len(coefficients), dtype=float))
    variance = float(powers @ np.asarray(covariance) @ powers)
    return fsum(c * p for c, p in zip(coefficients, powers.tolist(), strict=True)), sqrt(max(variance, 0.0))


def fit_polynomial(
    x: Sequence[float],
    y: Sequence[float],
    *,
    degree: int = 1,
    about: float | None = None,
    least_sd: float = 0.0,
) -> Fit:
    """Fits a polynomial by ordinary least squares.

    Args:
        x: abscissae, shape (n,); n exceeds degree + 1.
        y: ordinates, shape (n,).
        about: the coefficients are of powers of (x - about); the middle of x if left out, where the
            coefficients correlate least.
        least_sd: what one point scatters at least, such as by the display step: points that agree to the
            last digit shown do not make a fit without uncertainty.

    Raises:
        ValueError: too few points, or too few different abscissae.
    """
    freedom = len(x) - degree - 1
    if len(x) != len(y) or freedom < 1 or len(set(x)) <= degree:
        raise ValueError(f"a fit of degree {degree} needs more than {degree + 1} points at different places")
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    origin = float(np.mean(xs)) if about is None else about
    # In units of the range, so that the powers are of one size: newtons or pascals, no digits are lost.
    scale = float(np.max(np.abs(xs - origin))) or 1.0
    with warnings.catch_warnings():
        warnings.simplefilter("error", np.exceptions.RankWarning)
        try:
            found, unscaled = np.polyfit((xs - origin) / scale, ys, degree, cov="unscaled")
        except np.exceptions.RankWarning:
            raise ValueError("the points lie too close together for a fit") from None
    residuals = ys - np.polyval(found, (xs - origin) / scale)
    variance = fsum((residuals**2).tolist()) / freedom
    powers = scale ** np.arange(degree + 1, dtype=float)
    scatter = max(variance, least_sd**2)
    covariance = scatter * unscaled[::-1, ::-1] / np.outer(powers, powers)
    return Fit(
        coefficients=tuple((found[::-1] / powers).tolist()),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        about=origin,
        residual_sd=sqrt(variance),
        degrees_of_freedom=freedom,
        lowest=float(xs.min()),
        highest=float(xs.max()),
    )


def curvature_p(x: Sequence[float], y: Sequence[float], *, least_sd: float = 0.0) -> float:
    """How probable it is that points on a straight line look as bent as these: F-test of the square term.

    Args:
        least_sd: as `fit_polynomial`; a bend smaller than the display step is none.

    Raises:
        ValueError: as `fit_polynomial`, for a parabola.
    """
    line, parabola = (fit_polynomial(x, y, degree=degree) for degree in (1, 2))
    left = parabola.residual_sd**2
    explained = line.residual_sd**2 * line.degrees_of_freedom - left * parabola.degrees_of_freedom
    left = max(left, least_sd**2)
    if explained <= 0:
        return 1.0
    return 0.0 if left == 0 else float(fdtrc(1, parabola.degrees_of_freedom, explained / left))


def fit_curve(x: Sequence[float], y: Sequence[float], *, levels_n: int, least_sd: float = 0.0) -> Fit:
    """A straight line, or a parabola where the residuals of the line show curvature.

    Args:
        levels_n: how many different loads there were; fewer than four never make a parabola.

    Raises:
        ValueError: as `fit_polynomial`, for a line.
    """
    bendable = levels_n >= PARABOLA_LEVELS_N and len(x) > PARABOLA_LEVELS_N
    degree = 2 if bendable and curvature_p(x, y, least_sd=least_sd) < CURVATURE_LEVEL else 1
    return fit_polynomial(x, y, degree=degree, least_sd=least_sd)
