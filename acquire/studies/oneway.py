"""One-way analysis of variance, random model: how far groups differ beyond what repeating makes of them."""

import math
from collections.abc import Sequence

from scipy.special import fdtrc

from acquire.model import Model
from acquire.scoring.statistics import mean


class AnovaRow(Model):
    """One line of a table of variances; F and p None where it is not tested."""

    source: str
    freedom: int
    sum_of_squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


class OneWay(Model):
    """Between and within groups; standard deviations in the values' unit."""

    between: AnovaRow
    within: AnovaRow
    within_sd: float
    between_sd: float
    """Of the groups' true means; 0 where the estimate of its square came out negative."""
    clamped: bool
    """It did."""


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Analyses groups that need not be equally large.

    Raises:
        ValueError: fewer than two groups, an empty one, or no group with a repeat.
    """
    count = sum(len(group) for group in groups)
    if len(groups) < 2 or min(map(len, groups)) < 1 or count <= len(groups):
        raise ValueError("needs two groups at least, and one with more than one value")
    centres = [mean(group) for group in groups]
    # About the grand mean in two passes: one-pass sums lose all digits on values with a large offset.
    grand = mean([value for group in groups for value in group])
    across = math.fsum(
        len(group) * (centre - grand) ** 2 for group, centre in zip(groups, centres, strict=True)
    )
    inside = math.fsum(
        (value - centre) ** 2 for group, centre in zip(groups, centres, strict=True) for value in group
    )
    across_freedom, inside_freedom = len(groups) - 1, count - len(groups)
    ms_across, ms_inside = across / across_freedom, inside / inside_freedom
    typical = (count - sum(len(group) ** 2 for group in groups) / count) / across_freedom
    excess = (ms_across - ms_inside) / typical
    f, p = ratio_test(ms_across, across_freedom, ms_inside, inside_freedom)
    return OneWay(
        between=AnovaRow(
            source="between groups",
            freedom=across_freedom,
            sum_of_squares=across,
            mean_square=ms_across,
            f=f,
            p=p,
        ),
        within=AnovaRow(
            source="within groups",
            freedom=inside_freedom,
            sum_of_squares=inside,
            mean_square=ms_inside,
        ),
        within_sd=math.sqrt(ms_inside),
        between_sd=math.sqrt(max(0.0, excess)),
        clamped=excess < 0,
    )


def ratio_test(
    above: float, freedom_above: int, below: float, freedom_below: int
) -> tuple[float | None, float | None]:
    """F and its upper tail probability; None where nothing varies below."""
    if below == 0:
        return None, None
    f = above / below
    return f, float(fdtrc(freedom_above, freedom_below, f))
