"""How long it takes to score an archive anew, from its journal and from memory, beside plain numpy.

numpy is given the bare numbers in one array and works out the means, differences and points alone: no text to
read, no selection, no rounding, no uncertainty, no scorecard. It is the floor, not a rival.
"""

import subprocess
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acquire.archive import Archive, Share
from acquire.bench import parse_bench
from acquire.journal import Journal
from acquire.model import Test
from acquire.rescoring import rescored_at_once
from acquire.results import rescored
from acquire.scoring.results import Scorecard
from acquire.scoring.scorecard import score
from tests.benches import BENCH
from tests.benchmarks.archive import PANELS, READINGS_PER_TRIAL, SET_N, archive, archive_method
from tests.benchmarks.capture import most_kib

Result = dict[str, str | float]

SAMPLE_TRIALS = 500
ROUNDS = 3


def run(trials: int = 10_000) -> list[Result]:
    """Writes an archive and scores it from its journal, once in one process of its own, once in several.

    Scoring alone is timed on the readings of its first trials, held in memory, and told for all.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "archive.sqlite"
        archive(path, trials)
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.rescore", str(path)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        whole_s, grown_kib = map(float, done.stdout.split())
        at_once_s = _at_once(path, trials)
        with Journal.open(path, readonly=True) as journal:
            archived = Archive(journal)
            held = list(islice(archived.shares(archived.parts()[0]), SAMPLE_TRIALS))
    alone_s, cards = _alone(held)
    plain_s, points = _plain(held, trials)
    found = [card.scores[0].points for card in cards]
    assert np.allclose(points[: len(held)], [0.0 if one is None else one.unrounded for one in found])
    alone_s *= trials / len(held)
    name = f"{trials:,} trials, {trials * READINGS_PER_TRIAL:,} readings"
    return [
        _line(f"rescoring {name}, from the journal", at_once_s, plain_s, 20.0 * trials / 10_000),
        _line("the same in one process", whole_s, plain_s, 40.0 * trials / 10_000),
        _line(f"scoring {name}, held in memory", alone_s, plain_s, 6.0 * trials / 10_000),
        {"what": f"memory over rescoring {name}", "grown_kib": grown_kib, "aim_kib": 16_384.0},
    ]


def _line(what: str, ours_s: float, plain_s: float, aim_s: float) -> Result:
    beside = (
        f"means and differences by numpy alone: {1000 * plain_s:.1f} ms, {ours_s / plain_s:,.0f} times less"
    )
    return {"what": f"{what} ({beside})", "took_s": ours_s, "aim_s": aim_s}


def _whole(path: Path) -> tuple[float, float]:
    """Seconds for a whole journal, and KiB by which the process grew after the first tenth of it."""
    bench, method = parse_bench(BENCH, "benchmark"), archive_method()
    with Journal.open(path, readonly=True) as journal:
        trials = sum(1 for _ in journal.bodies("trial"))
        first_kib = 0.0
        begin = time.perf_counter()
        for number, card in enumerate(rescored(journal, bench, method), 1):
            assert card.total.status == "complete", card.trial
            if number == trials // 10:
                first_kib = most_kib()
        return time.perf_counter() - begin, most_kib() - first_kib


def _is_complete(card: Scorecard) -> bool:
    return card.total.status == "complete"


def _at_once(path: Path, trials: int) -> float:
    bench, method = parse_bench(BENCH, "benchmark"), archive_method()
    with Journal.open(path, readonly=True) as journal:
        begin = time.perf_counter()
        assert sum(rescored_at_once(journal, bench, method, _is_complete)) == trials
        return time.perf_counter() - begin


def _alone(held: list[Share]) -> tuple[float, list[Scorecard]]:
    method, gravity = archive_method(), parse_bench(BENCH, "benchmark").gravity()
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        cards = [
            score(
                method,
                share.readings,
                share.ratings,
                share.inspections,
                trial=share.trial.id,
                panels=share.trial.panels,
                gravity=gravity,
            )
            for share in held
        ]
        times.append(time.perf_counter() - begin)
    return min(times), cards


def _plain(held: list[Share], trials: int) -> tuple[float, NDArray[np.float64]]:
    """Seconds for that many trials, and the points for slip without rounding."""
    by_place = [
        sorted((r for r in share.readings if r.step.test is not Test.WASH), key=lambda r: str(r.step))
        for share in held
    ]
    shape = (len(held), 2, 2, len(PANELS), SET_N)  # bare gloss, bare slip, treated gloss, treated slip
    values = np.array([[reading.value for reading in one] for one in by_place]).reshape(shape)
    values = np.resize(values, (trials, *shape[1:]))
    weight_n = 0.8 * parse_bench(BENCH, "benchmark").gravity().value_m_s2
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        means = values.mean(axis=-1)
        change = (means[:, 1] - means[:, 0]).mean(axis=-1)
        gloss = np.where(change[:, 0] >= 0, 0.4, 0.8) * change[:, 0]
        slip = -change[:, 1] / weight_n * 40
        total = gloss + slip
        times.append(time.perf_counter() - begin)
    assert np.isfinite(total).all()
    return min(times), slip


if __name__ == "__main__":
    sys.stdout.write("{} {}".format(*_whole(Path(sys.argv[1]))))
