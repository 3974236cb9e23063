"""Puts the page together and writes it."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from acquire.bench import Bench
from acquire.chain import Event
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.model import Phase, Reading, Test, Trial
from acquire.outputs import budgets, words
from acquire.outputs.pages import put, render, said_simulated, style
from acquire.outputs.report.figures import Frame, draw_pull, words_of_pull
from acquire.outputs.report.traces import PullTrace, pull_traces
from acquire.results import Material, gather, scorecards
from acquire.scoring.method import Method
from acquire.scoring.results import PanelResult, Scorecard
from acquire.scoring.standings import Standing, Standings, rank

_PHASES: tuple[Phase, ...] = ("bare", "treated")


@dataclass(frozen=True, slots=True)
class Plot:
    """One drawn pull and what is said under it."""

    drawing: Markup
    title: str
    reading: Reading


@dataclass(frozen=True, slots=True)
class Section:
    """One trial on the page."""

    trial: Trial
    card: Scorecard
    row: Standing
    plots: list[Plot]
    refusals: list[tuple[str, str, list[str]]]
    """Step, reasons, ids."""


@dataclass(frozen=True, slots=True)
class GaugeLine:
    """Readings that count and rest on the same calibration state."""

    gauge: str
    state: str
    reason: str
    readings_n: int
    standard_uncertainty: str


Record = Callable[[list[Scorecard], Standings, int], object]
"""Takes scorecards and standings as they stand on the page, and the number of the last event they rest on."""


def write_report(
    home: Home, out: Path, *, method: Method | None = None, record: Record | None = None
) -> Path:
    """Writes the page of a bench into the folder `out`; what stands there under the same name is replaced.

    Args:
        method: scores by this method; the bench's own if left out.
        record: called once the page is written, to write down what was published.

    Returns:
        The page.

    Raises:
        ConfigError: there is no trial yet, or a file of the bench is missing or faulty.
        JournalError: the journal cannot be read.
    """
    bench, method = home.bench(), method or home.method()
    with home.journal(readonly=True) as journal:
        seq, head_hash = journal.head()
        material = gather(journal.as_of(seq))
        newest = next(journal.events(since=seq - 1), None)
    if not material.trials or newest is None:
        raise ConfigError("the journal has no trial yet, so there is nothing to report")
    cards = scorecards(material, bench, method)
    ranked = rank(cards)
    text = _render(home, bench, method, material, cards, ranked, newest, head_hash)
    page = out / "index.html"
    put(page, text, hint="choose another folder with --out")
    if record is not None:
        record(cards, ranked, seq)
    return page


def _render(
    home: Home,
    bench: Bench,
    method: Method,
    material: Material,
    cards: list[Scorecard],
    ranked: Standings,
    newest: Event,
    head_hash: str,
) -> str:
    sections, problems = _sections(home, material, cards, ranked)
    coverage = next((row.total.coverage for row in ranked.rows if row.total is not None), None)
    return render(
        "report.html",
        words=words,
        budgets=budgets,
        bench=bench,
        method=method,
        ranked=ranked,
        tests=[score.test for score in cards[0].scores],
        sections=sections,
        problems=problems,
        simulated=said_simulated(home, bench, material.streams),
        coverage_percent=None if coverage is None else f"{100 * coverage:g}",
        gauges=gauge_lines(material, cards),
        checks=[check for _, check in material.checks],
        recordings_n=len(material.streams),
        newest=newest,
        head_hash=head_hash,
        css=style("report.css", "figures.css"),
    )


def _sections(
    home: Home, material: Material, cards: list[Scorecard], ranked: Standings
) -> tuple[list[Section], list[str]]:
    by_id = {reading.id: reading for reading in material.readings}
    card_of = {card.trial: card for card in cards}
    chosen = {card.trial: _typical_pulls(card, by_id) for card in cards}
    wanted = [reading for pulls in chosen.values() for reading in pulls]
    traces, problems = pull_traces(home.recordings, material.streams, wanted)
    sections = [
        Section(
            trial=material.trial(row.trial),
            card=card_of[row.trial],
            row=row,
            plots=_plots([traces[one.id] for one in chosen[row.trial] if one.id in traces]),
            refusals=_refusals(material, row.trial),
        )
        for row in ranked.rows
    ]
    return sections, problems


def _typical_pulls(card: Scorecard, by_id: dict[str, Reading]) -> list[Reading]:
    """Of the first panel measured both bare and treated, the middle one of the pulls that count, for each."""
    slip = card.score(Test.SLIP)
    for panel in slip.panels if slip is not None else ():
        pulls = [_middle(panel, phase, by_id) for phase in _PHASES]
        found = [pull for pull in pulls if pull is not None]
        if len(found) == len(_PHASES):
            return found
    return []


def _middle(panel: PanelResult, phase: Phase, by_id: dict[str, Reading]) -> Reading | None:
    used = [by_id[id_] for found in panel.sets if found.phase == phase for id_ in found.used]
    ordered = sorted(used, key=lambda reading: (reading.value, reading.id))
    return ordered[len(ordered) // 2] if ordered else None


def _plots(traces: list[PullTrace]) -> list[Plot]:
    if not traces:
        return []
    frame = Frame.around(traces)
    plots = []
    for trace in traces:
        reading = trace.reading
        step = reading.step
        what = f"{step.phase} panel {step.panel}"
        drawing = draw_pull(trace, frame, alt=words_of_pull(reading, what))
        plots.append(Plot(drawing, what[:1].upper() + what[1:], reading))
    return plots


def _refusals(material: Material, trial: str) -> list[tuple[str, str, list[str]]]:
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for refusal in material.refusals:
        if refusal.trial == trial:
            # What differs from pull to pull is figures: one of each kind of reason is told.
            kinds = tuple(reason.partition(":")[0] for reason in refusal.reasons)
            found[str(refusal.step), "; ".join(kinds)].append(refusal.id)
    return [(step, reasons, ids) for (step, reasons), ids in found.items()]


def gauge_lines(material: Material, cards: Iterable[Scorecard]) -> list[GaugeLine]:
    """The calibration states of the readings that these scorecards count."""
    used = {id_ for card in cards for score in card.scores for id_ in score.used}
    groups: dict[tuple[str, str, str], list[Reading]] = defaultdict(list)
    for reading in material.readings:
        if reading.id in used:
            groups[reading.gauge, reading.stamp.state.value, reading.stamp.reason].append(reading)
    return [
        GaugeLine(gauge, state, reason, len(group), _largest_uncertainty(group))
        for (gauge, state, reason), group in sorted(groups.items())
    ]


def _largest_uncertainty(group: list[Reading]) -> str:
    size = max(reading.stamp.standard_uncertainty for reading in group)
    return f"{size:.2g} {words.SYMBOLS.get(group[0].unit, group[0].unit)}" if size else "not stated"
