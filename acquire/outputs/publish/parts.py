"""What the pages of products and trials are put together from: figures, and readings with their bytes."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from math import floor, log10

from markupsafe import Markup

from acquire.model import Inspection, Phase, Rating, Reading, Refusal, Step, Test, Trial
from acquire.outputs import words
from acquire.outputs.publish import names
from acquire.outputs.publish.content import Content
from acquire.outputs.publish.evidence import Excerpt
from acquire.outputs.publish.figures import Lane, Strip, lanes, strips
from acquire.outputs.report.figures import Frame, draw_pull, draw_pulls, words_of_pull
from acquire.outputs.report.traces import PullTrace
from acquire.scoring.lifetime import Run, lifetime, lifetime_in_words, runs_of
from acquire.scoring.method import Method, Scale
from acquire.scoring.results import PanelResult, Score, Scorecard, SetResult
from acquire.scoring.standings import Standing
from acquire.scoring.strokes import stood

PHASES: tuple[Phase, ...] = ("bare", "treated")


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing and what is said under it."""

    drawing: Markup
    title: str
    said: str


@dataclass(frozen=True, slots=True)
class TrialPart:
    """One trial on the page of its product."""

    trial: Trial
    card: Scorecard
    row: Standing
    figures: dict[Test, list[Figure]]
    life: str
    """How many strokes it lasted, in words; empty where no washing counts."""
    refusals_n: int


@dataclass(frozen=True, slots=True)
class Line:
    """One reading or refusal with what stands behind it."""

    item: Reading | Refusal
    place: str
    fate: str
    """Whether it counts, and why not."""
    stamp: int
    """Number of its stamp on the page; 0 for a refusal, which has none."""
    drawing: Markup | None
    samples_n: int
    """What the drawing was thinned from."""
    excerpts: tuple[Excerpt, ...]


@dataclass(slots=True)
class StepPart:
    """All that was taken for one step of a trial, in the journal's order."""

    step: Step
    place: str
    lines: list[Line]
    refusals: list[Line]
    ratings: list[Rating]
    inspections: list[Inspection]


@dataclass(slots=True)
class StampLine:
    """A calibration state that readings on the page share."""

    number: int
    first: Reading
    readings_n: int
    largest_u: float


def trial_part(content: Content, trial: Trial) -> TrialPart:
    card = content.cards[trial.id]
    runs = runs_of_trial(content, trial)
    return TrialPart(
        trial=trial,
        card=card,
        row=next(row for row in content.by_trial.rows if row.trial == trial.id),
        figures={score.test: list(_figures(content, trial, score)) for score in card.scores},
        life=lifetime_in_words(lifetime(trial.id, runs)) if runs else "",
        refusals_n=len(content.of_trial(trial.id).refusals),
    )


def runs_of_trial(content: Content, trial: Trial) -> tuple[Run, ...]:
    """Its panels under the wash machine."""
    own = content.of_trial(trial.id)
    return runs_of(trial.id, own.inspections, own.readings, content.method)


def _figures(content: Content, trial: Trial, score: Score) -> Iterator[Figure]:
    match score.test:
        case Test.SLIP:
            yield from _pulls(content, score)
        case Test.GLOSS:
            yield from _sets(content, score, f"gloss at {content.method.gloss.angle_deg}°, GU")
        case Test.UV:
            yield from _sets(content, score, "irradiance, W/m²")
        case Test.WASH:
            yield from _washing(content, trial)
        case Test.HANDLING:
            yield from _ratings(content, score, content.method.handling)
        case Test.APPEARANCE:
            yield from _ratings(content, score, content.method.appearance)


def _pulls(content: Content, score: Score) -> Iterator[Figure]:
    """Of each panel all pulls that count, bare beside treated, on the same axes."""
    sets = [found for panel in score.panels for found in panel.sets]
    drawn = {id(found): _traces(content, found) for found in sets}
    every = [trace for traces in drawn.values() for trace in traces]
    frame = Frame.around(every) if every else None
    for found in sets:
        traces = drawn[id(found)]
        if frame is None or not traces:
            continue
        breaks = ", ".join(f"{trace.reading.value:.3g}" for trace in traces)
        what = f"{words.set_place(found)} panel {found.panel}"
        alt = f"{len(traces)} pulls on the {what}, by time from the break. Breaks at {breaks} N."
        missing = len(found.used) - len(traces)
        said = f"{len(traces)} of {len(found.used)} pulls that count; the same axes throughout the trial."
        if missing:
            said += f" {missing} could not be drawn: their recording could not be read."
        title = what[:1].upper() + what[1:]
        yield Figure(draw_pulls(traces, frame, alt=alt), title, said)


def _traces(content: Content, found: SetResult) -> list[PullTrace]:
    return [content.evidence.traces[id_] for id_ in found.used if id_ in content.evidence.traces]


def _sets(content: Content, score: Score, title: str) -> Iterator[Figure]:
    rows = [_strip(content, panel, found) for panel in score.panels for found in panel.sets]
    rows = [row for row in rows if row.values or row.out]
    if not rows:
        return
    told = "; ".join(
        f"{row.name}: {', '.join(f'{value:.4g}' for value in row.values) or 'none that counts'}"
        for row in rows
    )
    said = "Filled: treated, ring: bare, cross: does not count; upright bar: mean."
    yield Figure(strips(rows, title, f"Readings, a row for each panel and phase. {told}."), "", said)


def _strip(content: Content, panel: PanelResult, found: SetResult) -> Strip:
    values = [_scored(content.readings[id_]) for id_ in found.used if id_ in content.readings]
    out = [_scored(content.readings[one.id]) for one in found.left_out if one.id in content.readings]
    mean = None if found.mean is None else found.mean.unrounded
    name = f"{panel.panel} {words.set_place(found)}"
    return Strip(name, tuple(values), tuple(out), mean, found.phase == "bare")


def _scored(reading: Reading) -> float:
    """The value that the score uses."""
    return reading.value + (reading.correction.amount if reading.correction else 0.0)


def _ratings(content: Content, score: Score, scale: Scale) -> Iterator[Figure]:
    ends = float(scale.min), float(scale.max)
    by_id = {one.id: one for one in content.material.ratings}
    values: dict[str, list[float]] = defaultdict(list)
    for id_ in score.used:
        values[by_id[id_].step.panel].append(by_id[id_].value)
    rows = [Strip(panel, tuple(found)) for panel, found in values.items()]
    if rows:
        told = "; ".join(f"{row.name}: {row.values[0]:g}" for row in rows)
        title = f"rating, {scale.min:g} to {scale.max:g}"
        said = "One rating a panel, by a person."
        yield Figure(strips(rows, title, f"Ratings by panel. {told}.", scale=ends), "", said)


def _washing(content: Content, trial: Trial) -> Iterator[Figure]:
    """The panels of the trial, and below them those of untreated controls."""
    others = [one for one in content.material.trials if one.control and one.id != trial.id]
    own = [_lane(content, trial, run, run.panel) for run in runs_of_trial(content, trial)]
    beside = [
        _lane(content, one, run, f"{one.id}: {run.panel}")
        for one in ([] if trial.control else others[:MOST_CONTROLS])
        for run in runs_of_trial(content, one)
    ]
    if not own:
        return
    told = "; ".join(_told(lane) for lane in (*own, *beside))
    said = (
        "Bar: as far as the product held. Dot: inspected, passed. Cross: failed. Dashed box: it gave way "
        "somewhere in it, between two inspections."
    )
    if beside:
        said += " Untreated controls stand below."
    yield Figure(lanes((*own, *beside), _stages(content.method), f"Strokes by panel. {told}."), "", said)


MOST_CONTROLS = 3


def _stages(method: Method) -> list[int]:
    found = {method.wash.strokes_at(stage.at) for stage in method.wash.stages}
    return sorted(one for one in found if one)


def _lane(content: Content, trial: Trial, run: Run, name: str) -> Lane:
    seen = [one for one in content.of_trial(trial.id).inspections if one.panel == run.panel]
    return Lane(
        name=name,
        passed_at=tuple(one.strokes for one in seen if stood(one)),
        failed_at=tuple(one.strokes for one in seen if not stood(one)),
        lasted=run.passed_strokes,
        failed=run.failed_strokes,
    )


def _told(lane: Lane) -> str:
    if lane.failed is None:
        return f"{lane.name} had not given way by {lane.lasted} strokes"
    return f"{lane.name} gave way between {lane.lasted} and {lane.failed} strokes"


def steps_of(content: Content, trial: Trial) -> tuple[list[StepPart], list[StampLine]]:
    """Everything taken for a trial, step by step, and the stamps that its readings share."""
    own = content.of_trial(trial.id)
    found: dict[Step, StepPart] = {}

    def part(step: Step) -> StepPart:
        return found.setdefault(step, StepPart(step, names.of_step(step), [], [], [], []))

    stamps: dict[tuple[object, ...], StampLine] = {}
    fates = _fates(content, trial)
    frame = _frame(content, own.readings)
    for reading in own.readings:
        line = _line(content, reading, fates.get(reading.id, UNUSED), frame, _stamp(reading, stamps))
        part(reading.step).lines.append(line)
    for refusal in own.refusals:
        if refusal.step is not None:
            part(refusal.step).refusals.append(_line(content, refusal, "refused", None, 0))
    for rating in own.ratings:
        part(rating.step).ratings.append(rating)
    for one in own.inspections:
        part(Step(test=Test.WASH, panel=one.panel, stage=one.stage)).inspections.append(one)
    return list(found.values()), list(stamps.values())


def shown(item: Reading | Refusal) -> str:
    """The value with as many decimals as its gauge shows."""
    if item.value is None:
        return "no number"
    step = item.resolution if isinstance(item, Reading) else 0.0
    return f"{item.value:.5g}" if step <= 0 else f"{item.value:.{max(0, -floor(log10(step)))}f}"


UNUSED = "not used by this method"


def _frame(content: Content, readings: list[Reading]) -> Frame | None:
    traces = [content.evidence.traces[one.id] for one in readings if one.id in content.evidence.traces]
    return Frame.around(traces) if traces else None


def _fates(content: Content, trial: Trial) -> dict[str, str]:
    """What the method did with each reading, rating and inspection, by id."""
    found: dict[str, str] = {}
    for score in content.cards[trial.id].scores:
        found |= dict.fromkeys(score.used, "counts")
        found |= {out.id: f"left out: {out.why}" for out in score.left_out}
    for one in content.of_trial(trial.id).inspections:
        if found.get(one.id) == "counts":
            for id_ in one.readings:
                found.setdefault(id_, f"counts, in the inspection at stage {one.stage}")
    return found


def _stamp(reading: Reading, stamps: dict[tuple[object, ...], StampLine]) -> int:
    stamp = reading.stamp
    key = (reading.gauge, stamp.state, stamp.reason, stamp.check, reading.bracket)
    line = stamps.setdefault(key, StampLine(len(stamps) + 1, reading, 0, 0.0))
    line.readings_n += 1
    line.largest_u = max(line.largest_u, stamp.standard_uncertainty)
    return line.number


def _line(content: Content, item: Reading | Refusal, fate: str, frame: Frame | None, stamp: int) -> Line:
    trace = content.evidence.traces.get(item.id)
    drawing = None
    if trace is not None and frame is not None:
        drawing = draw_pull(trace, frame, alt=words_of_pull(trace.reading, str(trace.reading.step)))
    return Line(
        item=item,
        place=names.place("r", item.id),
        fate=fate,
        stamp=stamp,
        drawing=drawing,
        samples_n=content.evidence.samples_n.get(item.id, 0),
        excerpts=content.evidence.excerpts.get(item.id, ()),
    )
