"""Which published figures are touched by what was learnt since, and what becomes of them.

    failed check, ruling ──touched──> published figure, as known now, and with the drift taken off

A gauge found wrong puts in question what was made public before (ISO/IEC 17025:2017, 6.4.9 with 7.10; numbers
from memory).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import hypot, sqrt

from acquire.bench import Bench
from acquire.calibration.brackets import span_of
from acquire.calibration.checks import Check
from acquire.calibration.history import Checked, Known
from acquire.facts import facts, read_fact
from acquire.journal import Journal
from acquire.known import History, amendments_of, bench_of, readings
from acquire.model import Amendment, AppliedCorrection, CalibrationState, Reading, Stamp, Test
from acquire.protocol_events import StepEvent
from acquire.publications import Publication, PublishedFigure, standing, strokes_behind
from acquire.results import Material, gather, scorecards
from acquire.scoring.method import Method
from acquire.scoring.results import Points
from acquire.scoring.selection import slip_value
from acquire.scoring.standings import rank
from acquire.trials import withdrawn


@dataclass(frozen=True, slots=True)
class Revised:
    """A published figure as it comes out now."""

    points: Points | None
    """None: it has none any more."""
    status: str
    place: int | None
    difference: float | None
    """Unrounded, now minus published."""


@dataclass(frozen=True, slots=True)
class Touched:
    """A published figure that rests on readings of which more was learnt since."""

    publication: Publication
    trial: str
    place: int | None
    figure: PublishedFigure
    readings: tuple[str, ...]
    """Those of its readings that were amended since."""
    why: tuple[str, ...]
    """What was learnt, each once."""
    now: Revised
    """Scored again with what is known now, and nothing that was measured since."""
    corrected: Revised | None
    """With the drift taken off the doubtful readings instead; None where none can be."""
    uncorrected: tuple[str, ...]
    """Why the drift could not be taken off some readings, each reason once."""


def touched(journal: Journal, bench: Bench) -> list[Touched]:
    """Every published figure that rests on readings amended since, and what becomes of it.

    Each publication is scored again by its own method from the events it rested on, once with everything that
    was learnt of their readings since, and once with the drift taken off those that a failed check made
    doubtful: the gauge's deviation is taken to have moved in a straight line from the check that opened their
    bracket to the one that failed. What was measured since changes nothing here.

    Args:
        bench: for local gravity, where the journal holds no bench file of that time.

    Raises:
        JournalError: the journal cannot be read.
        ConfigError: the method of a publication can no longer be read.
    """
    found: list[Touched] = []
    for publication in standing(journal):
        learnt = _learnt_since(journal, publication.at_seq)
        if learnt:
            found += _touched_in(journal, bench, publication, learnt)
    return found


def _learnt_since(journal: Journal, seq: int) -> dict[str, list[str]]:
    """What was said since event `seq`, by the id of the reading, rating or inspection it was said of."""
    learnt: dict[str, list[str]] = {}
    for _, amendment in facts(journal, "amendment", Amendment, since=seq):
        learnt.setdefault(amendment.reading, []).append(amendment.reason)
    for _, said in facts(journal, "step", StepEvent, since=seq):
        for id_ in said.withdraws:
            learnt.setdefault(id_, []).append(f"withdrawn: {said.reason}")
    return learnt


def _touched_in(
    journal: Journal, bench: Bench, publication: Publication, learnt: Mapping[str, list[str]]
) -> Iterator[Touched]:
    method = publication.method
    behind = strokes_behind(journal)
    concerned = [
        (one, figure, ids)
        for one in publication.trials
        for figure in one.figures
        if (ids := [id_ for id_ in figure.rests_on(behind) if id_ in learnt])
    ]
    if not concerned:
        return
    now = _as_known_now(journal, publication.at_seq)
    bench = bench_of(journal.as_of(publication.at_seq)) or bench
    drift = _Drift(journal, method)
    straight = replace(now, readings=tuple(map(drift.taken_off, now.readings)))
    as_now, as_straight = (_Scored(material, bench, method) for material in (now, straight))
    for one, figure, ids in concerned:
        yield Touched(
            publication,
            one.trial,
            one.place,
            figure,
            readings=tuple(ids),
            why=tuple(dict.fromkeys(reason for id_ in ids for reason in learnt[id_])),
            now=as_now.revised(one.trial, figure),
            corrected=as_straight.revised(one.trial, figure) if drift.moved.intersection(ids) else None,
            uncorrected=tuple(dict.fromkeys(drift.why_not[id_] for id_ in ids if id_ in drift.why_not)),
        )


def _as_known_now(journal: Journal, seq: int) -> Material:
    """What the journal held at event `seq`, with everything that was learnt of it since."""
    then = gather(journal.as_of(seq))
    known = {reading.id: reading for reading in readings(journal)}
    void = withdrawn(journal)
    return replace(
        then,
        readings=tuple(known[reading.id] for reading in then.readings),
        ratings=tuple(rating for rating in then.ratings if rating.id not in void),
        inspections=tuple(one for one in then.inspections if one.id not in void),
    )


class _Scored:
    """All trials of a publication, scored again."""

    def __init__(self, material: Material, bench: Bench, method: Method) -> None:
        cards = scorecards(material, bench, method)
        self._cards = {card.trial: card for card in cards}
        self._places = {row.trial: row.place for row in rank(cards).rows}

    def revised(self, trial: str, figure: PublishedFigure) -> Revised:
        """What a figure has become."""
        card = self._cards[trial]
        points: Points | None = card.total.points
        status: str = card.total.status
        if figure.test is not None:
            score = card.score(figure.test)
            points, status = (score.points, score.status) if score is not None else (None, "not given")
        difference = None if points is None else points.unrounded - figure.unrounded
        return Revised(points, status, self._places.get(trial), difference)


class _Drift:
    """Takes the drift off readings that a failed check made doubtful: a straight line between two checks."""

    def __init__(self, journal: Journal, method: Method) -> None:
        self._journal = journal
        self._method = method
        self._history = History(journal).all()
        self._by_id = {known.id: known for known in self._history}
        self._amendments = amendments_of(journal)
        self._lines: dict[str, tuple[Checked | None, Checked]] = {}
        self.moved: set[str] = set()
        """Ids of the readings it was taken off."""
        self.why_not: dict[str, str] = {}
        """By the id of a doubtful reading, why it could not be taken off."""

    def taken_off(self, reading: Reading) -> Reading:
        """The reading with its drift taken off, and the doubt with it; any other as it is."""
        if reading.stamp.state is not CalibrationState.DOUBTFUL:
            return reading
        line = self._line(reading)
        if isinstance(line, str):
            self.why_not[reading.id] = line
            return reading
        self.moved.add(reading.id)
        logged = self._journal.find(reading.id)
        assert logged is not None, "a reading that is known stands in the journal"
        stamped = _without_deviation(read_fact(Reading, logged).stamp)
        return reading.model_copy(update={"correction": self._correction(reading, *line), "stamp": stamped})

    def _line(self, reading: Reading) -> tuple[Checked, Checked] | str:
        """The checks that the line goes through, or why there is none."""
        if reading.quantity == "count":
            return "strokes are counted: no drift is taken off a count"
        doubts = [one.check for one in self._amendments.get(reading.id, ()) if one.what == "doubtful"]
        failed = self._by_id.get(doubts[-1] or "") if doubts else None
        if failed is None or not isinstance(failed.fact, Check):
            return "no check put it in doubt, so nothing says how far the gauge was off"
        opening, closing = self._lines.setdefault(failed.id, self._bracket(failed))
        if opening is None:
            return f"no check of {reading.gauge} had passed before, so nothing says where its drift began"
        return opening, closing

    def _bracket(self, failed: Known) -> tuple[Checked | None, Checked]:
        span = span_of(failed, self._history)
        return span.opening, span.closing

    def _correction(self, reading: Reading, opening: Checked, closing: Checked) -> AppliedCorrection:
        first, last = opening[1], closing[1]
        whole_s = (last.t_utc - first.t_utc).total_seconds()
        gone_s = (reading.t_utc - first.t_utc).total_seconds()
        share = min(1.0, max(0.0, gone_s / whole_s)) if whole_s > 0 else 1.0
        value = self._counting_value(reading)
        if self._in_proportion(reading.step.test) and first.assigned and last.assigned:
            begun, ended = first.deviation / first.assigned, last.deviation / last.assigned
            error = begun + (ended - begun) * share
            amount, moved = -value * error / (1 + error), value * (ended - begun)
        else:
            begun, ended = first.deviation, last.deviation
            amount, moved = -(begun + (ended - begun) * share), ended - begun
        # When it moved is not known: it may as well have been one step, at any time in between.
        return AppliedCorrection(
            id=f"drift up to {closing[0].id}", amount=amount, standard_uncertainty=abs(moved) / sqrt(12)
        )

    def _counting_value(self, reading: Reading) -> float:
        counting = slip_value(self._method.slip.counts)(reading) if reading.step.test is Test.SLIP else 0.0
        return counting if isinstance(counting, float) and counting else reading.value

    def _in_proportion(self, test: Test) -> bool:
        errs = {Test.SLIP: self._method.slip.gauge_error, Test.GLOSS: self._method.gloss.gauge_error}
        return errs.get(test, "scale") == "scale"


def _without_deviation(stamp: Stamp) -> Stamp:
    """What the line takes off need not be allowed for as well."""
    parts = tuple(part for part in stamp.parts if not part.key.startswith("deviation "))
    size = hypot(*(part.standard_uncertainty for part in parts)) if parts else stamp.standard_uncertainty
    return stamp.model_copy(update={"parts": parts, "standard_uncertainty": size})
