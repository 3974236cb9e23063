"""From the journal to scorecards and standings.

    journal ──gather──> material ──scorecards──> scorecards ──rank──> standings

`gather` is the only part that reads the journal; what follows is a function of the material, the bench (for
local gravity) and the method, so any figure can be worked out again, by this method or by another.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from acquire.archive import Archive, Part, Share
from acquire.bench import Bench
from acquire.calibration.checks import Check
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.filters import Filter, passing
from acquire.journal import Journal
from acquire.logger import as_stamped as logged_readings
from acquire.logger import readings as known_readings
from acquire.model import Inspection, Rating, Reading, Refusal, Step, StreamStart, Test, Trial
from acquire.protocol_events import PanelEvent
from acquire.scoring.lifetime import Lifetime, Run, lifetime, runs_of
from acquire.scoring.method import LocalGravity, Method
from acquire.scoring.results import LeftOut, Scorecard
from acquire.scoring.scorecard import score
from acquire.scoring.standings import By, Standings, rank
from acquire.trials import trials_of, withdrawn
from drivers.keys import nearest

_Replaced = tuple[Rating, Rating]


@dataclass(frozen=True, slots=True)
class View:
    """One way to score what trials gave."""

    method: Method
    anew: Callable[[Share], Share] | None = None
    """What a trial gave, had its recordings been captured by other rules; None: as the journal has it."""


@dataclass(frozen=True, slots=True)
class Material:
    """All that a journal holds for scoring, each in the journal's order."""

    trials: tuple[Trial, ...]
    readings: tuple[Reading, ...]
    refusals: tuple[Refusal, ...]
    ratings: tuple[Rating, ...]
    """The newest of each trial and step."""
    replaced: tuple[_Replaced, ...]
    """Older ratings, each with the one that replaced it."""
    inspections: tuple[Inspection, ...]
    checks: tuple[tuple[str, Check], ...]
    """With the id of the event, which stamps point at."""
    streams: tuple[StreamStart, ...]
    colours: Mapping[str, str] = field(default_factory=dict)
    """Of the listed panels, by name."""

    def trial(self, name: str) -> Trial:
        """Raises ConfigError with the nearest known id."""
        found = next((trial for trial in self.trials if trial.id == name), None)
        if found is None:
            known = [trial.id for trial in self.trials]
            raise ConfigError(
                f"the journal has no trial {name!r}",
                hint=nearest(name, known) if known else "no trial was begun yet; see: panelwright trial",
            )
        return found


def gather(journal: Journal, *, as_stamped: bool = False) -> Material:
    """Reads what scoring needs.

    Args:
        as_stamped: readings as they were logged, without anything learnt since (doubts, flags, rulings).

    Raises:
        JournalError: the journal cannot be read.
    """
    void = withdrawn(journal)
    ratings, replaced = _newest(
        [rating for _, rating in facts(journal, "rating", Rating) if rating.id not in void]
    )
    trials = trials_of(journal)
    return Material(
        trials=tuple(trials.values()),
        readings=tuple(logged_readings(journal) if as_stamped else known_readings(journal)),
        refusals=tuple(refusal for _, refusal in facts(journal, "refusal", Refusal)),
        ratings=tuple(ratings),
        replaced=tuple(replaced),
        inspections=tuple(
            found for _, found in facts(journal, "inspection", Inspection) if found.id not in void
        ),
        checks=tuple((event.id, check) for event, check in facts(journal, "check", Check)),
        streams=tuple(start for _, start in facts(journal, "stream", StreamStart)),
        colours={
            event.panel: event.colour
            for _, event in facts(journal, "panel", PanelEvent)
            if event.what == "added"
        },
    )


def scorecard(material: Material, bench: Bench, method: Method, trial: str) -> Scorecard:
    """Scores one trial.

    Raises:
        ConfigError: there is no such trial.
        MethodError: something would count twice.
    """
    found = material.trial(trial)
    share = Share(
        found,
        [reading for reading in material.readings if reading.trial == found.id],
        [rating for rating in material.ratings if rating.trial == found.id],
        [inspection for inspection in material.inspections if inspection.trial == found.id],
    )
    replaced = [pair for pair in material.replaced if pair[0].trial == found.id]
    return _scored(share, replaced, bench.gravity(), method)


def scorecards(material: Material, bench: Bench, method: Method) -> list[Scorecard]:
    """Scores every trial, in the order in which they were begun.

    Raises:
        MethodError: something would count twice.
    """
    by_trial = {trial.id: Share(trial) for trial in material.trials}
    replaced: dict[str, list[_Replaced]] = defaultdict(list)
    for reading in material.readings:
        if reading.trial in by_trial:
            by_trial[reading.trial].readings.append(reading)
    for rating in material.ratings:
        if rating.trial in by_trial:
            by_trial[rating.trial].ratings.append(rating)
    for inspection in material.inspections:
        if inspection.trial in by_trial:
            by_trial[inspection.trial].inspections.append(inspection)
    for pair in material.replaced:
        replaced[pair[0].trial].append(pair)
    gravity = bench.gravity()
    return [_scored(share, replaced[name], gravity, method) for name, share in by_trial.items()]


def rescored(
    journal: Journal, bench: Bench, method: Method, *, as_stamped: bool = False
) -> Iterator[Scorecard]:
    """Scores every trial of a journal one after the other, in the order in which they ended.

    The same cards as by `gather` and `scorecards`, without holding more than the trials open at one time.

    Raises:
        JournalError: the journal cannot be read.
        MethodError: something would count twice.
    """
    archive, gravity = Archive(journal, as_stamped=as_stamped), bench.gravity()
    for part in archive.parts():
        yield from scored_part(archive, part, gravity, method)


def scored_part(
    archive: Archive, part: Part, gravity: LocalGravity | None, method: Method
) -> Iterator[Scorecard]:
    """Scores the trials of one part of an archive, as `rescored` does for all.

    Raises:
        JournalError: the journal cannot be read.
        MethodError: something would count twice.
    """
    for _, cards in scored_views(archive, part, gravity, (View(method),)):
        yield from cards


def scored_views(
    archive: Archive, part: Part, gravity: LocalGravity | None, views: Sequence[View]
) -> Iterator[tuple[Trial, list[Scorecard]]]:
    """Scores the trials of one part of an archive in several ways, each read once: a card for each view.

    Raises:
        JournalError: the journal cannot be read.
        MethodError: something would count twice.
    """
    for share in archive.shares(part):
        ratings, replaced = _newest(share.ratings)
        newest = Share(share.trial, share.readings, ratings, share.inspections)
        seen = [newest if view.anew is None else view.anew(newest) for view in views]
        yield (
            share.trial,
            [_scored(one, replaced, gravity, view.method) for one, view in zip(seen, views, strict=True)],
        )


def _scored(
    share: Share, replaced: Sequence[_Replaced], gravity: LocalGravity | None, method: Method
) -> Scorecard:
    card = score(
        method,
        share.readings,
        share.ratings,
        share.inspections,
        trial=share.trial.id,
        panels=share.trial.panels,
        control=share.trial.control,
        gravity=gravity,
    )
    return _with_replaced(card, replaced) if replaced else card


def standings(
    material: Material,
    bench: Bench,
    method: Method,
    *,
    by: By = "trial",
    test: Test | None = None,
    only: Filter | None = None,
) -> Standings:
    """All trials, or all products, side by side.

    Args:
        by: what makes a row.
        test: rank by the points of this test; None: by the total.
        only: which trials; None: all. Differences and places are worked out among these alone.

    Raises:
        ConfigError: there is none yet, or none passes the filter.
        MethodError: something would count twice, or the method does not use the test.
    """
    if not material.trials:
        raise ConfigError("the journal has no trial yet", hint="begin one; see: panelwright trial --help")
    trials = passing(material.trials, only or Filter(), bench.zone, material.colours)
    shown = replace(material, trials=trials)
    ranked = rank(scorecards(shown, bench, method), trials=trials, by=by, test=test)
    if by == "trial":
        return ranked
    lives = lifetimes(shown, method)
    rows = (
        row if row.control else row.model_copy(update={"life": lives.get(row.product)}) for row in ranked.rows
    )
    return ranked.model_copy(update={"rows": tuple(rows)})


def lifetimes(material: Material, method: Method) -> dict[str, Lifetime]:
    """How many strokes each product lasted, over every panel of it that was washed.

    A product that no inspection counts for has none; neither has an untreated control, which shows what
    washing does without a product. Trials that are not complete have been washed all the same.
    """
    if not method.wash.used:
        return {}
    products = {trial.id: trial.product for trial in material.trials if not trial.control}
    inspections: dict[str, list[Inspection]] = defaultdict(list)
    strokes: dict[str, list[Reading]] = defaultdict(list)
    for inspection in material.inspections:
        inspections[inspection.trial].append(inspection)
    for reading in material.readings:
        if reading.step.test is Test.WASH:
            strokes[reading.trial].append(reading)
    runs: dict[str, list[Run]] = defaultdict(list)
    for trial, product in products.items():
        runs[product] += runs_of(trial, inspections[trial], strokes[trial], method)
    coverage = method.uncertainty.coverage
    return {product: lifetime(product, own, coverage=coverage) for product, own in runs.items() if own}


def _newest(ratings: list[Rating]) -> tuple[list[Rating], list[_Replaced]]:
    """Order in the journal decides, not the clock, which somebody may have set back."""
    newest: dict[tuple[str, Step], Rating] = {}
    for rating in ratings:
        newest[rating.trial, rating.step] = rating
    replaced = [
        (rating, newest[rating.trial, rating.step])
        for rating in ratings
        if newest[rating.trial, rating.step] is not rating
    ]
    return list(newest.values()), replaced


def _with_replaced(card: Scorecard, replaced: Sequence[_Replaced]) -> Scorecard:
    """Lists replaced ratings among what was left out: nothing vanishes from a scorecard."""
    scores = list(card.scores)
    for older, newer in replaced:
        for index, found in enumerate(scores):
            if found.test is older.step.test:
                out = LeftOut(id=older.id, why=f"{older.value:g}, replaced by the later rating {newer.id}")
                scores[index] = found.model_copy(update={"left_out": (*found.left_out, out)})
    return card.model_copy(update={"scores": tuple(scores)})
