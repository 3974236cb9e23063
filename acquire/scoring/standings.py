"""All trials, or all products, side by side, best first.

They say which differences are real and how sure each place is.
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import Field

from acquire.errors import MethodError
from acquire.model import Model, Test, Trial
from acquire.scoring.compare import Comparison, compare
from acquire.scoring.entries import Entry, entries_by_product, entry_of, points_of, side_by_side
from acquire.scoring.groups import letters
from acquire.scoring.lifetime import Lifetime
from acquire.scoring.ranks import DRAWS, SEED, Chances, place_chances
from acquire.scoring.results import Points, Scorecard, TotalStatus

By = Literal["trial", "product"]
MOST_COMPARED = 300
"""Rows from the top that are compared with each other; work and memory grow with the square."""
MOST_LISTED = 30
"""Rows up to which `Standings.pairs` lists every pair."""


class Standing(Model):
    """One row: a trial, or all trials of a product together."""

    place: int | None
    """None: not ranked, for want of the tests in `missing`, or as the control. Equal points share a place."""
    trial: str
    """Id of the trial; in standings by product, the product."""
    control: bool = False
    """An untreated control: it shows what time and washing do alone, and is no rival of the products."""
    status: TotalStatus
    total: Points | None
    missing: tuple[Test, ...]
    by_test: dict[Test, Points | None]
    level_with: tuple[str, ...]
    """Ranked rows that cannot be told from this one."""
    product: str = ""
    trials: tuple[str, ...] = ()
    """The trials that the points speak of."""
    left_out: tuple[str, ...] = ()
    """Trials of the product that lack what the ranking goes by."""
    between_sd: float | None = None
    """Scatter between the trials of a product beyond what their uncertainties explain, in points; None for a
    single trial."""
    letters: tuple[str, ...] = ()
    """Two compared rows have a letter in common exactly if they cannot be told apart."""
    places: tuple[int, int] | None = None
    """Best and worst place it may really hold, at the coverage of the uncertainties; None: not compared."""
    chances: dict[int, float] = Field(default_factory=dict)
    """Probability of each place that came up in the simulation."""
    life: Lifetime | None = None
    """How many strokes the product lasted over all its runs on the wash machine; in standings by product."""


class Pair(Model):
    """The difference of two rows."""

    one: str
    other: str
    difference: float
    """`one` minus `other`, unrounded points."""
    standard_uncertainty: float
    degrees_of_freedom: float | None
    """None: infinite."""
    p: float
    """Probability of a difference at least as large if there were none."""
    adjusted_p: float
    """Corrected for the number of pairs."""
    real: bool


class Standings(Model):
    """Rows in order of place; unranked ones follow by name."""

    format: Literal["panelwright-standings 1"] = "panelwright-standings 1"
    method_title: str
    method_sha256: str
    by: By = "trial"
    test: Test | None = None
    """Ranked by the points of this test; None: by the total."""
    rows: tuple[Standing, ...]
    compared_n: int = 0
    """How many rows, from the top, were compared with each other."""
    pairs: tuple[Pair, ...] = ()
    """Every pair of compared rows, if these are not too many to list."""
    draws: int = 0
    """Of the simulation behind `places` and `chances`."""
    draws_standard_error: float = 0.0
    """Largest standard error that the number of draws leaves in a probability."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class _Compared:
    """What the rows from the top came to beside each other."""

    names: tuple[str, ...]
    comparison: Comparison
    letters: list[tuple[str, ...]]
    chances: Chances


def rank(
    scorecards: Sequence[Scorecard],
    *,
    trials: Iterable[Trial] = (),
    by: By = "trial",
    test: Test | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Standings:
    """Ranks trials, or products, by their published points; doubts are judged by the unrounded ones.

    Args:
        scorecards: all by one method.
        trials: the trials of the scorecards; they say the product. Needed for standings by product.
        by: what makes a row.
        test: rank by the points of this test; None: by the total.
        draws: of the simulation of places.
        seed: of its random numbers.

    Raises:
        MethodError: there are none, they were scored by different methods, a trial comes twice, the method
            does not use the test, or a trial's product is not known.
    """
    _refuse_unlike(scorecards)
    first = scorecards[0]
    if test is not None and first.score(test) is None:
        used = ", ".join(score.test.value for score in first.scores)
        raise MethodError(f"the method does not use {test.value}", hint=f"it uses: {used}")
    products = {trial.id: trial.product for trial in trials}
    if by == "product":
        entries = entries_by_product(scorecards, products, test)
    else:
        entries = [entry_of(card, products.get(card.trial, ""), test) for card in scorecards]
    ranked = sorted(
        (entry for entry in entries if entry.figure is not None),
        key=lambda entry: (-points_of(entry).value, entry.name),
    )
    unranked = sorted((entry for entry in entries if entry.figure is None), key=lambda entry: entry.name)
    compared = _compare(ranked[:MOST_COMPARED], draws, seed)
    rows = [_row(entry, place, index, compared) for index, (place, entry) in enumerate(_placed(ranked))]
    listed = compared is not None and len(compared.names) <= MOST_LISTED
    return Standings(
        method_title=first.method_title,
        method_sha256=first.method_sha256,
        by=by,
        test=test,
        rows=(*rows, *(_row(entry, None, 0, None) for entry in unranked)),
        compared_n=0 if compared is None else len(compared.names),
        pairs=tuple(_pairs(compared)) if compared is not None and listed else (),
        draws=0 if compared is None else compared.chances.draws,
        draws_standard_error=0.0 if compared is None else compared.chances.standard_error,
        note=_note(ranked, by, compared),
    )


def _placed(ranked: Sequence[Entry]) -> Iterable[tuple[int, Entry]]:
    """Entries in order of their points, with their places."""
    return zip(places_of([points_of(entry).value for entry in ranked]), ranked, strict=True)


def places_of(points: Sequence[float]) -> list[int]:
    """Places of points that come in falling order; equal points share one."""
    places: list[int] = []
    for index, value in enumerate(points):
        places.append(places[-1] if index and value == points[index - 1] else index + 1)
    return places


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


def _compare(entries: Sequence[Entry], draws: int, seed: int) -> _Compared | None:
    if len(entries) < 2:
        return None
    figures = side_by_side(entries)
    lower_limits = np.array([entry.lower_limit for entry in entries], dtype=np.bool_)
    coverage = points_of(entries[0]).coverage
    comparison = compare(figures, lower_limits, coverage)
    return _Compared(
        names=tuple(entry.name for entry in entries),
        comparison=comparison,
        letters=letters(~comparison.real),
        chances=place_chances(figures, lower_limits, coverage, draws=draws, seed=seed),
    )


def _row(entry: Entry, place: int | None, index: int, compared: _Compared | None) -> Standing:
    """The row of an entry; `index` is where it stands among the compared ones, if it is one of them."""
    figure = entry.figure if entry.test is not None else entry.total
    row = Standing(
        place=place,
        trial=entry.name,
        control=entry.control,
        status=entry.status,
        total=None if entry.total is None else entry.total.points,
        missing=entry.missing,
        by_test={test: None if one is None else one.points for test, one in entry.by_test.items()},
        level_with=(),
        product=entry.product,
        trials=entry.trials,
        left_out=entry.left_out,
        between_sd=None if figure is None else figure.between_sd,
    )
    if compared is None or index >= len(compared.names):
        return row
    chance = compared.chances.chance[index]
    alike = np.flatnonzero(~compared.comparison.real[index])
    return row.model_copy(
        update={
            "level_with": tuple(compared.names[other] for other in alike if other != index),
            "letters": compared.letters[index],
            "places": (int(compared.chances.best[index]), int(compared.chances.worst[index])),
            "chances": {int(at) + 1: float(chance[at]) for at in np.flatnonzero(chance)},
        }
    )


def _pairs(compared: _Compared) -> Iterable[Pair]:
    found = compared.comparison
    for row, column in zip(*np.triu_indices(len(compared.names), k=1), strict=True):
        freedom = float(found.freedom[row, column])
        yield Pair(
            one=compared.names[row],
            other=compared.names[column],
            difference=float(found.difference[row, column]),
            standard_uncertainty=float(found.standard_uncertainty[row, column]),
            degrees_of_freedom=freedom if math.isfinite(freedom) else None,
            p=float(found.p[row, column]),
            adjusted_p=float(found.adjusted[row, column]),
            real=bool(found.real[row, column]),
        )


def _note(ranked: Sequence[Entry], by: By, compared: _Compared | None) -> str:
    """How the rows were held against each other, in words."""
    if compared is None:
        return "With fewer than two ranked rows there is nothing to compare."
    count = len(compared.names)
    pairs = count * (count - 1) // 2
    said = [
        f"Differences are judged pair by pair, without what two {by}s share (a gauge, a block, a reference), "
        f"and corrected for {pairs} pair{'' if pairs == 1 else 's'} by Holm's method.",
        f"Chances of places come from {compared.chances.draws:,} draws of all sources of uncertainty and are "
        f"good to {100 * compared.chances.standard_error:.2g} % (standard error).",
    ]
    if count < len(ranked):
        said.append(f"Only the best {count} of {len(ranked)} are compared with each other.")
    if any(entry.lower_limit for entry in ranked[:count]):
        said.append(
            "What is at least so much (≥) may be better, so it is never called worse than another; "
            "its chances are those at the limit."
        )
    if any(len(entry.trials) > 1 for entry in ranked):
        said.append(
            "Points of several trials are their mean; its uncertainty counts how much the trials scatter "
            "(Mandel and Paule's method), and what they share does not average away."
        )
    if any(len(entry.trials) == 2 and entry.figure and entry.figure.between_sd for entry in ranked[:count]):
        said.append(
            "How much two trials scatter is hardly known: a difference from such a product is seldom called "
            "real; make a third trial."
        )
    return " ".join(said)
