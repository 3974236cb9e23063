"""Points and scorecards straight from budgets, for tests of comparing and ranking; everything is invented."""

import math
from collections.abc import Sequence
from typing import Literal

from acquire.model import Test
from acquire.scoring.results import BudgetLine, Points, Score, Scorecard, ScoreStatus, Total

COVERAGE = 0.95


def line(
    size: float,
    key: str = "",
    *,
    freedom: float | None = None,
    distribution: Literal["normal", "rectangular"] = "normal",
) -> BudgetLine:
    """A source that makes `size` of the figure; its sign is that of the sensitivity."""
    return BudgetLine(
        source=key or "alone",
        key=key,
        distribution=distribution,
        sensitivity=size,
        standard_uncertainty=1.0,
        unit="1",
        degrees_of_freedom=freedom,
        contribution=abs(size),
    )


def points(value: float, *lines: BudgetLine) -> Points:
    """Points with this budget; degrees of freedom and coverage factor are as if infinite."""
    size = math.hypot(*(one.contribution for one in lines))
    return Points(
        value=value,
        text=f"{value:g}",
        unrounded=value,
        standard_uncertainty=size,
        unit="points",
        effective_degrees_of_freedom=None,
        coverage=COVERAGE,
        coverage_factor=1.96,
        expanded_uncertainty=1.96 * size,
        budget=tuple(lines),
    )


def card(
    trial: str,
    slip: Points | None,
    *,
    status: ScoreStatus = "given",
    wash: Points | None = None,
    control: bool = False,
    missing: Sequence[Test] = (),
) -> Scorecard:
    """A scorecard of slip alone, or of slip and wash endurance; the total is the slip where wash is none."""
    scores = [_score(Test.SLIP, slip, status)]
    total = slip
    if wash is not None:
        scores.append(_score(Test.WASH, wash, status))
        total = None if slip is None else points(slip.value + wash.value, *slip.budget, *wash.budget)
    whole: Literal["at least", "complete"] = "at least" if status == "at least" else "complete"
    return Scorecard(
        trial=trial,
        control=control,
        method_title="test",
        method_sha256="0" * 64,
        scores=tuple(scores),
        total=Total(
            status="incomplete" if missing or total is None else whole, points=total, missing=tuple(missing)
        ),
        assumptions=(),
    )


def _score(test: Test, found: Points | None, status: ScoreStatus) -> Score:
    return Score(
        test=test,
        status="not given" if found is None else status,
        reasons=(),
        points=found,
        panels=(),
        used=(),
        left_out=(),
    )
