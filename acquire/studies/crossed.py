"""The crossed study: every person measures every panel several times, and the spread is shared out.

A two-way analysis of variance in which people and panels are both random. An interaction (a person who errs
on some panels only) that the F test does not show is pooled with the repeats; how readily is a choice, and
the one taken here, p > 0.25, is common practice.
"""

import math

import numpy as np

from acquire.errors import SourceError
from acquire.model import Model
from acquire.studies.observed import Balanced
from acquire.studies.oneway import AnovaRow, ratio_test

POOL_ABOVE = 0.25
PANELS_PER_SPREAD = 1.41
"""Distinct categories = 1.41 × sd of panels / sd of the measuring (as in the automotive manual, 4th ed.)."""


class Component(Model):
    """One share of the spread, in the values' unit."""

    source: str
    sd: float
    variance_percent: float
    """Of the total variance."""
    sd_percent: float
    """Of the total standard deviation; these do not add up to 100."""
    clamped: bool = False
    """The estimate of its variance came out negative and was set to 0."""


class Crossed(Model):
    """Outcome of a crossed study."""

    people: tuple[str, ...]
    panels: tuple[str, ...]
    repeats_n: int
    table: tuple[AnovaRow, ...]
    pooled: bool
    """Interaction and repeats were pooled: see `table` for the test that decided."""
    pool_above: float
    repeatability: Component
    people_alone: Component
    interaction: Component
    reproducibility: Component
    """People and interaction."""
    measuring: Component
    """Repeatability and reproducibility together."""
    panel: Component
    total: Component
    categories: int | None
    """How many groups of panels the measuring can tell apart, cut to a whole number; None: no end to them."""


def crossed(data: Balanced, *, pool_above: float = POOL_ABOVE) -> Crossed:
    """Analyses a balanced study.

    Args:
        data: shape (people, panels, repeats).
        pool_above: an interaction with a p above this is pooled with the repeats.

    Raises:
        SourceError: fewer than two people, panels or repeats.
    """
    values = data.values
    people_n, panels_n, repeats_n = values.shape
    if min(values.shape) < 2:
        raise SourceError(
            f"{people_n} person(s), {panels_n} panel(s), {repeats_n} repeat(s)",
            hint="two of each are needed at least; ten panels, three people and three repeats are usual",
        )
    person, panel, both, repeat = _table(values)
    pooled = both.p is not None and both.p > pool_above
    freedom = repeat.freedom + (both.freedom if pooled else 0)
    squares = repeat.sum_of_squares + (both.sum_of_squares if pooled else 0.0)
    error = squares / freedom
    below = error if pooled else both.mean_square
    interaction = 0.0 if pooled else (both.mean_square - error) / repeats_n
    variances = {
        "person": (person.mean_square - below) / (panels_n * repeats_n),
        "panel": (panel.mean_square - below) / (people_n * repeats_n),
        "interaction": interaction,
    }
    kept = {name: max(0.0, size) for name, size in variances.items()}
    measuring = error + kept["person"] + kept["interaction"]
    total = measuring + kept["panel"]

    def share(source: str, variance: float, *, clamped: bool = False) -> Component:
        part = variance / total if total else 0.0
        return Component(
            source=source,
            sd=math.sqrt(variance),
            variance_percent=100 * part,
            sd_percent=100 * math.sqrt(part),
            clamped=clamped,
        )

    table = [
        _tested(panel, below, both, pooled, freedom),
        _tested(person, below, both, pooled, freedom),
        both,
        repeat,
    ]
    if pooled:
        table.append(
            AnovaRow(source="repeats, pooled", freedom=freedom, sum_of_squares=squares, mean_square=error)
        )
    return Crossed(
        people=data.who,
        panels=data.what,
        repeats_n=repeats_n,
        table=tuple(table),
        pooled=pooled,
        pool_above=pool_above,
        repeatability=share("repeatability", error),
        people_alone=share("people", kept["person"], clamped=variances["person"] < 0),
        interaction=share("people × panels", kept["interaction"], clamped=interaction < 0),
        reproducibility=share("reproducibility", kept["person"] + kept["interaction"]),
        measuring=share("measuring", measuring),
        panel=share("panels", kept["panel"], clamped=variances["panel"] < 0),
        total=share("total", total),
        categories=int(PANELS_PER_SPREAD * math.sqrt(kept["panel"] / measuring)) if measuring else None,
    )


def _table(
    values: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]",
) -> tuple[AnovaRow, AnovaRow, AnovaRow, AnovaRow]:
    """Person, panel, interaction and repeats, the interaction already tested against the repeats."""
    people_n, panels_n, repeats_n = values.shape
    centred = values - values.mean()
    cells, people, panels = centred.mean(axis=2), centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2))
    inside = float(((centred - cells[:, :, None]) ** 2).sum())
    crossing = float(repeats_n * ((cells - people[:, None] - panels[None, :]) ** 2).sum())
    both_freedom, inside_freedom = (people_n - 1) * (panels_n - 1), people_n * panels_n * (repeats_n - 1)
    f, p = ratio_test(crossing / both_freedom, both_freedom, inside / inside_freedom, inside_freedom)
    return (
        _row("people", people_n - 1, float(panels_n * repeats_n * (people**2).sum())),
        _row("panels", panels_n - 1, float(people_n * repeats_n * (panels**2).sum())),
        _row("people × panels", both_freedom, crossing).model_copy(update={"f": f, "p": p}),
        _row("repeats", inside_freedom, inside),
    )


def _row(source: str, freedom: int, squares: float) -> AnovaRow:
    return AnovaRow(source=source, freedom=freedom, sum_of_squares=squares, mean_square=squares / freedom)


def _tested(row: AnovaRow, below: float, both: AnovaRow, pooled: bool, freedom: int) -> AnovaRow:
    f, p = ratio_test(row.mean_square, row.freedom, below, freedom if pooled else both.freedom)
    return row.model_copy(update={"f": f, "p": p})
