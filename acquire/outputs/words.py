"""Numbers and events as people read them: the same spelling on the terminal and on paper."""

import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from math import floor, isclose, log10
from typing import Any

from pydantic import ValidationError

from acquire.calibration.brackets import Bracket
from acquire.calibration.checks import Check
from acquire.calibration.history import Incident
from acquire.chain import Event
from acquire.climate import in_words as climate_in_words
from acquire.model import (
    Amendment,
    BenchText,
    Climate,
    Inspection,
    Model,
    Rating,
    Reading,
    Refusal,
    StreamStart,
    Test,
    Trial,
)
from acquire.notebook import WrittenNote
from acquire.outputs import step_words
from acquire.protocol_events import (
    Application,
    Imported,
    KeptProtocol,
    PanelEvent,
    Sealed,
    StepEvent,
    Unsealed,
)
from acquire.publications import Publication
from acquire.scoring.results import Figure, LeftOut, PanelResult, Points, Score, Scorecard, SetResult
from acquire.scoring.strokes import stood

SYMBOLS = {"N": "N", "GU": "GU", "1": "strokes"}


def of_unit(value: float | None, unit: str) -> str:
    """A value with its unit, as of a gauge: "3.004 N", "91.2 GU", "10 strokes"."""
    return "no number" if value is None else f"{value:.5g} {SYMBOLS.get(unit, unit)}"


def expanded(points: Points) -> str:
    """Expanded uncertainty to two digits; empty where the points follow from counted stages by rule."""
    return f"{points.expanded_uncertainty:#.2g}".removesuffix(".") if points.expanded_uncertainty else ""


def plus_minus(points: Points | None) -> str:
    """What is written behind the points: " ± 0.47"; nothing where there is no uncertainty."""
    return f" ± {expanded(points)}" if points is not None and expanded(points) else ""


def points_of(points: Points | None, status: str = "given") -> str:
    """Points without their uncertainty; a lower limit is shown as one."""
    if points is None:
        return "–"
    return f"≥ {points.text}" if status == "at least" else points.text


def total_of(total: Points | None, parts: Iterable[Points | None], status: str) -> str:
    """A total with as many decimals as the points it is made of."""
    if total is None:
        return "–"
    places = max((_places(part.text) for part in parts if part is not None), default=0)
    return f"{'≥ ' if status == 'at least' else ''}{total.value:.{places}f}"


def measured(figure: Figure, alike: Iterable[Figure]) -> str:
    """A measured number to two digits of its standard uncertainty, or as the method rounds it if coarser.

    Args:
        alike: the figures of the same kind in the same score. A number that rounding left as it was cannot
            tell by itself that it was rounded; the others can.
    """
    group = [figure, *alike]
    size = figure.standard_uncertainty
    places = max(0, 1 - floor(log10(size))) if size > 0 else 6
    if size <= 0 or any(not isclose(one.value, one.unrounded, rel_tol=1e-12) for one in group):
        places = min(places, max(_places(one.text) for one in group))
    return f"{figure.value:.{places}f}"


def _places(text: str) -> int:
    return len(text.partition(".")[2])


def with_uncertainty(points: Points | None, status: str = "given") -> str:
    """Points ± expanded uncertainty."""
    return points_of(points, status) + plus_minus(points)


def coverage_of(points: Points) -> str:
    """What the number behind ± means: coverage, factor, degrees of freedom."""
    freedom = points.effective_degrees_of_freedom
    known = "" if freedom is None else f", {freedom:.0f} degrees of freedom"
    return f"{100 * points.coverage:g} % coverage, k = {points.coverage_factor:.2f}{known}"


def readings_used(score: Score) -> str:
    """How many were used of how many that were looked at."""
    return f"{len(score.used)} of {len(score.used) + len(score.left_out)}"


def title_of(test: Test) -> str:
    """The name of a test where a line begins with it; UV stays in capitals."""
    return test.value[0].upper() + test.value[1:]


def set_place(found: SetResult) -> str:
    """Which of a panel's sets: "bare", or "bare, control zone"."""
    return found.phase if found.zone is None else f"{found.phase}, {found.zone} zone"


def set_words(found: SetResult, score: Score) -> str:
    """The readings of one panel before or after the product, as one phrase."""
    if found.mean is None or found.result is None:
        return found.problem or "no mean"
    sets = [one for panel in score.panels for one in panel.sets]
    mean = measured(found.mean, [one.mean for one in sets if one.mean is not None])
    counted = f"{len(found.used)} of {found.taken} used"
    text = f"{mean} {found.mean.unit}, sd {found.sd or 0.0:.2g}, {counted}"
    if found.result.unit == found.mean.unit:
        return text
    friction = measured(found.result, [one.result for one in sets if one.result is not None])
    return f"friction {friction} from {text}"


def figure_words(panel: PanelResult, score: Score) -> str:
    """What one panel came to: its change, its rating, or how far its washing went."""
    figure = panel.figure
    if figure is None:
        return "not complete" if score.screening is None else score.screening.words
    if panel.sets:
        # A friction that fell is a gain, a gloss that rose is one.
        rose = (figure.value < 0) == (figure.unit == "1")
        what = {"1": "friction ", "%": "UV "}.get(figure.unit, "")
        unit = "" if figure.unit == "1" else f" {figure.unit}"
        alike = [one.result for other in score.panels for one in other.sets if one.result is not None]
        size = measured(figure, alike).lstrip("-")
        return f"{what}{size}{unit} {'higher' if rose else 'lower'} when treated"
    if panel.highest_passed is None and panel.first_failed is None:
        return figure.text
    passed = "no stage" if panel.highest_passed is None else f"stage {panel.highest_passed}"
    failed = "no failure so far" if panel.first_failed is None else f"failed at {panel.first_failed}"
    return f"passed {passed}, {failed}{' (finish cut through)' if panel.cut_through else ''}"


def gathered(left_out: Iterable[LeftOut]) -> list[tuple[str, list[str]]]:
    """Reasons in order, each with the ids it holds for."""
    by_reason: dict[str, list[str]] = defaultdict(list)
    for out in left_out:
        by_reason[out.why].append(out.id)
    return list(by_reason.items())


def marked(score: Score) -> list[tuple[str, str, list[str]]]:
    """Calibration states of readings that count all the same: state, reason, ids."""
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for mark in score.marks:
        found[mark.state.value, mark.reason].append(mark.id)
    return [(state, reason, ids) for (state, reason), ids in found.items()]


def other_notes(score: Score) -> list[str]:
    """Notes, without those that repeat what the flags tell."""
    return [note for note in score.notes if not note.partition(": ")[2].startswith("outlier, ")]


def in_words(event: Event) -> str:
    """One sentence for one event of the journal."""
    tell = _TELLERS.get(event.kind)
    if tell is None:
        return f"{event.kind}: {json.dumps(event.body, ensure_ascii=False)}"
    model, sentence = tell
    try:
        return sentence(model.model_validate(event.body))
    except ValidationError:
        return f"{event.kind} {event.id}: not what a {event.kind} says; verify the journal"


def _trial(trial: Trial) -> str:
    what = f"{trial.product}{', the untreated control' if trial.control else ''}"
    return f"trial {trial.id} begun: {what}, on {', '.join(trial.panels)}"


def _stream(start: StreamStart) -> str:
    return f"recording {start.recording} begun, gauge {start.gauge} ({start.description})"


def _reading(reading: Reading) -> str:
    extra = "; beyond the number asked for" if reading.extra else ""
    typed = ", typed in" if reading.t_source == "typed in" else ""
    return (
        f"{reading.id}: {of_unit(reading.value, reading.unit)}{typed} for {reading.trial}, {reading.step}; "
        f"gauge {reading.gauge} {reading.stamp.state.value}{extra}"
    )


def _refusal(refusal: Refusal) -> str:
    of_trial = f" for {refusal.trial}, {refusal.step}" if refusal.trial and refusal.step else ""
    value = of_unit(refusal.value, refusal.unit)
    return f"{refusal.id}: refused {value}{of_trial}: {'; '.join(refusal.reasons)}"


def _check(check: Check) -> str:
    verdict = "can't tell" if check.verdict == "undecided" else check.verdict
    return f"gauge {check.gauge} checked against {check.reference}: {verdict}; {check.reason}"


def _incident(incident: Incident) -> str:
    return f"gauge {incident.gauge} was {incident.what}{'; check it' if incident.needs_check else ''}"


def _bracket(bracket: Bracket) -> str:
    became = {
        "confirmed": "confirmed",
        "failed": "in a bracket that failed",
        "undecided": "neither confirmed nor in doubt",
    }[bracket.verdict]
    return (
        f"{bracket.n} readings of gauge {bracket.gauge} {became} by its check against {bracket.reference}: "
        f"{bracket.first} to {bracket.last}"
    )


def _bench(bench: BenchText) -> str:
    return f"bench file in use from here on, sha256 {bench.sha256[:12]}"


def _published(publication: Publication) -> str:
    trials = "1 trial" if len(publication.trials) == 1 else f"{len(publication.trials)} trials"
    return (
        f"published in {publication.where}: {trials} by method "
        f"{publication.method_title} ({publication.method_sha256[:12]}), "
        f"resting on events up to {publication.at_seq}"
    )


def _amendment(amendment: Amendment) -> str:
    what: str = amendment.what
    if amendment.what == "ruling":
        ruled = {True: "counts", False: "does not count", None: "is left to the method again"}
        what = f"{ruled[amendment.counts]}, says {amendment.by or 'a person'}"
    return f"reading {amendment.reading}: {what}: {amendment.reason}"


def _rating(rating: Rating) -> str:
    return f"{rating.trial}: {rating.step} rated {rating.value:g}"


def _climate(climate: Climate) -> str:
    return f"gauge {climate.gauge}: {climate_in_words(climate)}"


def _inspection(inspection: Inspection) -> str:
    answer = "passed" if stood(inspection) else "failed"
    answer += ", finish cut through," if inspection.cut_through else ""
    note = f" ({inspection.note})" if inspection.note else ""
    return (
        f"{inspection.trial}: {inspection.panel} {answer} at wash stage {inspection.stage}, "
        f"{inspection.strokes} strokes counted{note}"
    )


def _scorecard(card: Scorecard) -> str:
    total = card.total
    shown = total_of(total.points, [score.points for score in card.scores], total.status)
    return (
        f"{card.trial} scored: {shown}{plus_minus(total.points)} points, {total.status}; "
        f"method {card.method_title} ({card.method_sha256[:12]})"
    )


_TELLERS: dict[str, tuple[type[Model], Callable[[Any], str]]] = {
    "trial": (Trial, _trial),
    "stream": (StreamStart, _stream),
    "reading": (Reading, _reading),
    "refusal": (Refusal, _refusal),
    "check": (Check, _check),
    "incident": (Incident, _incident),
    "amendment": (Amendment, _amendment),
    "bracket": (Bracket, _bracket),
    "bench": (BenchText, _bench),
    "published": (Publication, _published),
    "rating": (Rating, _rating),
    "inspection": (Inspection, _inspection),
    "climate": (Climate, _climate),
    "scorecard": (Scorecard, _scorecard),
    "step": (StepEvent, step_words.step),
    "application": (Application, step_words.application),
    "panel": (PanelEvent, step_words.panel),
    "protocol": (KeptProtocol, step_words.protocol),
    "sealed": (Sealed, step_words.sealed),
    "unsealed": (Unsealed, step_words.unsealed),
    "import": (Imported, step_words.imported),
    "note": (WrittenNote, step_words.note),
}
