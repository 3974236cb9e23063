"""Handling and appearance: a person's judgement on a scale, averaged over panels."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from acquire.model import Rating, Test
from acquire.scoring.method import Method, Scale
from acquire.scoring.paired import Outcome
from acquire.scoring.results import LeftOut, PanelResult, Score
from acquire.scoring.rounding import exact
from acquire.scoring.scope import untouched
from acquire.scoring.statistics import resolution_uncertainty
from acquire.scoring.uncertainty import Sources, Twin, average


def score_ratings(
    test: Test,
    ratings: Iterable[Rating],
    method: Method,
    sources: Sources,
    panels: Sequence[str],
) -> Outcome:
    """Scores handling or appearance. Several ratings of one panel are averaged before the panels are.

    Args:
        panels: of the trial; one that should be rated and is not withholds the score.
    """
    scale = scale_of(test, method)
    left_out: list[LeftOut] = []
    by_panel: dict[str, list[Rating]] = defaultdict(list)
    for rating in sorted(ratings, key=lambda r: (r.t_utc, r.id)):
        if rating.step.test is not test:
            continue
        why = unfit(rating, scale)
        if why is None:
            by_panel[rating.step.panel].append(rating)
        else:
            left_out.append(LeftOut(id=rating.id, why=why))
    means = {
        panel: average([_twin(rating, scale, sources) for rating in by_panel[panel]])
        for panel in sorted(by_panel)
    }
    problems = untouched(test, panels, means, "rated") if means else ["no rating on the method's scale yet"]
    points = None
    if not problems:
        centre = average(list(means.values())).rounded(scale.rounding.mean)
        points = (centre * Twin.sure(scale.points_per_unit)).rounded(scale.rounding.points)
    score = Score(
        test=test,
        status="not given" if points is None else "given",
        reasons=tuple(problems),
        points=None if points is None else sources.points(points, method.uncertainty.coverage),
        panels=tuple(PanelResult(panel=panel, figure=twin.figure("1")) for panel, twin in means.items()),
        used=tuple(rating.id for panel in means for rating in by_panel[panel]),
        left_out=tuple(left_out),
    )
    return score, points


def scale_of(test: Test, method: Method) -> Scale:
    """The method's scale for handling or appearance."""
    return method.handling if test is Test.HANDLING else method.appearance


def no_handling(ratings: Iterable[Rating]) -> Score:
    """What stands in place of handling on an untreated control."""
    why = "nothing is put on an untreated control, so it has no handling"
    rated = [rating for rating in ratings if rating.step.test is Test.HANDLING]
    return Score(
        test=Test.HANDLING,
        status="not given",
        reasons=(why,),
        points=None,
        panels=(),
        used=(),
        left_out=tuple(LeftOut(id=rating.id, why=why) for rating in rated),
    )


def unfit(rating: Rating, scale: Scale) -> str | None:
    """Why a rating does not count; None if it does."""
    if rating.step.phase != "treated" or rating.step.stage:
        return f"it judges {rating.step}; the method scores the treated, unwashed panel"
    try:
        value = exact(rating.value)
    except ValueError as error:
        return str(error)
    if not scale.has(value):
        return (
            f"{rating.value:g} is not on the scale from {scale.min} to {scale.max} in steps of {scale.step}"
        )
    return None


def _twin(rating: Rating, scale: Scale, sources: Sources) -> Twin:
    """A judgement is known to its step and no better."""
    uncertain = sources.make(
        rating.value,
        resolution_uncertainty(float(scale.step)),
        name=f"step of the scale, {rating.step}",
        unit="1",
        key=sources.own_key(f"step of the scale, {rating.id}"),
        distribution="rectangular",
    )
    return Twin.sure(exact(rating.value)).with_uncertain(uncertain)
