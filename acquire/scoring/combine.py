"""Several trials of one product as one figure, with what their scatter tells.

The figure is the plain mean of the trials' points, so that anybody can work it out by hand and a combined
total stays the sum of its combined tests. Its uncertainty keeps three things apart: errors that trials share
do not average away; errors of one trial alone do; and trials may scatter more than both explain, because
panels, batches and days differ. That excess is found by the method of Mandel and Paule (Paule and Mandel
1982, J. Res. NBS 87:377): the variance that, added to each trial's own, makes the weighted scatter as large
as it should be. It was chosen over the one-step method of DerSimonian and Laird because trials of small
stated uncertainty do not decide it alone; where all are equally uncertain the two agree.
"""

import math
from collections import defaultdict
from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np

from acquire.scoring.correlated import Correlated, Floats, correlate, signed
from acquire.scoring.results import BudgetLine, Points
from acquire.scoring.statistics import effective_freedom, mean, student_factor

HALVINGS = 60
# An excess below this share of the trials' variance is where the halving ended, not a finding.
NOTHING = 1e-12


@dataclass(frozen=True, slots=True)
class Combined:
    """Points of several trials as one."""

    points: Points
    between_sd: float | None
    """How much the trials scatter beyond what their uncertainties explain; None for a single trial."""


def combine(points: Sequence[Points], elsewhere: Container[str] = ()) -> Combined:
    """Combines the points of one test, or the totals, of at least one trial of a product.

    Args:
        points: under one method and at one coverage.
        elsewhere: keys of errors that figures of other products share. They stay lines of their own in the
            budget, so that the combined figure stays correlated with those.
    """
    count = len(points)
    if count == 1:
        return Combined(points[0], None)
    figures = correlate(points)
    excess = mandel_paule(figures.values, _apart(figures))
    lines = _shared_and_own(points, figures, excess, elsewhere)
    places = 1 + max(len(one.text.partition(".")[2]) for one in points)
    value = mean([one.value for one in points])
    combined = _points(
        value, f"{value:.{places}f}", mean([one.unrounded for one in points]), lines, points[0]
    )
    return Combined(combined, math.sqrt(excess))


def mandel_paule(values: Floats, variances: Floats) -> float:
    """Variance between values beyond their own variances, by the method of Mandel and Paule; never negative.

    Args:
        values: at least two.
        variances: of each, without what all of them share.
    """
    most = float(np.var(values, ddof=1))
    wanted = len(values) - 1

    def scatter(excess: float) -> float:
        weights = 1 / (variances + excess)
        centre = (weights @ values) / weights.sum()
        return float(weights @ (values - centre) ** 2)

    if most == 0 or (variances.min() > 0 and scatter(0.0) <= wanted):
        return 0.0
    # The scatter falls as the excess grows, and at the plain variance of the values it is small enough.
    low, high = 0.0, most
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if scatter(middle) > wanted else (low, middle)
    return high if high > NOTHING * most else 0.0


def _apart(figures: Correlated) -> Floats:
    """The variance of each trial that lets it lie apart from the others: own errors, and shared unequally."""
    count = len(figures.values)
    uneven = figures.shared - figures.shared.mean(axis=0)
    spread: Floats = (uneven**2).sum(axis=1) * count / (count - 1)
    return figures.own_variance() + spread


def _shared_and_own(
    points: Sequence[Points], figures: Correlated, excess: float, elsewhere: Container[str]
) -> list[BudgetLine]:
    """The budget of the mean.

    Where trials scatter in excess, their own errors and the excess become one line: the scatter shows all of
    them at once, and is known no better than by one degree of freedom less than trials (as in GUM H.5). So
    the expanded uncertainty jumps up where an excess appears. Keeping the excess as a line beside the others
    would avoid that, but its intervals of 95 % held the truth less often (tried for 2 to 10 trials); of two
    trials neither kind does: about 87 % where trials scatter twice as much as their uncertainties say.
    """
    count = len(points)
    by_key: dict[str, list[BudgetLine]] = defaultdict(list)
    alone: list[BudgetLine] = []
    for one in points:
        for line in one.budget:
            (by_key[line.key] if line.key else alone).append(line)
    kept = [lines for key, lines in by_key.items() if len(lines) > 1 or key in elsewhere]
    alone += [lines[0] for key, lines in by_key.items() if len(lines) == 1 and key not in elsewhere]
    if excess == 0:
        return [_weighed(lines, count) for lines in [*kept, *([line] for line in alone)]]
    own = math.fsum(line.contribution**2 for line in alone)
    size = math.sqrt(own + count * excess) / count
    scatter = BudgetLine(
        source="errors of each trial alone, and scatter between the trials",
        sensitivity=1.0,
        standard_uncertainty=size,
        unit=points[0].unit,
        degrees_of_freedom=count - 1,
        contribution=size,
    )
    return [*(_weighed(lines, count) for lines in kept), scatter]


def _weighed(lines: Sequence[BudgetLine], count: int) -> BudgetLine:
    """One source's line in the mean of `count` trials."""
    first = lines[0]
    size = math.fsum(signed(line) for line in lines) / count
    unit_size = first.standard_uncertainty
    freedoms = [line.degrees_of_freedom for line in lines if line.degrees_of_freedom is not None]
    return first.model_copy(
        update={
            "sensitivity": size / unit_size if unit_size else 0.0,
            "degrees_of_freedom": min(freedoms, default=None),
            "contribution": abs(size),
        }
    )


def _points(value: float, text: str, unrounded: float, lines: Sequence[BudgetLine], like: Points) -> Points:
    freedom = effective_freedom((line.contribution, line.degrees_of_freedom) for line in lines)
    factor = student_factor(freedom, like.coverage)
    size = math.hypot(*(line.contribution for line in lines))
    return Points(
        value=value,
        text=text,
        unrounded=unrounded,
        standard_uncertainty=size,
        unit=like.unit,
        effective_degrees_of_freedom=freedom,
        coverage=like.coverage,
        coverage_factor=factor,
        expanded_uncertainty=factor * size,
        budget=tuple(sorted(lines, key=lambda line: (-line.contribution, line.source))),
    )
