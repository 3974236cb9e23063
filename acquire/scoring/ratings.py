"""Handling and appearance: a person's judgement on a scale, averaged over panels."""

from collections import defaultdict
from collections.abc import Iterable
from fractions import Fraction

from acquire.model import Rating, Test
from acquire.scoring.method import Method, Scale
from acquire.scoring.paired import Outcome
from acquire.scoring.results import LeftOut, PanelResult, Score
from acquire.scoring.rounding import exact
from acquire.scoring.statistics import resolution_uncertainty
from acquire.scoring.uncertainty import Sources, Twin, average


def score_ratings(
    test: Test, scale: Scale, ratings: Iterable[Rating], method: Method, sources: Sources
) -> Outcome:
    """Scores handling or appearance. Several ratings of one panel are averaged before the panels are."""
    left_out: list[LeftOut] = []
    by_panel: dict[str, list[Rating]] = defaultdict(list)
    for rating in sorted(ratings, key=lambda r: (r.t_utc, r.id)):
        if rating.step.test is not test:
            continue
        why = _unfit(rating, scale)
        if why is None:
            by_panel[rating.step.panel].append(rating)
        else:
            left_out.append(LeftOut(id=rating.id, why=why))
    means = {
        panel: average([_twin(rating, scale, sources) for rating in by_panel[panel]])
        for panel in sorted(by_panel)
    }
    points = None
    if means:
        centre = average(list(means.values())).rounded(scale.rounding.mean)
        points = (centre * Twin.sure(scale.points_per_unit)).rounded(scale.rounding.points)
    score = Score(
        test=test,
        status="not given" if points is None else "given",
        reasons=("no rating on the method's scale yet",) if points is None else (),
        points=None if points is None else sources.points(points, method.uncertainty.coverage),
        panels=tuple(PanelResult(panel=panel, figure=twin.figure("1")) for panel, twin in means.items()),
        used=tuple(rating.id for panel in means for rating in by_panel[panel]),
        left_out=tuple(left_out),
    )
    return score, points


def _unfit(rating: Rating, scale: Scale) -> str | None:
    if rating.step.phase != "treated" or rating.step.stage:
        return f"it judges {rating.step}; the method scores the treated, unwashed panel"
    try:
        value = exact(rating.value)
    except ValueError as error:
        return str(error)
    on_scale = Fraction(scale.min) <= value <= Fraction(scale.max)
    if not on_scale or (value - Fraction(scale.min)) % Fraction(scale.step) != 0:
        return (
            f"{rating.value:g} is not on the scale from {scale.min} to {scale.max} in steps of {scale.step}"
        )
    return None


def _twin(rating: Rating, scale: Scale, sources: Sources) -> Twin:
    """A judgement is known to its step and no better."""
    name = f"step of the scale, {rating.step}, {rating.id}"
    uncertain = sources.make(rating.value, resolution_uncertainty(float(scale.step)), name=name, unit="1")
    return Twin.sure(exact(rating.value)).with_uncertain(uncertain)
