"""All trials side by side, best first, and which of them the measurements cannot tell apart."""

import math
from collections import Counter
from collections.abc import Sequence
from typing import Literal

from acquire.errors import MethodError
from acquire.model import Model, Test
from acquire.scoring.results import Points, Scorecard, TotalStatus
from acquire.scoring.statistics import effective_freedom, student_factor


class Standing(Model):
    """One trial's row."""

    place: int | None
    """None: not ranked, for want of the tests in `missing`, or as the control. Equal totals share a place."""
    trial: str
    control: bool = False
    """An untreated control: it shows what time and washing do alone, and is no rival of the products."""
    status: TotalStatus
    total: Points | None
    missing: tuple[Test, ...]
    by_test: dict[Test, Points | None]
    level_with: tuple[str, ...]
    """Ranked trials whose total differs from this one by less than its expanded uncertainty."""


class Standings(Model):
    """Rows in order of place; unranked trials follow by name."""

    format: Literal["panelwright-standings 1"] = "panelwright-standings 1"
    method_title: str
    method_sha256: str
    rows: tuple[Standing, ...]
    note: str = (
        "Differences are judged as if trials shared no source of uncertainty. Shared gauges and blocks "
        "make the doubt of a difference smaller than that, so this errs towards calling trials level."
    )


def rank(scorecards: Sequence[Scorecard]) -> Standings:
    """Ranks trials by their published totals.

    Raises:
        MethodError: there are none, they were scored by different methods, or a trial comes twice.
    """
    _refuse_unlike(scorecards)
    ranked = [(card, card.total.points) for card in scorecards if _comparable(card)]
    totals = sorted(
        ((card, points) for card, points in ranked if points is not None),
        key=lambda pair: (-pair[1].value, pair[0].trial),
    )
    rows = [_row(card, points, totals) for card, points in totals]
    placed = {row.trial for row in rows}
    unranked = sorted((card for card in scorecards if card.trial not in placed), key=lambda card: card.trial)
    rows += [_row(card, card.total.points, ()) for card in unranked]
    first = scorecards[0]
    return Standings(method_title=first.method_title, method_sha256=first.method_sha256, rows=tuple(rows))


def _comparable(card: Scorecard) -> bool:
    return card.total.status != "incomplete" and not card.control


def _refuse_unlike(scorecards: Sequence[Scorecard]) -> None:
    if not scorecards:
        raise MethodError("there is no scorecard to rank", hint="score at least one trial first")
    if len({card.method_sha256 for card in scorecards}) > 1:
        titles = ", ".join(f"{card.trial} by {card.method_title!r}" for card in scorecards)
        raise MethodError(
            f"scored by different methods: {titles}", hint="score all trials anew with one method"
        )
    repeated = [trial for trial, count in Counter(card.trial for card in scorecards).items() if count > 1]
    if repeated:
        raise MethodError(
            f"more than one scorecard for {', '.join(sorted(repeated))}", hint="give one per trial"
        )


def _row(card: Scorecard, points: Points | None, totals: Sequence[tuple[Scorecard, Points]]) -> Standing:
    place = None
    level: tuple[str, ...] = ()
    if totals and points is not None:
        place = 1 + sum(other.value > points.value for _, other in totals)
        level = tuple(
            rival.trial for rival, other in totals if rival.trial != card.trial and not _differ(points, other)
        )
    return Standing(
        place=place,
        trial=card.trial,
        control=card.control,
        status=card.total.status,
        total=points,
        missing=card.total.missing,
        by_test={score.test: score.points for score in card.scores},
        level_with=level,
    )


def _differ(one: Points, other: Points) -> bool:
    sizes = (one.standard_uncertainty, other.standard_uncertainty)
    freedom = effective_freedom(
        [
            (sizes[0], one.effective_degrees_of_freedom),
            (sizes[1], other.effective_degrees_of_freedom),
        ]
    )
    expanded = student_factor(freedom, one.coverage) * math.hypot(*sizes)
    return abs(one.unrounded - other.unrounded) > expanded
