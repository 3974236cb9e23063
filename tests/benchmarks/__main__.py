"""Measures the fast paths, each against something well known in the same run, and prints a table.

Numbers vary with the machine; the ratios much less so. Without a name, all parts are measured, which takes
several minutes; let the machine do nothing else meanwhile.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterator

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.benchmarks import (
    bus,
    capture,
    day,
    decode,
    latency,
    live,
    modbus,
    recapture,
    replay,
    rescore,
    standings,
)

Result = dict[str, str | float]

UNITS = {"s": "s", "us": "µs", "kib": "KiB", "percent": "%"}


def _capture(quick: bool) -> Iterator[Result]:
    samples = 100_000 if quick else 1_000_000
    yield replay.speed(samples)
    yield capture.speed(samples)
    yield capture.memory(10 * samples)


def _live(quick: bool) -> Iterator[Result]:
    yield live.share(3.0 if quick else 10.0)
    yield from latency.run(50 if quick else 300)


def _standings(quick: bool) -> Iterator[Result]:
    for trials in (20,) if quick else (20, 200, 300):
        yield standings.speed(trials)


PARTS: dict[str, tuple[str, Callable[[bool], Iterator[Result]]]] = {
    "decode": ("from bytes to values", lambda quick: iter(decode.run())),
    "modbus": ("polls of Modbus gauges", lambda quick: iter(modbus.run())),
    "capture": ("replay, pulls and their memory", _capture),
    "live": ("from a gauge's last byte to journal, screens and bus", _live),
    "bus": ("from the journal to a subscriber", lambda quick: iter(bus.rows(50 if quick else 300))),
    "rescore": (
        "ten thousand trials scored anew",
        lambda quick: iter(rescore.run(1_000 if quick else 10_000)),
    ),
    "recapture": ("recordings captured anew", lambda quick: iter(recapture.run(3 if quick else 10))),
    "standings": ("ranks of hundreds of trials", _standings),
    "day": ("memory over a simulated day", lambda quick: iter([day.memory(2 if quick else 24)])),
}
"""Quick ones first, and what keeps the machine busy for long behind what is timed to the millisecond."""


def row(result: Result) -> str:
    """One line of the table: a rate against another, times with their spread, or one number; with its aim."""
    what = result["what"]
    if "ratio" in result:
        ours, theirs, ratio = (float(result[key]) for key in ("ours_per_s", "theirs_per_s", "ratio"))
        measured = f"{ours:,.0f}/s against {theirs:,.0f}/s of {result['against']}"
        return f"| {what} | {measured} | {ratio:.2f} x | {float(result['aim']):g} x |"
    if "p99_ms" in result:
        measured = f"median {result['median_ms']:.1f} ms, 99 of 100 within {result['p99_ms']:.1f} ms"
        aim = f"99 of 100 within {result['aim_ms']:g} ms" if "aim_ms" in result else ""
        return f"| {what} | {measured} | | {aim} |"
    if "events_per_s" in result:
        return f"| {what} | {result['events_per_s']:,.0f} events/s | | |"
    (name, value), *aims = (item for item in result.items() if item[0] != "what")
    unit = UNITS[name.rsplit("_", 1)[1]]
    aim = f"at most {float(aims[0][1]):g} {unit}" if aims else ""
    return f"| {what} | {float(value):,.1f} {unit} | | {aim} |"


def _rows(name: str, quick: bool) -> Iterator[str]:
    try:
        yield from map(row, PARTS[name][1](quick))
    except pytest.skip.Exception as missing:
        yield f"| {name} | left out: {missing} | | |"


def main(arguments: list[str]) -> None:
    listed = "; ".join(f"{name}: {about}" for name, (about, _) in PARTS.items())
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__, epilog=listed)
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--quick", action="store_true", help="smaller amounts, for a look")
    given = parser.parse_args(arguments)
    if unknown := [name for name in given.parts if name not in PARTS]:
        parser.error(f"there is no part {unknown[0]!r}; there are: {', '.join(PARTS)}")
    sys.stdout.write("| what | measured | ratio | aim |\n| --- | --- | --- | --- |\n")
    for name in given.parts or PARTS:
        for line in _rows(name, given.quick):
            sys.stdout.write(line + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
