"""How likely each place is, by drawing every source of uncertainty many times (JCGM 101).

Each draw gives every source one value, every figure what follows from it, and so an order of places. A source
that several figures share has one value in a draw, so it moves them together. Sources are drawn as stated:
normal, rectangular, or Student's t where degrees of freedom are given.

The values of a source are a Latin hypercube sample (McKay, Beckman and Conover 1979, Technometrics 21:239):
each of so many equally likely slices of its distribution once, in random order. Sources of one distribution
read the same shuffled list, each from a place of its own, which costs a small part of drawing each anew.
"""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from acquire.scoring.compare import Marks
from acquire.scoring.correlated import Correlated, Floats, Kind

DRAWS = 100_000
SEED = 1
AT_ONCE = 8_192
"""Draws held in memory at once."""


@dataclass(frozen=True, slots=True, eq=False)
class Chances:
    """Places of some figures; place 1 stands in column 0."""

    chance: Floats
    """Probability of each place for each figure; shape (figures, figures). Equal figures share the better
    place, so a column need not add up to 1."""
    best: NDArray[np.int64]
    worst: NDArray[np.int64]
    """Places between which each figure lies with the coverage asked for; shape (figures,)."""
    draws: int
    standard_error: float
    """Largest standard error that the number of draws leaves in a probability."""


def place_chances(
    figures: Correlated, lower_limits: Marks, coverage: float, *, draws: int = DRAWS, seed: int = SEED
) -> Chances:
    """Probability of each place, the same for the same arguments.

    Args:
        figures: as `correlate` makes them; more is better.
        lower_limits: shape (figures,): true where a figure is only a lower limit. Its chances are those at
            the limit; its best place is 1, and the worst place of the others allows for its being better.
        coverage: of the places from `best` to `worst`.
        draws: how many.
        seed: of the random numbers.
    """
    alike = _alike(figures)
    rows = np.arange(len(alike))
    everyone, closed = _Classes.of(rows, alike), _Classes.of(rows[~lower_limits], alike)
    at_limit = np.zeros((len(rows), len(rows)), dtype=np.int64)
    among_closed = np.zeros((len(closed.row_class), len(closed.row_class)), dtype=np.int64)
    for totals in drawn(figures, draws, seed):
        at_limit += everyone.places(totals)
        if lower_limits.any() and len(among_closed):
            among_closed += closed.places(totals)
    chance = at_limit / draws
    best, worst = _between(chance, coverage)
    best[lower_limits] = 1
    if lower_limits.any() and len(among_closed):
        # All that are only lower limits may really lie in front.
        worst[~lower_limits] = _between(among_closed / draws, coverage)[1] + lower_limits.sum()
    return Chances(chance, best, worst, draws, 0.5 / math.sqrt(draws))


def drawn(figures: Correlated, draws: int, seed: int) -> Iterator[Floats]:
    """Draws of all figures, some thousand at a time; shape (figures, draws of this time)."""
    wanted = Counter([*figures.kinds, *(own.kind for some in figures.own for own in some)])
    rng = np.random.default_rng(seed)
    streams = {kind: _streams(kind, count, draws, rng) for kind, count in sorted(wanted.items())}
    shared = [next(streams[kind]) for kind in figures.kinds]
    own = [[(one.size, next(streams[one.kind])) for one in some] for some in figures.own]
    for start in range(0, draws, AT_ONCE):
        part = slice(start, min(start + AT_ONCE, draws))
        errors = np.array([stream[part] for stream in shared]).reshape(len(shared), part.stop - start)
        totals = figures.values[:, None] + figures.shared @ errors
        part_of_it = np.empty(part.stop - start)
        for row, some in zip(totals, own, strict=True):
            for size, stream in some:
                np.multiply(stream[part], size, out=part_of_it)
                row += part_of_it
        yield totals


def _streams(kind: Kind, count: int, draws: int, rng: np.random.Generator) -> Iterator[Floats]:
    """`count` independent streams of draws of one distribution, scaled to standard uncertainty 1."""
    slices = max(draws, 2 * count)
    values = _quantiles(kind, (np.arange(slices) + rng.random(slices)) / slices)
    rng.shuffle(values)
    # Twice in a row, so that a stream that starts near the end runs on at the beginning.
    ring = np.concatenate([values, values])
    for start in rng.choice(slices, size=count, replace=False):
        yield ring[start : start + draws]


def _quantiles(kind: Kind, probability: Floats) -> Floats:
    if kind.distribution == "rectangular":
        return math.sqrt(3) * (2 * probability - 1)
    found = ndtri(probability) if math.isinf(kind.freedom) else stdtrit(kind.freedom, probability)
    return np.asarray(found, dtype=np.float64)


def _alike(figures: Correlated) -> NDArray[np.int64]:
    """A number for each figure, the same for figures that are equal in every draw.

    Figures without errors of their own, whose shared ones are the same, differ in every draw by what they
    differ in anyway; where that is nothing they share a place, and no rounding error may part them.
    """
    classes: dict[object, int] = {}
    return np.array(
        [
            classes.setdefault(
                row if figures.own[row] else (float(value), figures.shared[row].tobytes()), len(classes)
            )
            for row, value in enumerate(figures.values)
        ],
        dtype=np.int64,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Classes:
    """Some rows, those that are equal in every draw taken as one."""

    firsts: NDArray[np.int64]
    """One row of each class."""
    row_class: NDArray[np.int64]
    sizes: NDArray[np.int64]

    @classmethod
    def of(cls, rows: NDArray[np.int64], alike: NDArray[np.int64]) -> "_Classes":
        _, first, row_class, sizes = np.unique(
            alike[rows], return_index=True, return_inverse=True, return_counts=True
        )
        return cls(rows[first], row_class, sizes)

    def places(self, totals: Floats) -> NDArray[np.int64]:
        """How often each of the rows took each place among them; shape (rows, rows)."""
        kinds, count = len(self.firsts), len(self.row_class)
        # Negative, because what sorts first is to be the best.
        order = np.argsort(np.negative(totals[self.firsts].T, order="C"), axis=1)
        if kinds == count:
            place = np.arange(count)
        else:
            ahead = self.sizes[order]
            place = np.cumsum(ahead, axis=1) - ahead
        order *= count
        order += place
        counts = np.bincount(order.ravel(), minlength=kinds * count).reshape(kinds, count)
        return counts[self.row_class]


def _between(chance: Floats, coverage: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places with at most half of 1 - coverage beyond either end."""
    tail = (1 - coverage) / 2
    up_to = np.cumsum(chance, axis=1)
    # The last sum may fall short of 1 by rounding, and must still reach any coverage.
    up_to[:, -1] = 1.0
    best = np.argmax(up_to > tail, axis=1) + 1
    worst = np.argmax(up_to >= 1 - tail, axis=1) + 1
    return best.astype(np.int64), worst.astype(np.int64)
