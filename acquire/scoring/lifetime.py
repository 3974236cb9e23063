"""How many strokes a product lasts, where each failure is only known to lie between two inspections.

A run is one panel washed until the product gave way or the washing ended. Its life lies above the strokes of
the last inspection that was passed and at or below those of the first that was not; without a failure it has
no upper end. Several runs give the nonparametric estimate of Turnbull (J. R. Stat. Soc. B 38 (1976) 290):
the masses that make what was seen most likely. No shape of the distribution is assumed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy.optimize import nnls
from scipy.stats import binom

from acquire.errors import MethodError
from acquire.model import Inspection, Model, Reading
from acquire.scoring.endurance import can_count, until_failure
from acquire.scoring.method import Method
from acquire.scoring.strokes import judge, stood

NEGLIGIBLE = 1e-9
"""Masses below this belong to intervals that the likelihood empties."""
CLOSE = 1e-11
"""The log-likelihood of one run may rise by no more than this any further."""
MOST_ROUNDS = 1000


@dataclass(frozen=True, slots=True)
class Life:
    """A life in (after, by]; `by` None: longer than `after`. Equal ends: a life known exactly."""

    after: float
    by: float | None


class LifeMass(Model):
    """Share of the runs whose life lies in (after, by], and the share that outlasts it."""

    after: float
    by: float | None
    mass: float
    surviving: float


class Run(Model):
    """One panel under the wash machine; strokes are those really counted."""

    trial: str
    panel: str
    passed_strokes: int
    """At the last inspection that was passed; 0 if none was."""
    failed_strokes: int | None
    """At the first that was not; None: it never failed."""
    cut_through: bool = False


class Lifetime(Model):
    """What the runs of one product say together, in strokes."""

    format: Literal["panelwright-lifetime 1"] = "panelwright-lifetime 1"
    name: str
    runs: tuple[Run, ...]
    masses: tuple[LifeMass, ...]
    median_after: float
    median_by: float | None
    """Half of the runs give way by a number of strokes in (median_after, median_by]; None: no upper end."""
    low: float | None
    high: float | None
    """Interval of the true median; None: open at that end."""
    coverage: float
    """What [low, high] covers the median with, at least; with few runs less than was asked for."""
    asked_coverage: float
    method: str = (
        "Turnbull's estimate for lives between two inspections; the interval of the median is that of the "
        "sign test, by the lower ends of the runs below and their upper ends above: no shape assumed"
    )


def runs_of(
    trial: str, inspections: Iterable[Inspection], readings: Iterable[Reading], method: Method
) -> tuple[Run, ...]:
    """The runs of one trial, by the inspections that its score counts.

    Args:
        inspections: of any trials, in the journal's order.
        readings: of any trials; those of strokes say with what gauge they were counted.
    """
    own = [inspection for inspection in inspections if inspection.trial == trial]
    counted = [reading for reading in readings if reading.trial == trial]
    by_panel, _ = can_count(judge(own, counted, method))
    return tuple(_run(trial, panel, until_failure(by_panel[panel], [])) for panel in sorted(by_panel))


def _run(trial: str, panel: str, seen: Sequence[Inspection]) -> Run:
    failed = next((one for one in seen if not stood(one)), None)
    # A panel inspected twice without washing between them passed and failed at one count: failing counts.
    limit = float("inf") if failed is None else failed.strokes
    passed = max((one.strokes for one in seen if stood(one) and one.strokes < limit), default=0)
    return Run(
        trial=trial,
        panel=panel,
        passed_strokes=passed,
        failed_strokes=None if failed is None else failed.strokes,
        cut_through=failed is not None and failed.cut_through,
    )


def lifetime(name: str, runs: Sequence[Run], *, coverage: float = 0.95) -> Lifetime:
    """Life of one product over its runs.

    Args:
        name: of the product, or whatever the runs have in common.
        runs: each is taken as independent of the others.

    Raises:
        MethodError: there is no run.
    """
    if not runs:
        raise MethodError(f"no washing of {name} counts yet", hint="wash a panel and write down what you saw")
    lives = [Life(run.passed_strokes, run.failed_strokes) for run in runs]
    masses = turnbull(lives)
    after, by = median(masses)
    low, high, reached = median_interval(lives, coverage)
    return Lifetime(
        name=name,
        runs=tuple(runs),
        masses=masses,
        median_after=after,
        median_by=by,
        low=low,
        high=high,
        coverage=reached,
        asked_coverage=coverage,
    )


def turnbull(lives: Sequence[Life]) -> tuple[LifeMass, ...]:
    """The nonparametric maximum likelihood estimate from lives between two inspections.

    Lives without an upper end and lives known exactly may be among them; with only these it is the estimate
    of Kaplan and Meier. Within each interval of the answer nothing is known about where the mass lies.

    Args:
        lives: at least one.

    Raises:
        ValueError: there are none, or one ends before it begins.
    """
    if not lives:
        raise ValueError("an estimate needs at least one life")
    ends = [_ends(life) for life in lives]
    inner = _innermost(ends)
    within = np.array([[left <= low and high <= right for low, high in inner] for left, right in ends])
    share = _most_likely(within.astype(float))
    kept = [j for j in range(len(inner)) if share[j] > NEGLIGIBLE]
    total = float(share[kept].sum())
    masses: list[LifeMass] = []
    gone = 0.0
    for j in kept:
        mass = float(share[j]) / total
        gone += mass
        (after, _), (by, _) = inner[j]
        masses.append(
            LifeMass(after=after, by=None if by == np.inf else by, mass=mass, surviving=max(0.0, 1 - gone))
        )
    return tuple(masses)


_Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
_End = tuple[float, int]
"""A bound; those at one value come in the order 0 opens with it, 1 closes with it, 2 opens behind it."""


def _ends(life: Life) -> tuple[_End, _End]:
    if life.by is None:
        return (life.after, 2), (np.inf, 1)
    if life.by < life.after:
        raise ValueError(f"a life cannot lie above {life.after:g} and at or below {life.by:g}")
    return (life.after, 0 if life.by == life.after else 2), (life.by, 1)


def _innermost(ends: Sequence[tuple[_End, _End]]) -> list[tuple[_End, _End]]:
    """Where a left end is followed at once by a right end: only there can the likelihood put mass."""
    marked = sorted({(left, "left") for left, _ in ends} | {(right, "right") for _, right in ends})
    return [
        (low, high)
        for (low, is_), (high, next_is) in pairwise(marked)
        if is_ == "left" and next_is == "right"
    ]


def _most_likely(within: _Array) -> _Array:
    """The masses of highest likelihood, by the constrained Newton method (Wang, JRSS B 69 (2007) 185).

    Turnbull's own rounds lead to the same masses, but where one of them goes to zero on the edge of the
    likelihood they need thousands of rounds for each further digit.

    Raises:
        ValueError: it does not settle.
    """
    share: _Array = np.full(within.shape[1], 1 / within.shape[1])
    for _ in range(MOST_ROUNDS):
        slopes = within / (within @ share)[:, None]
        pull = slopes.mean(axis=0)
        # No other masses can have a mean log-likelihood higher than these by more than this.
        if pull.max() - 1 < CLOSE:
            return share
        # The quadratic model of the likelihood has its peak, among masses that sum to 1, where this has its.
        rows = np.vstack([slopes - 2, np.ones(within.shape[1])])
        aim = nnls(rows, np.append(np.zeros(len(within)), 1.0))[0]
        share = _step(within, share * pull, aim / aim.sum())
    raise ValueError("the estimate does not settle")


def _step(within: _Array, share: _Array, aim: _Array) -> _Array:
    """From `share` towards `aim`, halving the step until the likelihood does not fall."""
    before = np.log(within @ share).sum()
    for halved in range(40):
        tried: _Array = share + (aim - share) / 2**halved
        inside = within @ tried
        if inside.min() > 0 and np.log(inside).sum() >= before:
            return tried
    return share


def median(masses: Sequence[LifeMass]) -> tuple[float, float | None]:
    """The interval (after, by] in which the share that survives falls to one half or below it."""
    found = next(one for one in masses if one.surviving <= 0.5 + NEGLIGIBLE)
    return found.after, found.by


def median_interval(lives: Sequence[Life], coverage: float) -> tuple[float | None, float | None, float]:
    """Interval of the median without any assumption on shape: the sign test's order statistics.

    The k-th smallest lower end lies below the k-th smallest life, and the k-th largest upper end above the
    k-th largest, so that not knowing the lives themselves can only widen the interval.

    Returns:
        Low and high (None: open), and the coverage reached: below `coverage` where the runs are too few for
        it even from the smallest to the largest; 0, and open at both ends, for a single one.
    """
    count = len(lives)
    if count < 2:
        return None, None, 0.0
    ranks = [k for k in range(1, count // 2 + 1) if _reached(k, count) >= coverage]
    k = max(ranks, default=1)
    low = sorted(life.after for life in lives)[k - 1]
    high = sorted(np.inf if life.by is None else life.by for life in lives)[count - k]
    return low, None if high == np.inf else high, _reached(k, count)


def _reached(k: int, count: int) -> float:
    return float(1 - 2 * binom.cdf(k - 1, count, 0.5))


def lifetime_in_words(found: Lifetime) -> str:
    """One sentence for a page or a terminal."""
    if len(found.runs) == 1:
        run = found.runs[0]
        if run.failed_strokes is None:
            return f"one run: had not given way by {run.passed_strokes} strokes"
        return f"one run: gave way between {run.passed_strokes} and {run.failed_strokes} strokes"
    lasting = sum(run.failed_strokes is None for run in found.runs)
    open_ended = f" ({lasting} of them without a failure)" if lasting else ""
    # Not "gave way between": the two counts bound when the half was reached, and not when its runs ended.
    half = (
        f"at least half of {len(found.runs)} runs{open_ended} last more than {found.median_after:g} strokes"
        if found.median_by is None
        else f"half of {len(found.runs)} runs{open_ended} had given way by some count between "
        f"{found.median_after:g} and {found.median_by:g} strokes"
    )
    limits = f"above {found.low:g}" if found.high is None else f"between {found.low:g} and {found.high:g}"
    return f"{half}; the median lies {limits} with {100 * found.coverage:.3g} % confidence at least"
