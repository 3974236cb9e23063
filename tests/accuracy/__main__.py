"""Simulates pulls whose truth is known, lets capture find them and prints how well it did, as markdown.

Everything is invented and seeded: the same numbers on every machine. `--quick` takes a small share of it.
"""

import argparse
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial

# One thread of linear algebra a process: the pool has a process for each core already.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray

from acquire.capture.finder import PullFinder
from acquire.capture.survey import settings_for
from tests.accuracy.grid import Case, bad_cases, good_cases
from tests.accuracy.live import from_bytes, from_samples
from tests.accuracy.odd import RATES_HZ, SECONDS, TRACES, odd_trace
from tests.accuracy.report import bad_table, good_table, percent, quiet_table
from tests.accuracy.score import Found, Tally, found_in, tally

Floats = NDArray[np.float64]
Scored = tuple[Case, Tally]
QUIET_SEEDS = 5
BYTES_EVERY = 7
"""Every so many of the cases is also run from bytes."""
SLOW_HZ = (5.0, 10.0)
FAIR_HZ = (20.0, 20.0)


Find = Callable[[Case, Floats, Floats], list[Found]]


def from_file(case: Case, t: Floats, f: Floats) -> list[Found]:
    """What is found in a file that says nothing of gauge or block."""
    finder = PullFinder(settings_for(t, f))
    return found_in([*finder.feed(t, f), *finder.finish()])


def score(find: Find, case: Case) -> Scored:
    case, trace = case.trace()
    front = case.front
    t, f = front.sample(trace, seed=[case.seed, 3])
    pulls = find(case, t, f)
    return case, tally(trace.truth, pulls, step_s=1 / front.rate_hz, resolution_n=front.resolution_n)


def quiet(job: tuple[str, float, int]) -> tuple[str, int, int]:
    """Counts what is found where nothing is to be found, in a file that says nothing of its gauge."""
    t, f = odd_trace(*job)
    finder = PullFinder(settings_for(t, f))
    pulls = [*finder.feed(t, f), *finder.finish()]
    refused = sum(bool(pull.reasons) for pull in pulls)
    return job[0], len(pulls) - refused, refused


def grouped(scored: Iterable[Scored], by: Callable[[Case], str]) -> dict[str, Tally]:
    found: dict[str, Tally] = {}
    for case, one in scored:
        found.setdefault(by(case), Tally()).add(one)
    return found


def _everything(case: Case) -> str:
    return "**all**"


def good_section(title: str, scored: list[Scored]) -> list[str]:
    lines = [f"## {title}", ""]
    ways: list[tuple[str, Callable[[Case], str]]] = [
        ("gauge", lambda case: case.gauge),
        ("surface", lambda case: case.surface),
        ("hand", lambda case: case.hand),
        ("", _everything),
    ]
    for name, by in ways:
        lines += [*good_table(name, grouped(scored, by)), ""]
    return lines


def slow_section(scored: list[Scored]) -> list[str]:
    """Says how many good pulls slow gauges cost."""
    lines = []
    for title, wanted in (("5 to 10", SLOW_HZ), ("20", FAIR_HZ)):
        some = [one for case, one in scored if wanted[0] <= case.front.rate_hz <= wanted[1]]
        true, accepted = sum(one.true for one in some), sum(one.accepted for one in some)
        lines.append(
            f"Gauges of {title} Hz: {percent(true - accepted, true)} of good pulls are refused: between two "
            "samples more of the peak may hide than the method allows."
        )
    lines.append("Pull more slowly with such a gauge, or take one of 50 Hz or more.")
    return [*lines, ""]


def bad_section(scored: list[Scored]) -> list[str]:
    lines = ["## Pulls that should be refused, by the rules of the shipped method", ""]
    lines += [*bad_table(grouped(scored, lambda case: case.hand)), ""]
    fast = [one for one in scored if one[0].front.rate_hz >= 50.0]
    lines += ["The same, gauges of 50 Hz and more:", ""]
    return [*lines, *bad_table(grouped(fast, lambda case: case.hand)), ""]


def quiet_section(found: Iterable[tuple[str, int, int]], seeds: int) -> list[str]:
    accepted: Counter[str] = Counter()
    refused: Counter[str] = Counter()
    for name, good, bad in found:
        accepted[name] += good
        refused[name] += bad
    hours = len(RATES_HZ) * seeds * SECONDS / 3600
    counts = {name: (accepted[name], refused[name]) for name in TRACES}
    return ["## Traces without a pull, settings read off the trace", "", *quiet_table(counts, hours), ""]


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="about a tenth of it")
    options = parser.parse_args(arguments)
    good, bad = list(good_cases(3)), list(bad_cases(1))
    seeds = QUIET_SEEDS
    if options.quick:
        good, bad, seeds = good[::10], bad[::6], 1
    jobs = [(name, rate, seed) for name in TRACES for rate in RATES_HZ for seed in range(seeds)]
    with ProcessPoolExecutor() as pool:
        live = list(pool.map(partial(score, from_samples), good, chunksize=8))
        read = list(pool.map(partial(score, from_bytes), good[::BYTES_EVERY], chunksize=2))
        refusals = list(pool.map(partial(score, from_samples), bad, chunksize=8))
        file = list(pool.map(partial(score, from_file), good, chunksize=8))
        nothing = list(pool.map(quiet, jobs, chunksize=4))
    lines = [
        "# Pulls that capture found, against the simulators' truth",
        "",
        "found: listed at its time, accepted or refused. refused: of those that should be accepted. false:",
        "share of the accepted that are no pull. within: breakaway within one display step plus the stated",
        "under-read of the true peak at the first break. median, worst: error as a share of the truth.",
        "",
        *good_section("As the bench runs them: rules of the shipped method, weight of the block", live),
        *slow_section(live),
        *good_section("The same from bytes: lines in bursts, some read in two, gauges up to 2 % off", read),
        *bad_section(refusals),
        *good_section("Settings read off the trace itself, as for somebody's file", file),
        *quiet_section(nothing, seeds),
    ]
    sys.stdout.write("\n".join(lines))


if __name__ == "__main__":
    main(sys.argv[1:])
