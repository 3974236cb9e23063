"""Figures of several scorecards side by side, and which errors they have in common.

Two figures share an error where their budgets name the same key: the block, a reference weight, one check of
a gauge. Such an error moves both, so it cancels from their difference as far as it moves both alike.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from acquire.scoring.results import BudgetLine, Points

Floats = NDArray[np.float64]


class Kind(NamedTuple):
    """How an error is distributed, on the scale of its standard uncertainty."""

    distribution: Literal["normal", "rectangular"] = "normal"
    freedom: float = math.inf
    """Degrees of freedom; below infinity a normal error becomes Student's t."""


class Own(NamedTuple):
    """What one figure owes to an error that no other figure here has."""

    size: float
    """Standard uncertainty it causes in the figure."""
    kind: Kind


@dataclass(frozen=True, slots=True, eq=False)
class Correlated:
    """Some figures, their shared errors and their own ones. Make it with `correlate`."""

    values: Floats
    """Best estimates, unrounded; shape (figures,)."""
    shared: Floats
    """What each shared error at one standard uncertainty does to each figure; shape (figures, shared)."""
    kinds: tuple[Kind, ...]
    """Of the shared errors."""
    own: tuple[tuple[Own, ...], ...]
    """Of each figure."""

    def own_variance(self) -> Floats:
        """Shape (figures,)."""
        return np.array([math.fsum(own.size**2 for own in some) for some in self.own])

    def covariance(self) -> Floats:
        """Covariance matrix of the figures; shape (figures, figures)."""
        common: Floats = self.shared @ self.shared.T
        return common + np.diag(self.own_variance())


def signed(line: BudgetLine) -> float:
    """What a source at one standard uncertainty does to the figure, with its sign."""
    return math.copysign(line.contribution, line.sensitivity)


def correlate(points: Sequence[Points]) -> Correlated:
    """Sorts the sources of these figures into shared ones and own ones.

    A line without a key, as scorecards of earlier versions have them, counts as an error of its figure alone.
    """
    # Not by way of a set, whose order changes from run to run, and with it the random numbers drawn later.
    keys = [dict.fromkeys(line.key for line in one.budget if line.key) for one in points]
    counted = Counter(key for some in keys for key in some)
    column = {key: place for place, key in enumerate(key for key, count in counted.items() if count > 1)}
    shared = np.zeros((len(points), len(column)))
    kinds: dict[str, Kind] = {}
    own: list[tuple[Own, ...]] = []
    for row, one in enumerate(points):
        mine: list[BudgetLine] = []
        for line in one.budget:
            if line.key in column:
                shared[row, column[line.key]] += signed(line)
                kinds[line.key] = _least(kinds.get(line.key), _kind(line))
            else:
                mine.append(line)
        own.append(_own(mine))
    return Correlated(
        values=np.array([one.unrounded for one in points], dtype=np.float64),
        shared=shared,
        kinds=tuple(kinds[key] for key in column),
        own=tuple(own),
    )


def _kind(line: BudgetLine) -> Kind:
    freedom = math.inf if line.degrees_of_freedom is None else line.degrees_of_freedom
    return Kind(line.distribution, freedom)


def _least(known: Kind | None, found: Kind) -> Kind:
    """One error is known only as well as the scorecard says that trusts it least."""
    return found if known is None or found.freedom < known.freedom else known


def _own(lines: Sequence[BudgetLine]) -> tuple[Own, ...]:
    """Errors of one figure; those that are exactly normal add up to a single one."""
    by_kind: dict[Kind, list[float]] = defaultdict(list)
    for line in lines:
        if line.contribution:
            by_kind[_kind(line)].append(line.contribution)
    normal = by_kind.pop(Kind(), [])
    own = [Own(math.hypot(*normal), Kind())] if normal else []
    return tuple(own + [Own(size, kind) for kind, sizes in by_kind.items() for size in sizes])
