"""What was made public: where, by which method, and on which readings each figure rests.

    scorecards, standings ──publish──> journal (kind "published") ──resting_on──> figures a doubt concerns

A publication names the last event of the journal that it rests on, and holds the text of its method, so that
it can be worked out again; see `acquire.touched`.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from uuid import uuid4

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.journal import Journal
from acquire.model import Inspection, Model, Test
from acquire.scoring.method import Method, parse_method
from acquire.scoring.results import Points, Scorecard
from acquire.scoring.standings import Standings


class PublishedFigure(Model):
    """Points of one test of one trial, or its total, as they were made public."""

    test: Test | None
    """None: the total."""
    text: str
    value: float
    unrounded: float
    expanded_uncertainty: float
    status: str
    used: tuple[str, ...] = ()
    """Ids of the readings, ratings and inspections it rests on; of a total, those of its tests."""

    @property
    def name(self) -> str:
        """For a person."""
        return "total" if self.test is None else self.test.value

    def rests_on(self, behind: Mapping[str, Sequence[str]]) -> Iterator[str]:
        """Ids of everything it rests on, the strokes behind inspections too.

        Args:
            behind: from `strokes_behind`.
        """
        for id_ in self.used:
            yield id_
            yield from behind.get(id_, ())


class PublishedTrial(Model):
    """One trial in a publication; what had no points is not in it."""

    trial: str
    place: int | None
    figures: tuple[PublishedFigure, ...]


class Publication(Model):
    """What was made public at one time (journal kind "published")."""

    id: str
    t_utc: datetime
    where: str
    """Where it can be read, as the person put it: a page, a folder, the name of a film."""
    method_title: str
    method_sha256: str
    method_text: str
    at_seq: int
    """Number of the last event of the journal that it rests on."""
    trials: tuple[PublishedTrial, ...]

    @property
    def method(self) -> Method:
        """The method it was scored by."""
        return parse_method(self.method_text, f"method of {self.where}")


def publish(
    journal: Journal,
    clock: Clock,
    *,
    where: str,
    method: Method,
    cards: Sequence[Scorecard],
    ranked: Standings,
    at_seq: int,
) -> Publication:
    """Writes down what was made public.

    Args:
        at_seq: number of the last event that `cards` rest on.

    Raises:
        ConfigError: it is not said where.
        JournalError: it could not be written.
    """
    if not where.strip():
        raise ConfigError("it is not said where it was published", hint="name the page, folder or film")
    places = {row.trial: row.place for row in ranked.rows}
    publication = Publication(
        id=f"publication.{uuid4().hex}",
        t_utc=clock.utc(),
        where=where,
        method_title=method.title,
        method_sha256=method.sha256,
        method_text=method.text,
        at_seq=at_seq,
        trials=tuple(
            PublishedTrial(trial=card.trial, place=places.get(card.trial), figures=tuple(_figures(card)))
            for card in cards
        ),
    )
    journal.append(
        "published",
        publication,
        t_utc=publication.t_utc,
        t_mono_ns=clock.monotonic_ns(),
        event_id=publication.id,
    )
    return publication


def _figures(card: Scorecard) -> Iterator[PublishedFigure]:
    for score in card.scores:
        if score.points is not None:
            yield _figure(score.test, score.points, score.status, score.used)
    if card.total.points is not None:
        used = tuple(id_ for score in card.scores if score.points is not None for id_ in score.used)
        yield _figure(None, card.total.points, card.total.status, used)


def _figure(test: Test | None, points: Points, status: str, used: tuple[str, ...]) -> PublishedFigure:
    return PublishedFigure(
        test=test,
        text=points.text,
        value=points.value,
        unrounded=points.unrounded,
        expanded_uncertainty=points.expanded_uncertainty,
        status=status,
        used=used,
    )


def standing(journal: Journal) -> list[Publication]:
    """What is public now: of each place the newest publication, in the order they were written.

    Raises:
        JournalError: the journal cannot be read.
    """
    newest: dict[str, Publication] = {}
    for _, publication in facts(journal, "published", Publication):
        newest.pop(publication.where, None)
        newest[publication.where] = publication
    return list(newest.values())


def resting_on(journal: Journal, readings: Collection[str]) -> list[tuple[Publication, str, PublishedFigure]]:
    """Published figures that rest on any of these readings: publication, trial, figure. Nothing is scored.

    Raises:
        JournalError: the journal cannot be read.
    """
    wanted = set(readings)
    behind = strokes_behind(journal)
    return [
        (publication, one.trial, figure)
        for publication in standing(journal)
        for one in publication.trials
        for figure in one.figures
        if not wanted.isdisjoint(figure.rests_on(behind))
    ]


def strokes_behind(journal: Journal) -> dict[str, tuple[str, ...]]:
    """The stroke readings behind each inspection, by its id."""
    found = facts(journal, "inspection", Inspection)
    return {inspection.id: inspection.readings for _, inspection in found}


class KeptMethod(Model):
    """A method that something was published by; the journal keeps its text."""

    title: str
    sha256: str
    text: str
    first_utc: datetime
    """When something was first published by it."""
    where: tuple[str, ...]
    """What was."""


def kept_methods(journal: Journal) -> list[KeptMethod]:
    """Every method that something was published by, in the order of their first use.

    Raises:
        JournalError: the journal cannot be read.
    """
    found: dict[str, KeptMethod] = {}
    for _, one in facts(journal, "published", Publication):
        known = found.get(one.method_sha256)
        if known is None:
            found[one.method_sha256] = KeptMethod(
                title=one.method_title,
                sha256=one.method_sha256,
                text=one.method_text,
                first_utc=one.t_utc,
                where=(one.where,),
            )
        elif one.where not in known.where:
            found[one.method_sha256] = known.model_copy(update={"where": (*known.where, one.where)})
    return list(found.values())


def kept_method(journal: Journal, begins: str) -> KeptMethod:
    """The one method whose fingerprint begins so.

    Raises:
        ConfigError: there is none, or more than one.
        JournalError: the journal cannot be read.
    """
    known = kept_methods(journal)
    found = [one for one in known if one.sha256.startswith(begins.lower())]
    if len(found) != 1:
        there = ", ".join(one.sha256[:12] for one in known) or "none"
        what = "no method" if not found else "more than one method"
        raise ConfigError(f"{what} has a fingerprint that begins {begins!r}", hint=f"there are: {there}")
    return found[0]
