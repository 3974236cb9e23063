"""The one door into scoring: everything a trial gave and a method in, a scorecard out.

No clock, no disk, no network: the same arguments give the same scorecard. Readings and ratings may come in
any order; inspections come in the order they were written down, because the newest answer at a stage counts.
"""

from collections import Counter
from collections.abc import Iterable, Sequence

from acquire.errors import MethodError
from acquire.model import Inspection, Rating, Reading, Test
from acquire.scoring.endurance import score_endurance
from acquire.scoring.gloss import score_gloss
from acquire.scoring.method import LocalGravity, Method
from acquire.scoring.paired import Outcome
from acquire.scoring.ratings import no_handling, score_ratings
from acquire.scoring.results import Scorecard, Total
from acquire.scoring.slip import score_slip
from acquire.scoring.uncertainty import Sources, total
from acquire.scoring.uv import score_uv


def score(
    method: Method,
    readings: Iterable[Reading],
    ratings: Iterable[Rating] = (),
    inspections: Iterable[Inspection] = (),
    *,
    trial: str,
    panels: Sequence[str] = (),
    control: bool = False,
    gravity: LocalGravity | None = None,
) -> Scorecard:
    """Scores one trial.

    Args:
        method: what counts, how it is rounded and what it earns.
        readings: stamped readings, of any trials; those of other trials are not looked at. A reading that a
            later event amended is given once, as amended.
        ratings: likewise.
        inspections: likewise, in the journal's order, whatever the clock said.
        trial: which trial.
        panels: all panels of the trial; a test that has not seen one of them is not given. Without them, what
            was measured is taken for all there is.
        control: the trial is an untreated control, which has no handling.
        gravity: local gravity from the bench; the method's own value goes before it.

    Returns:
        Scores for every test the method uses; one without enough data says why it is not given.

    Raises:
        MethodError: an id comes twice, so that something would count double.
    """
    own_readings = [reading for reading in readings if reading.trial == trial]
    own_ratings = [rating for rating in ratings if rating.trial == trial]
    own_inspections = [inspection for inspection in inspections if inspection.trial == trial]
    _refuse_repeats(
        [item.id for item in own_readings]
        + [item.id for item in own_ratings]
        + [item.id for item in own_inspections]
    )
    sources = Sources(trial)
    here = method.slip.gravity(gravity)
    outcomes: list[Outcome] = []
    if method.slip.used:
        outcomes.append(score_slip(own_readings, method, here, sources, panels))
    if method.gloss.used:
        outcomes.append(score_gloss(own_readings, method, sources, panels))
    if method.wash.used:
        outcomes.append(score_endurance(own_inspections, own_readings, method, sources, panels))
    if method.handling.used and control:
        outcomes.append((no_handling(own_ratings), None))
    elif method.handling.used:
        outcomes.append(score_ratings(Test.HANDLING, own_ratings, method, sources, panels))
    if method.appearance.used:
        outcomes.append(score_ratings(Test.APPEARANCE, own_ratings, method, sources, panels))
    if method.uv.used:
        outcomes.append(score_uv(own_readings, method, sources, panels))
    return Scorecard(
        trial=trial,
        control=control,
        method_title=method.title,
        method_sha256=method.sha256,
        scores=tuple(score for score, _ in outcomes),
        total=_total(outcomes, method, sources, needless=_needless(method, control)),
        assumptions=tuple(_assumptions(method, here)),
    )


def _needless(method: Method, control: bool) -> tuple[Test, ...]:
    """Tests that the total does not wait for: a screening that earns nothing, and what a control has not."""
    if control:
        return Test.HANDLING, Test.UV
    return (Test.UV,) if method.uv.points_if_detected == 0 else ()


def _refuse_repeats(ids: Iterable[str]) -> None:
    repeated = sorted(id_ for id_, count in Counter(ids).items() if count > 1)
    if repeated:
        raise MethodError(
            f"given more than once: {', '.join(repeated)}",
            hint="pass each reading, rating and inspection once, in its newest form",
        )


def _total(outcomes: Sequence[Outcome], method: Method, sources: Sources, needless: Sequence[Test]) -> Total:
    given = [points for _, points in outcomes if points is not None]
    missing = tuple(score.test for score, points in outcomes if points is None and score.test not in needless)
    open_ended = any(score.status == "at least" for score, _ in outcomes)
    return Total(
        status="incomplete" if missing else "at least" if open_ended else "complete",
        points=sources.points(total(given), method.uncertainty.coverage) if given else None,
        missing=missing,
    )


def _assumptions(method: Method, gravity: LocalGravity) -> Iterable[str]:
    if method.slip.used:
        yield (
            f"gravity {gravity.value_m_s2:.9g} m/s² "
            f"(standard uncertainty {gravity.standard_uncertainty_m_s2:.2g}): {gravity.basis}"
        )
        yield "a peak may be under-read, never over-read; the shown value stands, its doubt is counted"
    if method.uv.used:
        yield "UV screening compares what one gauge sees of one lamp; it says nothing of sunlight or of years"
    yield "points speak of the panels tested; how other panels would differ is not part of the uncertainty"
