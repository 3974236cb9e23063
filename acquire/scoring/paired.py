"""What slip and gloss have in common: means of readings, bare against treated, panel by panel."""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from acquire.model import Phase, Reading, Step, Test
from acquire.scoring.gauges import GaugeErrors, silent_gauges
from acquire.scoring.method import GaugeError, Method
from acquire.scoring.results import Figure, LeftOut, PanelResult, Score, SetResult
from acquire.scoring.rounding import Rounding, exact_mean
from acquire.scoring.scope import untouched
from acquire.scoring.selection import Candidate, Selection, Wanted, select
from acquire.scoring.statistics import (
    mean,
    relative_sd_of_sd,
    resolution_uncertainty,
    sd,
    under_read_uncertainty,
)
from acquire.scoring.uncertainty import Distribution, Sources, Twin, Uncertain, average

PHASES: tuple[Phase, ...] = ("bare", "treated")


@dataclass(frozen=True, slots=True)
class Paired:
    """One such test, as the method describes it; the callables include the rounding of their stage."""

    test: Test
    want: Wanted
    gauge_error: GaugeError
    unit: str
    mean_rounding: Rounding | None
    result: Callable[[Twin], Twin]
    result_unit: str
    change: Callable[[Twin, Twin], Twin]
    """From bare and treated, in this order."""
    points: Callable[[Twin], Twin]


Outcome = tuple[Score, Twin | None]
"""A score, and its points for the total if it is given."""


def score_paired(
    spec: Paired, readings: Iterable[Reading], method: Method, sources: Sources, trial_panels: Sequence[str]
) -> Outcome:
    """Scores one test from the readings of one trial; a panel of it without any withholds the score."""
    groups, elsewhere = _groups(spec.test, readings)
    panels = sorted({panel for panel, _ in groups})
    chosen = {
        (panel, phase): select(groups.get((panel, phase), ()), spec.want, method)
        for panel in panels
        for phase in PHASES
    }
    counting = [candidate for selection in chosen.values() for candidate in selection.used]
    errors = GaugeErrors(spec.gauge_error, spec.unit, counting, sources)
    results: list[PanelResult] = []
    changes: list[Twin] = []
    problems: list[str] = [] if panels else ["no readings yet"]
    for panel in panels:
        results.append(_panel(spec, panel, chosen, errors, sources, changes))
        problems += [
            f"{phase} {spec.test.value} on {panel}: {chosen[panel, phase].problem}"
            for phase in PHASES
            if chosen[panel, phase].problem
        ]
    if panels:
        problems += untouched(spec.test, trial_panels, panels, "measured")
    points = None if problems else spec.points(average(changes))
    sets = [item for result in results for item in result.sets]
    score = Score(
        test=spec.test,
        status="not given" if points is None else "given",
        reasons=tuple(problems),
        points=None if points is None else sources.points(points, method.uncertainty.coverage),
        panels=tuple(results),
        used=tuple(id_ for item in sets for id_ in item.used),
        left_out=tuple(out for item in sets for out in item.left_out) + tuple(elsewhere),
        flags=tuple(flag for item in sets for flag in item.flags),
        marks=tuple(mark for item in sets for mark in item.marks),
        notes=(
            *(f"{item.phase} on {item.panel}: {note}" for item in sets for note in item.notes),
            *silent_gauges(counting),
        ),
    )
    return score, points


def _groups(
    test: Test, readings: Iterable[Reading]
) -> tuple[dict[tuple[str, Phase], list[Reading]], list[LeftOut]]:
    """Readings of the first comparison by panel and phase; those made after washing or beside the product."""
    groups: dict[tuple[str, Phase], list[Reading]] = defaultdict(list)
    elsewhere: list[LeftOut] = []
    own = [reading for reading in readings if reading.step.test is test]
    for reading in sorted(own, key=lambda r: r.id):
        step = reading.step
        if step.stage:
            why = f"measured at wash stage {step.stage}; the method scores the unwashed panel"
            elsewhere.append(LeftOut(id=reading.id, why=why))
        elif step.zone is not None:
            why = f"measured on the {step.zone} zone; the method scores the treated area"
            elsewhere.append(LeftOut(id=reading.id, why=why))
        else:
            groups[step.panel, step.phase].append(reading)
    return groups, elsewhere


def _panel(
    spec: Paired,
    panel: str,
    chosen: Mapping[tuple[str, Phase], Selection],
    errors: GaugeErrors,
    sources: Sources,
    changes: list[Twin],
) -> PanelResult:
    sets: list[SetResult] = []
    ends: list[Twin] = []
    for phase in PHASES:
        selection = chosen[panel, phase]
        centre = end = None
        if selection.problem is None:
            name = f"{phase} {spec.test.value} on {panel}"
            centre = mean_of(name, spec.unit, selection.used, errors, sources).rounded(spec.mean_rounding)
            end = spec.result(centre)
            ends.append(end)
        step = Step(test=spec.test, panel=panel, phase=phase)
        mean_figure = None if centre is None else centre.figure(spec.unit)
        result_figure = None if end is None else end.figure(spec.result_unit)
        sets.append(set_result(step, spec.want, selection, mean_figure, result_figure))
    if len(ends) < len(PHASES):
        return PanelResult(panel=panel, figure=None, sets=tuple(sets))
    change = spec.change(*ends)
    changes.append(change)
    return PanelResult(panel=panel, figure=change.figure(spec.result_unit), sets=tuple(sets))


def mean_of(name: str, unit: str, used: Sequence[Candidate], errors: GaugeErrors, sources: Sources) -> Twin:
    """Mean of a set with all that makes it uncertain."""
    values = [candidate.value for candidate in used]
    count = len(values)
    # Neither divided by sqrt(count): readings that keep falling on the same display step average nothing
    # away, and at one sample rate and one way of pulling all peaks are under-read alike.
    step = max(candidate.reading.resolution for candidate in used)
    bound = mean([candidate.reading.under_read for candidate in used])
    own: tuple[tuple[str, float, int | None, Distribution], ...] = (
        ("repeatability", sd(values) / math.sqrt(count), count - 1, "normal"),
        ("resolution", resolution_uncertainty(step), None, "rectangular"),
        ("under-read peaks", under_read_uncertainty(bound), None, "rectangular"),
    )
    slopes = errors.of_mean(used)
    for what, size, freedom, distribution in own:
        made = sources.make(
            0.0, size, name=f"{what}, {name}", unit=unit, freedom=freedom, distribution=distribution
        )
        slopes.update(made.slopes)
    return Twin(exact_mean(values), Uncertain(mean(values), slopes))


def set_result(
    step: Step, want: Wanted, selection: Selection, centre: Figure | None, end: Figure | None
) -> SetResult:
    """One set for a scorecard: its mean and what that stands for, if it has them."""
    values = [candidate.value for candidate in selection.used]
    return SetResult(
        panel=step.panel,
        phase=step.phase,
        zone=step.zone,
        asked=want.asked,
        taken=selection.taken,
        used=tuple(candidate.reading.id for candidate in selection.used),
        left_out=selection.left_out,
        flags=selection.flags,
        marks=selection.marks,
        notes=selection.notes,
        problem=selection.problem,
        mean=centre,
        sd=None if centre is None else sd(values),
        sd_known_to=None if centre is None else relative_sd_of_sd(len(values)),
        result=end,
    )
