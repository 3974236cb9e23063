"""Wash endurance: the highest stage a panel passes before it first fails earns that stage's points.

A finish that was cut through has failed at that stage, whatever water does. Points follow from counted
stages by rule, so they carry no standard uncertainty; between which two stages the product gave way is shown
instead.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from fractions import Fraction

from acquire.model import Inspection, Reading, Test
from acquire.scoring.method import Method, Wash
from acquire.scoring.paired import Outcome
from acquire.scoring.results import LeftOut, PanelResult, Score
from acquire.scoring.scope import untouched
from acquire.scoring.selection import unconfirmed
from acquire.scoring.strokes import Judged, judge, looked_at, stood
from acquire.scoring.uncertainty import Sources, Twin, average


def score_endurance(
    inspections: Sequence[Inspection],
    readings: Iterable[Reading],
    method: Method,
    sources: Sources,
    trial_panels: Sequence[str],
) -> Outcome:
    """Scores wash endurance from the inspections of one trial, in the journal's order.

    Args:
        readings: the trial's; those of strokes say with what gauge they were counted.
        trial_panels: of the trial; if the one to be washed was never inspected, the score is withheld.
    """
    rules = method.wash
    readings = list(readings)
    left_out, marks = looked_at(inspections, readings, method)
    by_panel, unfit = can_count(judge(inspections, readings, method))
    left_out += (LeftOut(id=inspection.id, why=why) for inspection, why in unfit)
    used: list[str] = []
    panels: list[PanelResult] = []
    notes: list[str] = []
    earned: list[Twin] = []
    for panel in sorted(by_panel):
        counted = until_failure(by_panel[panel], left_out)
        used += [inspection.id for inspection in counted]
        result, worth = _panel(panel, counted, rules)
        panels.append(result)
        earned.append(worth)
        notes += _notes(result, counted, rules)
        behind = {id_ for inspection in counted for id_ in inspection.readings}
        strokes = [reading for reading in readings if reading.id in behind]
        notes += (f"{panel}: {note}" for note in unconfirmed(strokes))
    if earned:
        problems = untouched(Test.WASH, trial_panels, by_panel, "inspected")
    else:
        problems = ["no inspection counts yet" if unfit else "no inspection yet"]
    points = None if problems else average(earned).rounded(rules.rounding)
    reasons = problems or list(_open_ends(panels, [inspection for inspection, _ in unfit], rules))
    score = Score(
        test=Test.WASH,
        status="not given" if points is None else "at least" if reasons else "given",
        reasons=tuple(reasons),
        points=None if points is None else sources.points(points, method.uncertainty.coverage),
        panels=tuple(panels),
        used=tuple(used),
        left_out=tuple(left_out),
        marks=tuple(marks),
        notes=tuple(notes),
    )
    return score, points


def can_count(
    judged: Iterable[Judged],
) -> tuple[dict[str, list[Inspection]], list[tuple[Inspection, str]]]:
    """Inspections that can count, by panel, and the others with the reason."""
    by_panel: dict[str, list[Inspection]] = defaultdict(list)
    unfit: list[tuple[Inspection, str]] = []
    for one in judged:
        if one.why_not is None:
            by_panel[one.inspection.panel].append(one.inspection)
        else:
            unfit.append((one.inspection, one.why_not))
    return by_panel, unfit


def _open_ends(panels: Iterable[PanelResult], unfit: Sequence[Inspection], rules: Wash) -> Iterable[str]:
    """Why the points are only a lower limit."""
    for result in panels:
        passed = result.highest_passed
        if passed is None or result.first_failed is not None or passed == rules.stages[-1].at:
            continue
        doubtful = [
            inspection.stage
            for inspection in unfit
            if inspection.panel == result.panel and not stood(inspection) and inspection.stage > passed
        ]
        if doubtful:
            yield f"{result.panel} failed at stage {doubtful[-1]}, in an inspection that does not count"
        else:
            yield f"{result.panel} has not failed yet, and stages remain"


def until_failure(inspections: Iterable[Inspection], left_out: list[LeftOut]) -> list[Inspection]:
    """The newest answer at each stage, by stage, up to and with the first failure."""
    newest: dict[int, Inspection] = {}
    for inspection in inspections:
        older = newest.get(inspection.stage)
        if older is not None:
            left_out.append(LeftOut(id=older.id, why=f"replaced by the later inspection {inspection.id}"))
        newest[inspection.stage] = inspection
    counted: list[Inspection] = []
    for stage in sorted(newest):
        if counted and not stood(counted[-1]):
            why = f"made after the panel had failed at stage {counted[-1].stage}"
            left_out.append(LeftOut(id=newest[stage].id, why=why))
        else:
            counted.append(newest[stage])
    return counted


def _panel(panel: str, counted: list[Inspection], rules: Wash) -> tuple[PanelResult, Twin]:
    passed = [inspection for inspection in counted if stood(inspection)]
    failed = [inspection for inspection in counted if not stood(inspection)]
    worth = {stage.at: stage.points for stage in rules.stages}
    points = Twin.sure(Fraction(worth[passed[-1].stage]) if passed else 0)
    result = PanelResult(
        panel=panel,
        figure=points.figure("points"),
        highest_passed=passed[-1].stage if passed else None,
        first_failed=failed[0].stage if failed else None,
        passed_strokes=passed[-1].strokes if passed else None,
        failed_strokes=failed[0].strokes if failed else None,
        cut_through=any(inspection.cut_through for inspection in failed),
    )
    return result, points


def _notes(result: PanelResult, counted: list[Inspection], rules: Wash) -> Iterable[str]:
    seen = [inspection.stage for inspection in counted]
    skipped = [str(stage.at) for stage in rules.stages if stage.at < seen[-1] and stage.at not in seen]
    if skipped:
        yield f"{result.panel} was not inspected at {', '.join(skipped)} {rules.unit}"
    if result.first_failed is not None:
        passed = "the start" if result.highest_passed is None else str(result.highest_passed)
        counts = _counts(result, rules)
        yield f"{result.panel} gave way between {passed} and {result.first_failed} {rules.unit}{counts}"
    for inspection in counted:
        yield from _beside_control(inspection)


def _counts(result: PanelResult, rules: Wash) -> str:
    """The strokes really counted, where the stages do not say the same."""
    stages = (result.highest_passed or 0, result.first_failed)
    strokes = (result.passed_strokes or 0, result.failed_strokes)
    if rules.unit == "strokes" and stages == strokes:
        return ""
    return f": between {strokes[0]} and {strokes[1]} strokes as counted"


def _beside_control(inspection: Inspection) -> Iterable[str]:
    where = f"{inspection.panel} at stage {inspection.stage}"
    if inspection.cut_through:
        water = ", although water still behaved" if inspection.passed else ""
        yield f"{where}: the finish was cut through, worse than the untreated control; failed{water}"
    if stood(inspection) and inspection.against_control in ("same", "worse"):
        than = "as on" if inspection.against_control == "same" else "worse than on"
        yield f"{where}: passed, although water behaved {than} the untreated control"
