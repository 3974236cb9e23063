"""Measures the fast paths, each against something well known in the same run, and prints a table.

Numbers vary with the machine; the ratios much less so. `--quick` takes smaller amounts.
"""

import argparse
import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.benchmarks import capture, decode, live, replay, rescore

Result = dict[str, str | float]

UNITS = {"s": "s", "us": "µs", "kib": "KiB", "percent": "%"}


def row(result: Result) -> str:
    """One line of the table: a rate against another, or one number against its aim."""
    if "ratio" in result:
        ours, theirs, ratio = (float(result[key]) for key in ("ours_per_s", "theirs_per_s", "ratio"))
        measured = f"{ours:,.0f}/s against {theirs:,.0f}/s of {result['against']}"
        return f"| {result['what']} | {measured} | {ratio:.2f} x | {float(result['aim']):g} x |"
    (name, value), (_, aim) = (item for item in result.items() if item[0] != "what")
    unit = UNITS[name.rsplit("_", 1)[1]]
    return f"| {result['what']} | {float(value):,.1f} {unit} | | at most {float(aim):g} {unit} |"


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller amounts, for a look")
    quick = parser.parse_args(arguments).quick
    sys.stdout.write("| what | measured | ratio | aim |\n| --- | --- | --- | --- |\n")
    for result in decode.run():
        sys.stdout.write(row(result) + "\n")
    for result in (
        replay.speed(100_000 if quick else 1_000_000),
        capture.speed(100_000 if quick else 1_000_000),
        capture.memory(1_000_000 if quick else 10_000_000),
        live.share(3.0 if quick else 10.0),
        *rescore.run(1_000 if quick else 10_000),
    ):
        sys.stdout.write(row(result) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
