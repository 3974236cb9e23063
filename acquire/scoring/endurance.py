"""Wash endurance: the highest stage a panel passes before it first fails earns that stage's points.

Points follow from counted stages by rule, so they carry no standard uncertainty; between which two stages
the product gave way is shown instead.
"""

from collections import defaultdict
from collections.abc import Iterable
from fractions import Fraction

from acquire.model import Inspection, Test
from acquire.scoring.method import Method, Wash
from acquire.scoring.paired import Outcome
from acquire.scoring.results import LeftOut, PanelResult, Score
from acquire.scoring.uncertainty import Sources, Twin, average


def score_endurance(inspections: Iterable[Inspection], method: Method, sources: Sources) -> Outcome:
    """Scores wash endurance from the inspections of one trial."""
    rules = method.wash
    left_out: list[LeftOut] = []
    by_panel: dict[str, list[Inspection]] = defaultdict(list)
    for inspection in sorted(inspections, key=lambda i: (i.t_utc, i.id)):
        why = _unfit(inspection, rules)
        if why is None:
            by_panel[inspection.panel].append(inspection)
        else:
            left_out.append(LeftOut(id=inspection.id, why=why))
    used: list[str] = []
    panels: list[PanelResult] = []
    notes: list[str] = []
    earned: list[Twin] = []
    for panel in sorted(by_panel):
        counted = _until_failure(by_panel[panel], left_out)
        used += [inspection.id for inspection in counted]
        result, points = _panel(panel, counted, rules)
        panels.append(result)
        earned.append(points)
        notes += _notes(result, counted, rules)
    if not earned:
        reasons = ("no inspection yet",)
        score = _score(None, reasons, panels, used, left_out, notes, method, sources)
        return score, None
    points = average(earned).rounded(rules.rounding)
    passing = tuple(
        f"{result.panel} has not failed yet, and stages remain"
        for result in panels
        if result.first_failed is None and result.highest_passed != rules.stages[-1].at
    )
    return _score(points, passing, panels, used, left_out, notes, method, sources), points


def _unfit(inspection: Inspection, rules: Wash) -> str | None:
    if inspection.stage not in [stage.at for stage in rules.stages]:
        return f"{inspection.stage} {rules.unit} is no stage of the method"
    needed = rules.strokes_at(inspection.stage)
    # Only a pass can come too early: what has failed before its stage has failed at its stage.
    if inspection.passed and needed is not None and inspection.strokes < needed:
        return f"made at {inspection.strokes} strokes; stage {inspection.stage} begins at {needed}"
    return None


def _until_failure(inspections: Iterable[Inspection], left_out: list[LeftOut]) -> list[Inspection]:
    """The newest answer at each stage, by stage, up to and with the first failure."""
    newest: dict[int, Inspection] = {}
    for inspection in inspections:
        older = newest.get(inspection.stage)
        if older is not None:
            left_out.append(LeftOut(id=older.id, why=f"replaced by the later inspection {inspection.id}"))
        newest[inspection.stage] = inspection
    counted: list[Inspection] = []
    for stage in sorted(newest):
        if counted and not counted[-1].passed:
            why = f"made after the panel had failed at stage {counted[-1].stage}"
            left_out.append(LeftOut(id=newest[stage].id, why=why))
        else:
            counted.append(newest[stage])
    return counted


def _panel(panel: str, counted: list[Inspection], rules: Wash) -> tuple[PanelResult, Twin]:
    passed = [inspection.stage for inspection in counted if inspection.passed]
    failed = [inspection.stage for inspection in counted if not inspection.passed]
    worth = {stage.at: stage.points for stage in rules.stages}
    points = Twin.sure(Fraction(worth[passed[-1]]) if passed else 0)
    result = PanelResult(
        panel=panel,
        figure=points.figure("points"),
        highest_passed=passed[-1] if passed else None,
        first_failed=failed[0] if failed else None,
    )
    return result, points


def _notes(result: PanelResult, counted: list[Inspection], rules: Wash) -> Iterable[str]:
    seen = [inspection.stage for inspection in counted]
    skipped = [str(stage.at) for stage in rules.stages if stage.at < seen[-1] and stage.at not in seen]
    if skipped:
        yield f"{result.panel} was not inspected at {', '.join(skipped)} {rules.unit}"
    if result.first_failed is not None:
        passed = "the start" if result.highest_passed is None else str(result.highest_passed)
        yield f"{result.panel} gave way between {passed} and {result.first_failed} {rules.unit}"


def _score(
    points: Twin | None,
    reasons: tuple[str, ...],
    panels: list[PanelResult],
    used: list[str],
    left_out: list[LeftOut],
    notes: list[str],
    method: Method,
    sources: Sources,
) -> Score:
    given = points is not None
    return Score(
        test=Test.WASH,
        status="not given" if not given else "at least" if reasons else "given",
        reasons=reasons,
        points=None if points is None else sources.points(points, method.uncertainty.coverage),
        panels=tuple(panels),
        used=tuple(used),
        left_out=tuple(left_out),
        notes=tuple(notes),
    )
