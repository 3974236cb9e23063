"""What another method makes of everything, beside what was published: old and new, places, and why.

    published figures ─────────────────────────────────┐
    journal ──seen_at_once──> cards by the old method, ├──revise──> Revision
                              by each change alone,    │
                              by the new method        │
    recordings ──recapture──> and from bytes ──────────┘

Nothing is written: what was published stays published.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Literal

from acquire.bench import Bench
from acquire.errors import ConfigError
from acquire.journal import Journal
from acquire.model import Model, Test, Trial
from acquire.publications import Publication, PublishedFigure, standing
from acquire.recapture import Difference, Recaptured
from acquire.rescoring import seen_at_once
from acquire.results import View
from acquire.scoring.changes import Change, Reason, apart, changes, reasons
from acquire.scoring.method import Method
from acquire.scoring.results import Points, Scorecard
from acquire.scoring.standings import places_of

SINCE = "since it was published"
"""Readings, ratings and doubts that came later; and the bench file or the program, if they are others now."""
TOGETHER = "the changes together"
"""What they make beyond what each makes alone."""
FROM_BYTES = "capture, from the recordings"
SAME = 1e-9
"""Points closer than this are equal: values are rounded decimals in binary."""


class Value(Model):
    """Points as they are printed."""

    text: str
    value: float
    expanded_uncertainty: float
    status: str


class Cause(Model):
    """What moved a figure."""

    name: str
    difference: float | None
    """In points; None where the figure appears or vanishes by it."""


class FigureMove(Model):
    """The points of one test of a trial, or its total, by both methods."""

    test: Test | None
    """None: the total."""
    old: Value | None
    new: Value | None
    causes: tuple[Cause, ...]

    @property
    def moved(self) -> bool:
        if self.old is None or self.new is None:
            return self.old is not self.new
        return abs(self.new.value - self.old.value) > SAME or self.new.status != self.old.status

    @property
    def name(self) -> str:
        """For a person."""
        return "total" if self.test is None else self.test.value


class TrialMove(Model):
    """One trial by both methods."""

    trial: str
    product: str
    control: bool
    old_place: int | None
    new_place: int | None
    figures: tuple[FigureMove, ...]
    """The total first."""

    @property
    def moved(self) -> bool:
        return self.old_place != self.new_place or any(figure.moved for figure in self.figures)


class Captured(Model):
    """What came of going through the recordings again."""

    recordings_n: int
    readings_n: int
    differences: tuple[Difference, ...]
    problems: tuple[str, ...]


class Revision(Model):
    """Everything by an old and a new method, side by side; trials in their new order."""

    format: Literal["panelwright-revision 1"] = "panelwright-revision 1"
    old_title: str
    old_sha256: str
    new_title: str
    new_sha256: str
    where: str | None
    """What was published, and is held against; None: nothing was, the old figures are those of now."""
    published_utc: datetime | None
    at_seq: int | None
    """Number of the last event that the publication rests on."""
    until_seq: int
    """Number of the last event that the new figures rest on."""
    changes: tuple[Change, ...]
    trials: tuple[TrialMove, ...]
    captured: Captured | None = None
    """None: from readings, as the journal has them."""

    @property
    def unheeded(self) -> tuple[Change, ...]:
        """Changed rules of capture that nothing was captured by."""
        return () if self.captured else tuple(change for change in self.changes if change.of_capture)


def published(journal: Journal, where: str | None = None) -> Publication | None:
    """What to hold the new figures against: the newest publication, or the newest of one place.

    Raises:
        ConfigError: nothing was published at that place.
    """
    found = standing(journal)
    if where is None:
        return found[-1] if found else None
    at = [one for one in found if one.where == where]
    if not at:
        there = ", ".join(one.where for one in found) or "none"
        raise ConfigError(f"nothing was published as {where!r}", hint=f"publications: {there}")
    return at[-1]


def revise(
    journal: Journal,
    bench: Bench,
    old: Method,
    new: Method,
    *,
    publication: Publication | None = None,
    recaptured: Recaptured | None = None,
    processes: int | None = None,
) -> Revision:
    """Scores every trial by both methods and says what moved each figure.

    Args:
        old: the publication's method; the bench's, where nothing was published.
        recaptured: what going through the recordings by the new method's rules gave; None: readings stand as
            the journal has them.
        processes: as for `seen_at_once`.

    Raises:
        ConfigError: the journal has no trial.
        JournalError: the journal cannot be read.
        MethodError: something would count twice.
    """
    until = journal.head()[0]
    found = changes(old, new)
    why = reasons(found)
    told_apart = [View(apart(old, new, one)) for one in why] if len(why) > 1 else []
    views = [View(old), *told_apart, View(new)]
    if recaptured is not None:
        views.append(View(new, recaptured.anew))
    make = partial(_seen, captured=recaptured is not None)
    rows = list(seen_at_once(journal.as_of(until), bench, views, make, processes=processes))
    if not rows:
        raise ConfigError("the journal has no trial yet, so there is nothing to score anew")
    return Revision(
        old_title=old.title,
        old_sha256=old.sha256,
        new_title=new.title,
        new_sha256=new.sha256,
        where=publication.where if publication else None,
        published_utc=publication.t_utc if publication else None,
        at_seq=publication.at_seq if publication else None,
        until_seq=until,
        changes=tuple(found),
        trials=tuple(_moves(rows, why, publication)),
        captured=None if recaptured is None else _captured(recaptured),
    )


_Values = dict[Test | None, Value]


@dataclass(frozen=True, slots=True)
class _Row:
    """What is kept of one trial: of its cards only the figures."""

    trial: str
    product: str
    control: bool
    old: _Values
    apart: tuple[_Values, ...]
    new: _Values
    """From the readings of the journal."""
    captured: _Values | None
    ranked: tuple[bool, bool]
    """Whether it has a place by the old method, and by the new one in the end."""

    @property
    def final(self) -> _Values:
        return self.new if self.captured is None else self.captured


def _seen(trial: Trial, cards: list[Scorecard], *, captured: bool) -> _Row:
    values = [_values(card) for card in cards]
    ranked = [not card.control and card.total.status != "incomplete" for card in cards]
    last = values.pop() if captured else None
    return _Row(
        trial.id,
        trial.product,
        trial.control,
        values[0],
        tuple(values[1:-1]),
        values[-1],
        last,
        (ranked[0], ranked[-1]),
    )


def _values(card: Scorecard) -> _Values:
    found: _Values = {}
    if card.total.points is not None:
        found[None] = _value(card.total.points, card.total.status)
    for score in card.scores:
        if score.points is not None:
            found[score.test] = _value(score.points, score.status)
    return _as_printed(found)


def _as_printed(found: _Values) -> _Values:
    """With a total of as many decimals as the points it is made of."""
    total = found.get(None)
    if total is None:
        return found
    places = max((len(one.text.partition(".")[2]) for test, one in found.items() if test), default=0)
    return {**found, None: total.model_copy(update={"text": f"{total.value:.{places}f}"})}


def _value(points: Points | PublishedFigure, status: str) -> Value:
    return Value(
        text=points.text,
        value=points.value,
        expanded_uncertainty=points.expanded_uncertainty,
        status=status,
    )


def _moves(
    rows: Sequence[_Row], why: Sequence[Reason], publication: Publication | None
) -> Iterable[TrialMove]:
    new_places = _places((row.trial, row.final) for row in rows if row.ranked[1])
    if publication is None:
        old_places: Mapping[str, int | None] = _places((row.trial, row.old) for row in rows if row.ranked[0])
        public = None
    else:
        old_places = {one.trial: one.place for one in publication.trials}
        public = {
            one.trial: _as_printed({figure.test: _value(figure, figure.status) for figure in one.figures})
            for one in publication.trials
        }
    last = len(rows) + 1
    for row in sorted(rows, key=lambda row: (new_places.get(row.trial, last), row.trial)):
        before = row.old if public is None else public.get(row.trial, {})
        yield TrialMove(
            trial=row.trial,
            product=row.product,
            control=row.control,
            old_place=old_places.get(row.trial),
            new_place=new_places.get(row.trial),
            figures=tuple(_figures(row, before, why)),
        )


def _places(ranked: Iterable[tuple[str, _Values]]) -> dict[str, int]:
    order = sorted(
        ((values[None].value, trial) for trial, values in ranked), key=lambda one: (-one[0], one[1])
    )
    places = places_of([value for value, _ in order])
    return {trial: place for place, (_, trial) in zip(places, order, strict=True)}


def _figures(row: _Row, before: _Values, why: Sequence[Reason]) -> Iterable[FigureMove]:
    for test in (None, *Test):
        old, new = before.get(test), row.final.get(test)
        if old is not None or new is not None:
            causes = tuple(_causes(row, test, old, why))
            yield FigureMove(test=test, old=old, new=new, causes=causes)


def _causes(row: _Row, test: Test | None, public: Value | None, why: Sequence[Reason]) -> Iterable[Cause]:
    old, new = row.old.get(test), row.new.get(test)
    yield from _cause(SINCE, public, old)
    if len(why) == 1:
        yield from _cause(why[0].name, old, new)
    else:
        alone = [
            cause
            for reason, values in zip(why, row.apart, strict=True)
            for cause in _cause(reason.name, old, values.get(test))
        ]
        yield from alone
        yield from _rest(alone, old, new)
    if row.captured is not None:
        yield from _cause(FROM_BYTES, new, row.captured.get(test))


def _cause(name: str, before: Value | None, after: Value | None) -> Iterable[Cause]:
    if before is None or after is None:
        if before is not after:
            yield Cause(name=name, difference=None)
    elif abs(after.value - before.value) > SAME:
        yield Cause(name=name, difference=round(after.value - before.value, 9))


def _rest(alone: Sequence[Cause], old: Value | None, new: Value | None) -> Iterable[Cause]:
    """What no change makes alone: they work on each other, or are rounded together."""
    if old is None or new is None:
        if old is not new and not any(cause.difference is None for cause in alone):
            yield Cause(name=TOGETHER, difference=None)
        return
    rest = new.value - old.value - sum(cause.difference or 0.0 for cause in alone)
    if abs(rest) > SAME:
        yield Cause(name=TOGETHER, difference=round(rest, 9))


def _captured(found: Recaptured) -> Captured:
    return Captured(
        recordings_n=found.recordings_n,
        readings_n=found.readings_n,
        differences=tuple(found.differences),
        problems=tuple(found.problems),
    )
