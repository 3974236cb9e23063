"""Everything that the pages of a published folder are made of, gathered once from journal and recordings."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from acquire.bench import Bench
from acquire.blind import broken_seals
from acquire.chain import Event
from acquire.checkbook import Checkbook, checkbook
from acquire.deviations import Deviation, deviations
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.filters import Filter, passing
from acquire.home import Home
from acquire.journal import Journal
from acquire.model import Inspection, Rating, Reading, Refusal, Test, Trial
from acquire.outputs.pages import said_simulated
from acquire.outputs.publish.evidence import Evidence, evidence
from acquire.outputs.publish.names import slugs
from acquire.outputs.words import title_of
from acquire.protocol_events import Application, Sealed, Unsealed
from acquire.results import Material, gather, scorecards
from acquire.scoring.method import Method
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings, rank
from acquire.trials import withdrawn


@dataclass(frozen=True, slots=True)
class View:
    """One table of standings."""

    file: str
    title: str
    about: str
    """One sentence: what is in it."""
    ranked: Standings
    group: str
    """What kind of choice it is, for the list of tables."""


@dataclass(slots=True)
class OfTrial:
    """What belongs to one trial, each in the journal's order."""

    readings: list[Reading] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    ratings: list[Rating] = field(default_factory=list)
    inspections: list[Inspection] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Content:
    """What all pages share."""

    bench: Bench
    method: Method
    material: Material
    """Of the trials that are published."""
    cards: Mapping[str, Scorecard]
    by_trial: Standings
    views: tuple[View, ...]
    """The first is the main one, by product."""
    products: Mapping[str, tuple[Trial, ...]]
    product_files: Mapping[str, str]
    """Page of each product."""
    trial_files: Mapping[str, str]
    """Page with the readings of each trial."""
    evidence: Evidence
    deviations: Mapping[str, Sequence[Deviation]]
    applications: Mapping[str, Sequence[Application]]
    books: tuple[Checkbook, ...]
    """Of every gauge that readings came from."""
    blind: tuple[str, ...]
    """Trials left out because their products are still under code letters."""
    simulated: tuple[str, ...]
    newest: Event
    """The last event that everything rests on."""
    readings: Mapping[str, Reading]
    """Of the published trials, by id."""
    shares: Mapping[str, OfTrial]

    def of_trial(self, trial: str) -> OfTrial:
        """What belongs to one trial."""
        return self.shares[trial]


def gather_content(home: Home, method: Method, *, draft: bool, leave_out_blind: bool) -> Content:
    """Reads and works out all that is published; nothing is written.

    Raises:
        ConfigError: there is no trial to publish, a blind trial is still sealed, or a file of the bench is
            missing or faulty.
        JournalError: the journal cannot be read.
    """
    bench = home.bench()
    with home.journal(readonly=True) as whole:
        seq, _ = whole.head()
        journal = whole.as_of(seq)
        newest = next(journal.events(since=seq - 1), None)
        material, blind = _without_blind(journal, gather(journal), draft, leave_out_blind)
        if newest is None or not material.trials:
            raise ConfigError("the journal has no trial yet that could be published")
        deviated = {one.id: deviations(journal, one, method, newest.t_utc) for one in material.trials}
        applied = _applications(journal)
        gauges = sorted({reading.gauge for reading in material.readings})
        books = tuple(checkbook(journal, gauge) for gauge in gauges)
    cards = scorecards(material, bench, method)
    products: dict[str, tuple[Trial, ...]] = {}
    for trial in material.trials:
        products[trial.product] = (*products.get(trial.product, ()), trial)
    return Content(
        bench=bench,
        method=method,
        material=material,
        cards={card.trial: card for card in cards},
        by_trial=rank(cards, trials=material.trials),
        views=tuple(_views(material, bench, cards)),
        products=products,
        product_files={name: f"product-{slug}.html" for name, slug in slugs(products).items()},
        trial_files={trial.id: f"trial-{trial.id}.html" for trial in material.trials},
        evidence=evidence(home.recordings, material.streams, (*material.readings, *material.refusals)),
        deviations=deviated,
        applications=applied,
        books=books,
        blind=blind,
        simulated=tuple(said_simulated(home, bench, material.streams)),
        newest=newest,
        readings={reading.id: reading for reading in material.readings},
        shares=_shares(material),
    )


def _shares(material: Material) -> dict[str, OfTrial]:
    found = {trial.id: OfTrial() for trial in material.trials}
    for reading in material.readings:
        if reading.trial in found:
            found[reading.trial].readings.append(reading)
    for refusal in material.refusals:
        if refusal.trial in found:
            found[refusal.trial].refusals.append(refusal)
    for rating in material.ratings:
        if rating.trial in found:
            found[rating.trial].ratings.append(rating)
    for one in material.inspections:
        if one.trial in found:
            found[one.trial].inspections.append(one)
    return found


def _without_blind(
    journal: Journal, material: Material, draft: bool, leave_out: bool
) -> tuple[Material, tuple[str, ...]]:
    """Blind trials are no news: a draft shows them under their letters, a publication leaves them out."""
    broken = broken_seals(journal)
    if broken and not draft:
        raise ConfigError(f"a blind trial was not what was sealed: {broken[0]}", hint="panelwright verify")
    opened = {one.id for _, one in facts(journal, "unsealed", Unsealed)}
    closed = [one for _, one in facts(journal, "sealed", Sealed) if one.id not in opened]
    sealed = {trial: one.id for one in closed for trial in one.trials.values()}
    there = tuple(trial.id for trial in material.trials if trial.id in sealed)
    if there and not (draft or leave_out):
        names = ", ".join(dict.fromkeys(sealed[id_] for id_ in there))
        raise ConfigError(
            f"trials are still blind: {', '.join(there)}",
            hint=f"open the seal first (panelwright trial unseal {names}); or publish the others alone "
            "with --leave-out-blind; or look at a --draft",
        )
    if draft:
        return material, ()
    return _only(material, {trial.id for trial in material.trials if trial.id not in sealed}), there


def _only(material: Material, trials: set[str]) -> Material:
    return replace(
        material,
        trials=tuple(one for one in material.trials if one.id in trials),
        readings=tuple(one for one in material.readings if one.trial in trials),
        refusals=tuple(one for one in material.refusals if one.trial in trials),
        ratings=tuple(one for one in material.ratings if one.trial in trials),
        replaced=tuple(pair for pair in material.replaced if pair[0].trial in trials),
        inspections=tuple(one for one in material.inspections if one.trial in trials),
    )


def _applications(journal: Journal) -> dict[str, list[Application]]:
    void = withdrawn(journal)
    found: dict[str, list[Application]] = defaultdict(list)
    for _, one in facts(journal, "application", Application):
        if one.id not in void:
            found[one.trial].append(one)
    return found


def _views(material: Material, bench: Bench, cards: Sequence[Scorecard]) -> Iterator[View]:
    """The main table, and those a person would otherwise get with a filter."""
    trials = material.trials
    main = rank(cards, trials=trials, by="product")
    yield View("index.html", "Standings", "All products, by the total.", main, "All")
    yield View(
        "standings-trials.html",
        "Every trial by itself",
        "Trials of one product are not taken together here.",
        rank(cards, trials=trials),
        "All",
    )
    for test in main.rows[0].by_test:
        if any(row.by_test[test] is not None for row in main.rows):
            name = title_of(test)
            file = f"standings-test-{_word(test)}.html"
            ranked = rank(cards, trials=trials, by="product", test=test)
            yield View(file, f"By {test.value}", f"Ranked by the points of {name} alone.", ranked, "By test")
    for group, title, chosen in _filters(trials, bench, material.colours):
        kept = passing(trials, chosen, bench.zone, material.colours)
        names = {trial.id for trial in kept}
        ranked = rank([card for card in cards if card.trial in names], trials=kept, by="product")
        about = f"Only {title}; differences and places are worked out among these alone."
        file = f"standings-{slugs([f'{group} {title}'])[f'{group} {title}']}.html"
        yield View(file, title[0].upper() + title[1:], about, ranked, group)


def _filters(
    trials: Iterable[Trial], bench: Bench, colours: Mapping[str, str]
) -> Iterator[tuple[str, str, Filter]]:
    """Group, title and filter of each table that is not simply all trials again."""
    trials = tuple(trials)
    classes = {one.product_class for one in trials if not one.control}
    for name in sorted(one for one in classes if one is not None) if len(classes) > 1 else ():
        yield "Class", f"products of class {name}", Filter(product_class=name)
    years = {one.t_utc.astimezone(bench.zone).year for one in trials}
    for year in sorted(years) if len(years) > 1 else ():
        within = Filter(since=date(year, 1, 1), until=date(year, 12, 31))
        yield "Date", f"trials begun in {year}", within
    on = {colours[panel] for one in trials for panel in one.panels if panel in colours}
    for colour in sorted(on) if len(on) > 1 else ():
        yield "Panel colour", f"trials with a {colour} panel", Filter(colour=colour)


def _word(test: Test) -> str:
    return test.value.lower().replace(" ", "-")
