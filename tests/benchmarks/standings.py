"""Standings of many invented trials: comparing all pairs and simulating all places.

python -m tests.benchmarks.standings
"""

import math
import sys
import time

import numpy as np

from acquire.scoring.results import Points, Scorecard
from acquire.scoring.standings import rank
from tests.points_kit import card, line, points

OWN_T = 8
OWN_RECTANGULAR = 12
TRIALS_PER_CHECK = 4


def invented(trials: int) -> list[Scorecard]:
    """Totals with as many sources as a trial on two panels has; some are shared by all, some by a few."""
    rng = np.random.default_rng(3)
    return [card(f"trial-{n}", _points(n, rng)) for n in range(trials)]


def _points(n: int, rng: np.random.Generator) -> Points:
    check = n // TRIALS_PER_CHECK
    return points(
        float(20 + 5 * rng.standard_normal()),
        *(line(0.3 * rng.random() + 0.01, freedom=5) for _ in range(OWN_T)),
        *[line(0.1, distribution="rectangular")] * OWN_RECTANGULAR,
        line(0.2, "block"),
        line(0.1, "reference weight"),
        line(0.2, "reference tile"),
        line(0.1, f"force check {check}", freedom=9),
        line(0.15, f"gloss check {check}", freedom=9),
    )


def plain(cards: list[Scorecard], draws: int) -> None:
    """The same places by drawing each own source anew with numpy; shared ones are left out."""
    rng = np.random.default_rng(4)
    totals = np.empty((draws, len(cards)))
    for column, one in enumerate(cards):
        found = one.total.points
        assert found is not None
        totals[:, column] = found.unrounded
        for source in found.budget[:OWN_T]:
            totals[:, column] += source.contribution * rng.standard_t(5, draws)
        for source in found.budget[OWN_T : OWN_T + OWN_RECTANGULAR]:
            totals[:, column] += source.contribution * rng.uniform(-math.sqrt(3), math.sqrt(3), draws)
    order = np.argsort(-totals, axis=1)
    np.bincount((order * len(cards) + np.arange(len(cards))).ravel())


def speed(trials: int, draws: int = 100_000) -> dict[str, str | float]:
    """Whole standings, comparison and models included, against the plain simulation alone."""
    cards = invented(trials)
    start = time.perf_counter()
    rank(cards, draws=draws)
    ours_s = time.perf_counter() - start
    some = draws // 10
    start = time.perf_counter()
    plain(cards, some)
    theirs_s = (time.perf_counter() - start) * draws / some
    return {
        "what": f"standings of {trials} trials, {draws:,} draws, {ours_s:.2f} s: draws of one trial",
        "ours_per_s": trials * draws / ours_s,
        "theirs_per_s": trials * draws / theirs_s,
        "against": "numpy drawing every source anew",
        "ratio": theirs_s / ours_s,
        "aim": 1.0,
    }


if __name__ == "__main__":
    from tests.benchmarks.__main__ import row

    for trials in (20, 200, 300):
        sys.stdout.write(row(speed(trials)) + "\n")
