"""How often identification is right at first try, on invented gauges: `python -m tests.identify_rate`.

Right means: unit, kind of rhythm and rate (within 10 %), and every value of what the gauge says afterwards
decodes as it is, with no line taken as damaged. A gauge that prints no unit cannot give it away; where that
was said, and a person's answer made all the rest right, it is counted apart.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from acquire.identify import CannotTell, Heard, describe, infer, prove, with_unit
from drivers.description import DescriptionError, GaugeDescription, parse_description
from drivers.registry import make_driver
from tests.identify_gauges import STYLES, Invented, invent
from tests.identify_gauges_later import LATER
from tests.identify_gauges_untuned import UNTUNED
from tests.identify_shipped import GAUGES, Found, identify_all

RATE_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Outcome:
    """`wrong` is empty where all was right; `wrong_values_n` counts values that are not what was sent."""

    style: str
    wrong: str
    asked_unit: bool = False
    wrong_values_n: int = 0


def try_one(gauge: Invented) -> Outcome:
    """Identifies one gauge and holds the outcome against the truth."""
    heard = Heard(gauge.heard, request=gauge.request)
    try:
        understood = infer(heard)
        # Right by chance is not right: N is what is assumed where nothing is printed.
        asked = gauge.quantity == "force" and not gauge.unit_is_printed
        if asked:
            understood = with_unit(understood, gauge.quantity, gauge.unit)
        text = describe(understood, "invented")
        description = parse_description(text.encode(), "invented")
    except CannotTell as error:
        return Outcome(gauge.style, f"gave up: {error}")
    except DescriptionError as error:
        return Outcome(gauge.style, f"unusable: {error.faults[0]}")
    proof = prove(description, heard)
    if len(proof.damaged) > gauge.spoilt_n + 1:
        return Outcome(gauge.style, f"damaged in what was heard: {proof.damaged[0]}", asked)
    wrong, wrong_n = _values(description, gauge)
    wrong = _rhythm(description, gauge) or wrong
    if description.unit != gauge.unit:
        wrong = f"unit {description.unit} instead of {gauge.unit}"
    return Outcome(gauge.style, wrong, asked, wrong_n)


def _rhythm(description: GaugeDescription, gauge: Invented) -> str:
    timing = description.timing
    if timing.mode != gauge.mode:
        return f"{timing.mode} instead of {gauge.mode}"
    if gauge.rate_hz is None or timing.rate_hz is None:
        return ""
    wrong = abs(timing.rate_hz / gauge.rate_hz - 1) > RATE_SHARE
    return f"{timing.rate_hz} Hz instead of {gauge.rate_hz} Hz" if wrong else ""


def _values(description: GaugeDescription, gauge: Invented) -> tuple[str, int]:
    """Decodes what the gauge said afterwards; of a stream the first line may be left out."""
    driver = make_driver(description)
    batch = driver.feed(gauge.more)
    expected = np.array(gauge.more_values)
    if description.timing.mode == "stream" and len(batch) < len(expected):
        # Not so where the first line is a heading: the value behind it is whole.
        expected = expected[1:]
    if batch.errors:
        return f"{len(batch.errors)} lines damaged, first: {batch.errors[0]}", 0
    if len(batch) != len(expected):
        return f"{len(batch)} values instead of {len(expected)}", 0
    alike = np.isclose(batch.values, expected, rtol=0, atol=1e-9, equal_nan=True)
    return ("" if alike.all() else "values differ"), int((~alike).sum())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gauges", type=int, default=20 * len(STYLES))
    parser.add_argument("--failures", action="store_true", help="say why each that failed did")
    parser.add_argument("--invented-only", action="store_true", help="start no simulators")
    options = parser.parse_args()
    batches = (
        ("Styles known while identification was written", STYLES, options.gauges),
        ("Styles it was mended for after a first meeting (43 % right then)", LATER, options.gauges // 2),
        ("Styles it was never changed for", UNTUNED, options.gauges // 2),
    )
    for title, styles, count in batches:
        sys.stdout.write(f"\n{title}:\n\n")
        report([(seed, try_one(invent(seed, styles))) for seed in range(count)], options.failures)
    if not options.invented_only:
        sys.stdout.write("\nShipped simulators, each as a process on a port:\n\n")
        with TemporaryDirectory() as folder:
            report_shipped(identify_all(Path(folder)))
    return 0


def report_shipped(found: dict[str, Found]) -> None:
    """Prints a table of the shipped simulators: how far each was identified at first try."""
    say = sys.stdout.write
    say("| gauge (simulated) | identified at first try | what else a person had to say, or do |\n")
    say("| --- | --- | --- |\n")
    for name, one in found.items():
        say(f"| {name} | {one.share} | {one.wrong or one.why or GAUGES[name].needs or '-'} |\n")
    shares = Counter(one.share for one in found.values())
    counts = ", ".join(f"{share} {count}" for share, count in shares.items())
    say(f"\n{len(found)} shipped simulators: {counts}.\n")


def report(outcomes: Sequence[tuple[int, Outcome]], failures: bool) -> None:
    """Prints a table of outcomes by style, and why those that failed did if that is asked for."""
    total, right, asked = Counter[str](), Counter[str](), Counter[str]()
    for seed, one in outcomes:
        total[one.style] += 1
        right[one.style] += not one.wrong and not one.asked_unit
        asked[one.style] += not one.wrong and one.asked_unit
        if one.wrong and failures:
            sys.stdout.write(f"{seed} {one.style}: {one.wrong}\n")
    say = sys.stdout.write
    say("| style (invented) | gauges | right at first try | right once told the unit | not right |\n")
    say("| --- | ---: | ---: | ---: | ---: |\n")
    for style, count in total.items():
        failed = count - right[style] - asked[style]
        say(f"| {style} | {count} | {right[style]} | {asked[style]} | {failed} |\n")
    n, r, a = total.total(), right.total(), asked.total()
    say(f"| **all** | {n} | {r} ({r / n:.0%}) | {a} ({a / n:.0%}) | {n - r - a} ({(n - r - a) / n:.0%}) |\n")
    wrong_n = sum(one.wrong_values_n for _, one in outcomes)
    say(f"\nValues decoded to another number than was sent: {wrong_n}.\n")


if __name__ == "__main__":
    sys.exit(main())
