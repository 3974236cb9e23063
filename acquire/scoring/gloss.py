"""Gloss: what the product does to the panel's gloss at one angle.

change = treated − bare, panel by panel;  points = mean change × the rate for gain or for loss.
"""

from collections.abc import Iterable, Sequence

from acquire.model import Reading, Test
from acquire.scoring.method import Method
from acquire.scoring.paired import Outcome, Paired, score_paired
from acquire.scoring.selection import wanted
from acquire.scoring.uncertainty import Sources, Twin


def score_gloss(
    readings: Iterable[Reading], method: Method, sources: Sources, panels: Sequence[str]
) -> Outcome:
    """Scores gloss from the readings of one trial, which has these panels."""
    rules = method.gloss
    stages = rules.rounding

    def points(change: Twin) -> Twin:
        if change.exact >= 0:
            earned = change * Twin.sure(rules.points_per_unit_gained)
        else:
            earned = change * Twin.sure(-rules.points_per_unit_lost)
        return earned.rounded(stages.points)

    spec = Paired(
        test=Test.GLOSS,
        want=wanted(Test.GLOSS, method),
        gauge_error=rules.gauge_error,
        unit="GU",
        mean_rounding=stages.mean,
        result=lambda gloss: gloss,
        result_unit="GU",
        change=lambda bare, treated: (treated - bare).rounded(stages.change),
        points=points,
    )
    return score_paired(spec, readings, method, sources, panels)
