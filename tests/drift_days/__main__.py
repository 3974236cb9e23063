"""Simulates days of checks whose truth is known and prints what the drift rules made of them, as markdown.

Everything is invented and seeded: the same numbers on every machine. `--quick` takes a tenth of it.
"""

import argparse
import os
import sys
from collections.abc import Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor

# One thread of linear algebra a process: the pool has a process for each core already.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from acquire.calibration.drift import Shape
from tests.accuracy.report import percent
from tests.drift_days.days import CHECKS_N, GAUGES, HEALTHY, KINDS, Gauge, Kind
from tests.drift_days.run import HISTORY_DAYS, LIMIT_SIGMA, Tally, run, total

HEALTHY_DAYS = 1000
MOVING_DAYS = 200
SHAPES: tuple[Shape, ...] = ("steady", "linear drift", "step", "warming up")
Job = tuple[Gauge, Kind, int, int]


def row(cells: Iterable[object]) -> str:
    return "| " + " | ".join(map(str, cells)) + " |"


def head(*titles: str) -> list[str]:
    return [row(titles), row(["---"] * len(titles))]


def quantile(values: list[int] | list[float], share: float) -> str:
    return f"{np.quantile(values, share):.3g}" if values else "-"


def alarm_table(found: Mapping[Job, Tally]) -> list[str]:
    lines = head("gauge", "earlier checks", "healthy days", "with an alarm", "share")
    for (gauge, kind, _, history), tally in found.items():
        if kind == HEALTHY:
            share = percent(tally.alarms, tally.days, 2)
            lines.append(row([gauge.name, history * CHECKS_N, tally.days, tally.alarms, share]))
    return lines


def early_table(found: Mapping[Job, Tally], history: int) -> list[str]:
    lines = head(
        "day", "seen", "checks until seen: median", "90 %", "hours: median", "90 %", "right at day's end",
        "told without reserve", "of these right",
    )  # fmt: skip
    for kind in KINDS:
        tally = total(one for job, one in found.items() if job[1] == kind and job[3] == history)
        clear_n = tally.clear.total()
        lines.append(
            row(
                [
                    kind.name,
                    percent(tally.alarms, tally.days),
                    quantile(tally.checks_until, 0.5),
                    quantile(tally.checks_until, 0.9),
                    quantile(tally.hours_until, 0.5),
                    quantile(tally.hours_until, 0.9),
                    percent(tally.named[kind.shape], tally.days),
                    percent(clear_n, tally.days),
                    percent(tally.clear[kind.shape], clear_n),
                ]
            )
        )
    return lines


def forecast_table(found: Mapping[Job, Tally]) -> list[str]:
    lines = head(
        "day", "earlier checks", "forecasts", "not too late", "expected minus true: 10 %", "50 %", "90 % h"
    )
    for kind in KINDS:
        for history in (HISTORY_DAYS, 0) if kind.shape == "linear drift" else ():
            tally = total(one for job, one in found.items() if job[1] == kind and job[3] == history)
            misses = [quantile(tally.misses_h, share) for share in (0.1, 0.5, 0.9)]
            in_time = percent(tally.in_time, tally.forecasts)
            lines.append(row([kind.name, history * CHECKS_N, tally.forecasts, in_time, *misses]))
    return lines


def confusion_table(found: Mapping[Job, Tally], history: int) -> list[str]:
    lines = head("true", *(f"told: {shape}" for shape in SHAPES))
    for true in SHAPES:
        tally = total(one for job, one in found.items() if job[1].shape == true and job[3] == history)
        lines.append(row([true, *(percent(tally.named[told], tally.days) for told in SHAPES)]))
    return lines


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.drift_days", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="about a tenth of it")
    share = 10 if parser.parse_args(arguments).quick else 1
    jobs: list[Job] = [
        (gauge, kind, (HEALTHY_DAYS if kind is HEALTHY else MOVING_DAYS) // share, history)
        for gauge in GAUGES
        for history in (0, HISTORY_DAYS)
        for kind in (HEALTHY, *KINDS)
    ]
    with ProcessPoolExecutor() as pool:
        found = dict(zip(jobs, pool.map(run, *zip(*jobs, strict=True)), strict=True))
    lines = [
        "# Days of checks, told from simulated truth",
        "",
        f"{CHECKS_N} checks a day, about one an hour, looked at after each. σ: scatter of a check.",
        "Checks until seen count from the first one after the onset: one is the fewest.",
        "",
        *alarm_table(found),
        "",
    ]
    for title, history in (("With a history of the gauge's own", HISTORY_DAYS), ("Without a history", 0)):
        lines += [f"## {title}", "", *early_table(found, history), "", *confusion_table(found, history), ""]
    lines += [
        f"## Check again before: {LIMIT_SIGMA:g} σ foretold, at every look",
        "",
        *forecast_table(found),
        "",
    ]
    sys.stdout.write("\n".join(lines))


if __name__ == "__main__":
    main(sys.argv[1:])
