"""UV screening: does the treated film let less ultraviolet through than the bare one?

remaining = (treated / bare of the treated area) / (the same of the untreated control zone);  effect = 1 −
remaining, the mean over panels. The control zone, measured alongside, takes out a lamp that changed between
the two phases. A screening detects an effect or does not; not to detect one is no proof that there is none,
so the smallest effect that would have been detected always stands beside it.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import floor, log10

from acquire.model import Reading, Step, Test
from acquire.scoring.detection import critical_value, freedom_of, smallest_detectable
from acquire.scoring.gauges import GaugeErrors, silent_gauges
from acquire.scoring.method import Method
from acquire.scoring.paired import PHASES, Outcome, mean_of, set_result
from acquire.scoring.results import LeftOut, PanelResult, Score, Screening, SetResult
from acquire.scoring.scope import untouched
from acquire.scoring.selection import Selection, select, wanted
from acquire.scoring.uncertainty import Sources, Twin, Uncertain, average

CONTROL_ZONE = "control"
UNIT = "W/m2"

Means = Mapping[Step, Twin]


@dataclass(frozen=True, slots=True)
class _Change:
    """One panel: its effect in percent, and the same as it would be if the product did nothing."""

    panel: str
    effect: Twin
    null: Twin


def score_uv(
    readings: Iterable[Reading], method: Method, sources: Sources, trial_panels: Sequence[str]
) -> Outcome:
    """Screens one trial from its readings; there are no points where the method gives a screening none."""
    groups, elsewhere = _groups(readings)
    panels = sorted({step.panel for step in groups})
    chosen = {
        step: select(groups.get(step, ()), wanted(Test.UV, method), method)
        for panel in panels
        for step in _steps(panel, groups, method)
    }
    means = _means(chosen, sources)
    problems = list(_problems(chosen, means)) if panels else ["no readings yet"]
    problems += untouched(Test.UV, trial_panels, panels, "measured") if panels else []
    changes = [] if problems else [_change(panel, means) for panel in panels]
    screening = _screen(changes, method, sources) if changes else None
    if screening is not None and screening.smallest_detectable == 0:
        problems = ["the readings never differ and their gauge tells no display step: sensitivity unknown"]
        screening = None
    points = _worth(screening, method)
    sets = {step: _set(step, selection, means.get(step), method) for step, selection in chosen.items()}
    counting = [candidate for selection in chosen.values() for candidate in selection.used]
    score = Score(
        test=Test.UV,
        status="not given" if screening is None else "given",
        reasons=tuple(problems),
        points=None if points is None else sources.points(points, method.uncertainty.coverage),
        panels=tuple(_panel(panel, sets, changes, screening) for panel in panels),
        used=tuple(id_ for found in sets.values() for id_ in found.used),
        left_out=tuple(out for found in sets.values() for out in found.left_out) + tuple(elsewhere),
        flags=tuple(flag for found in sets.values() for flag in found.flags),
        marks=tuple(mark for found in sets.values() for mark in found.marks),
        notes=(
            *_notes(screening, chosen),
            *(f"{_place(step)}: {note}" for step, found in sets.items() for note in found.notes),
            *silent_gauges(counting),
        ),
        screening=screening,
    )
    return score, points


def _means(chosen: Mapping[Step, Selection], sources: Sources) -> dict[Step, Twin]:
    counting = [candidate for selection in chosen.values() for candidate in selection.used]
    errors = GaugeErrors("scale", UNIT, counting, sources)
    return {
        step: mean_of(_place(step), UNIT, selection.used, errors, sources)
        for step, selection in chosen.items()
        if selection.problem is None
    }


def _set(step: Step, selection: Selection, mean: Twin | None, method: Method) -> SetResult:
    figure = None if mean is None else mean.figure(UNIT)
    return set_result(step, wanted(Test.UV, method), selection, figure, figure)


def _panel(
    panel: str, sets: Mapping[Step, SetResult], changes: Sequence[_Change], screening: Screening | None
) -> PanelResult:
    """One panel; its own change is told only where the screening as a whole detected one."""
    figure = None
    if screening is not None and screening.detected:
        change = next(one for one in changes if one.panel == panel)
        figure = (Twin.sure(0) - change.effect).figure("%")
    own = tuple(found for step, found in sets.items() if step.panel == panel)
    return PanelResult(panel=panel, figure=figure, sets=own)


def _groups(readings: Iterable[Reading]) -> tuple[dict[Step, list[Reading]], list[LeftOut]]:
    groups: dict[Step, list[Reading]] = defaultdict(list)
    elsewhere: list[LeftOut] = []
    for reading in sorted(readings, key=lambda r: r.id):
        step = reading.step
        if step.test is not Test.UV:
            continue
        if step.stage:
            why = f"measured at wash stage {step.stage}; the method screens the unwashed panel"
            elsewhere.append(LeftOut(id=reading.id, why=why))
        elif step.zone not in (None, CONTROL_ZONE):
            why = f"measured on the {step.zone} zone; the method screens the treated area beside the control"
            elsewhere.append(LeftOut(id=reading.id, why=why))
        else:
            groups[step.model_copy(update={"stage": None})].append(reading)
    return groups, elsewhere


def _steps(panel: str, groups: Mapping[Step, Sequence[Reading]], method: Method) -> Iterator[Step]:
    """Bare and treated of the treated area, and of the control zone if it is asked for or was measured."""
    measured = any(step.panel == panel and step.zone == CONTROL_ZONE for step in groups)
    for zone in (None, CONTROL_ZONE) if measured or method.uv.control else (None,):
        for phase in PHASES:
            yield Step(test=Test.UV, panel=panel, phase=phase, zone=zone)


def _place(step: Step) -> str:
    zone = "" if step.zone is None else f" ({step.zone} zone)"
    return f"{step.phase} {step.test.value} on {step.panel}{zone}"


def _problems(chosen: Mapping[Step, Selection], means: Means) -> Iterator[str]:
    for step, selection in chosen.items():
        if selection.problem is not None:
            yield f"{_place(step)}: {selection.problem}"
        elif means[step].exact <= 0 and (step.phase == "bare" or step.zone == CONTROL_ZONE):
            yield f"{_place(step)}: no light to compare with; is the lamp on, and the gauge beneath it?"


def _change(panel: str, means: Means) -> _Change:
    def mean(phase: str, zone: str | None = None) -> Twin:
        return means[Step.model_validate({"test": Test.UV, "panel": panel, "phase": phase, "zone": zone})]

    reference = mean("bare")
    if any(step.panel == panel and step.zone == CONTROL_ZONE for step in means):
        reference = reference * (mean("treated", CONTROL_ZONE) / mean("bare", CONTROL_ZONE))
    treated = mean("treated")
    # Without effect the treated mean would be the reference; its own doubts would be no smaller.
    as_nothing = Twin(reference.exact, Uncertain(reference.uncertain.value, treated.uncertain.slopes))
    return _Change(panel, _less(treated, reference), _less(as_nothing, reference))


def _less(light: Twin, reference: Twin) -> Twin:
    return (Twin.sure(1) - light / reference) * Twin.sure(100)


def _screen(changes: Sequence[_Change], method: Method, sources: Sources) -> Screening:
    rules = method.uv
    effect = sources.points(average([change.effect for change in changes]), method.uncertainty.coverage)
    null = average([change.null for change in changes]).uncertain
    size, freedom = null.standard_uncertainty, freedom_of(null)
    critical = critical_value(size, rules.alpha, freedom)
    smallest = smallest_detectable(size, rules.alpha, rules.beta, freedom)
    detected = effect.unrounded > critical
    return Screening(
        detected=detected,
        words=_words(detected, effect.unrounded, effect.expanded_uncertainty, smallest),
        effect=effect.unrounded,
        standard_uncertainty=effect.standard_uncertainty,
        expanded_uncertainty=effect.expanded_uncertainty,
        coverage=effect.coverage,
        critical=critical,
        smallest_detectable=smallest,
        alpha=rules.alpha,
        beta=rules.beta,
        effective_degrees_of_freedom=freedom,
        budget=effect.budget,
    )


def _words(detected: bool, effect: float, expanded: float, smallest: float) -> str:
    if not detected:
        return f"no effect detected at this sensitivity (smallest detectable {smallest:.2g} %)"
    places = max(0, 1 - floor(log10(expanded))) if expanded > 0 else 1
    return f"effect detected: {effect:.{places}f} % ± {expanded:.{places}f} % less UV"


def _worth(screening: Screening | None, method: Method) -> Twin | None:
    worth = method.uv.points_if_detected
    if screening is None or worth == 0:
        return None
    return Twin.sure(worth if screening.detected else 0)


def _notes(screening: Screening | None, chosen: Mapping[Step, Selection]) -> Iterator[str]:
    if screening is None:
        return
    yield screening.words
    if screening.effect < -screening.critical:
        yield (
            f"{-screening.effect:.2g} % more UV with the product than without, beyond chance: look at lamp, "
            "distance and gauge before anything else"
        )
    lone = sorted({step.panel for step in chosen} - {s.panel for s in chosen if s.zone == CONTROL_ZONE})
    if lone:
        yield (
            f"no control zone was measured on {', '.join(lone)}: a lamp that changed in between would look "
            "like an effect"
        )
