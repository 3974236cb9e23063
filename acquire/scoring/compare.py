"""Which differences between figures are real: every pair, with what they share taken off.

The difference of two figures keeps only what does not cancel of their shared errors. It is held against
Student's t at the degrees of freedom of just these remains (Welch and Satterthwaite), as Games and Howell do
for means of unequal variance. Many pairs are judged at once, so the probabilities are corrected by Holm's
method (Holm 1979, Scand. J. Statist. 6:65), which needs no assumption on how the pairs hang together: the
chance that even one difference is called real without being so stays below 1 - coverage.

Where one source is known by a single degree (the scatter of two trials) Welch's degrees of freedom promise
too much: in a simulation up to 13 of 100 pairs without a difference were called different at 95 %. There the
difference has that single degree itself, unless the source hardly matters.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from acquire.scoring.correlated import Correlated, Floats

Marks = NDArray[np.bool_]
# Sums of the same decimals in another order differ by less than this share; a difference so small is none.
SAME = 1e-12
MATTERS = 0.02
"""From this share of a difference's variance on, a source known by less than two degrees sets its freedom."""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """All pairs of some figures; every matrix has the shape (figures, figures)."""

    difference: Floats
    """Row minus column."""
    standard_uncertainty: Floats
    freedom: Floats
    """Effective degrees of freedom of the difference; infinite where all its sources are known that well."""
    p: Floats
    """Probability of a difference at least as large if there were none; 1 on the diagonal."""
    adjusted: Floats
    """The same, corrected for the number of pairs."""
    real: Marks
    """Where `adjusted` is at most 1 - coverage."""


def compare(figures: Correlated, lower_limits: Marks, coverage: float) -> Comparison:
    """Compares every figure with every other.

    Args:
        figures: as `correlate` makes them; memory grows with the square of their number.
        lower_limits: shape (figures,): true where the figure is only a lower limit ("at least"). Such a
            figure may lie above another one for certain, and never below it.
        coverage: probability that no difference is called real without being so.
    """
    difference = figures.values[:, None] - figures.values[None, :]
    scale = np.abs(figures.values)
    difference[np.abs(difference) <= SAME * np.maximum(scale[:, None], scale[None, :])] = 0.0
    variance, below, hardly_known = _remains(figures)
    freedom = np.full_like(variance, math.inf)
    np.divide(variance**2, below, out=freedom, where=below > 0)
    freedom[hardly_known > MATTERS * variance] = 1.0
    uncertainty = np.sqrt(variance)
    p = _two_sided(difference, uncertainty, freedom)
    may_be_higher = lower_limits[:, None] & (difference < 0) | lower_limits[None, :] & (difference > 0)
    p[may_be_higher] = 1.0
    adjusted = np.ones_like(p)
    upper = np.triu_indices(len(p), k=1)
    adjusted[upper] = holm(p[upper])
    adjusted.T[upper] = adjusted[upper]
    return Comparison(difference, uncertainty, freedom, p, adjusted, adjusted <= 1 - coverage)


def holm(p: Floats) -> Floats:
    """Holm's step-down correction of probabilities that were found together."""
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _remains(figures: Correlated) -> tuple[Floats, Floats, Floats]:
    """Of each difference: variance, sum of squared variances over degrees, variance known by one degree."""
    own = figures.own_variance()
    own_below = np.array(
        [math.fsum(one.size**4 / one.kind.freedom for one in some) for some in figures.own], dtype=np.float64
    )
    own_hardly = np.array(
        [math.fsum(one.size**2 for one in some if one.kind.freedom < 2) for some in figures.own],
        dtype=np.float64,
    )
    variance = own[:, None] + own[None, :]
    hardly_known = own_hardly[:, None] + own_hardly[None, :]
    below = own_below[:, None] + own_below[None, :]
    # Source by source: from the covariance matrix, what cancels would leave its rounding errors behind.
    for column, kind in zip(figures.shared.T, figures.kinds, strict=True):
        left = (column[:, None] - column[None, :]) ** 2
        variance += left
        if math.isfinite(kind.freedom):
            below += left**2 / kind.freedom
        if kind.freedom < 2:
            hardly_known += left
    np.fill_diagonal(variance, 0.0)
    np.fill_diagonal(below, 0.0)
    return variance, below, hardly_known


def _two_sided(difference: Floats, uncertainty: Floats, freedom: Floats) -> Floats:
    # Counted stages carry no uncertainty: there, any difference at all is one.
    t = np.where(difference == 0, 0.0, -math.inf)
    np.divide(-np.abs(difference), uncertainty, out=t, where=uncertainty > 0)
    return np.asarray(2.0 * stdtr(freedom, t), dtype=np.float64)
