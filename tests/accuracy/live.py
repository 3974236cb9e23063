"""As a bench runs: the shipped method's capture rules, and samples that arrive as lines in bursts."""

from datetime import UTC, datetime
from functools import cache

import numpy as np
from numpy.typing import NDArray

import config
from acquire.capture.finder import PullFinder
from acquire.capture.pulls import pull_settings
from acquire.ports.events import PortEvent
from acquire.scoring.method import parse_method
from acquire.service import LEAST_FRICTION
from acquire.stream import GaugeStream
from drivers.description import GaugeDescription, parse_description
from tests.accuracy.grid import Case
from tests.accuracy.score import Found, found_in

Floats = NDArray[np.float64]

READ_EVERY_S = (0.0, 0.016, 0.1)
"""Line by line, as USB adapters hand bytes over, and as a server of serial devices may send them."""
OFF_RATE = 0.02
"""A gauge may run so much slower or faster than it says."""
START = datetime(2031, 5, 4, 8, 0, tzinfo=UTC)

DESCRIPTION = """
title = "Simulated gauge"
driver = "line"
quantity = "force"
unit = "N"
resolution = {resolution}
range = [-{range}, {range}]

[serial]
baudrate = 115200

[timing]
mode = "stream"
rate_hz = {rate}
max_silence_s = 2.0

[line]
terminator = "\\r\\n"
first_line = "whole"
pattern = '(?P<value>[+-]\\d+\\.\\d+)'
"""


@cache
def _rules() -> dict[str, float]:
    text = (config.FOLDER / "method.toml").read_text(encoding="utf-8")
    rules = parse_method(text, "method.toml").slip.capture.model_dump()
    return {name: value for name, value in rules.items() if value is not None}


def chosen(case: Case) -> dict[str, float | None]:
    """What a bench with the shipped method and this block chooses."""
    return {"min_force_n": LEAST_FRICTION * case.weight_n, **_rules()}


def from_samples(case: Case, t: Floats, f: Floats) -> list[Found]:
    """What a bench finds if every sample comes at its time."""
    front = case.front
    finder = PullFinder(
        pull_settings(
            rate_hz=front.rate_hz,
            resolution=front.resolution_n,
            full_scale=front.range_n,
            unit="N",
            **chosen(case),
        )
    )
    return found_in([*finder.feed(t, f), *finder.finish()])


def from_bytes(case: Case, t: Floats, f: Floats) -> list[Found]:
    """What a bench finds if samples come as lines, in bursts that may be read in two."""
    rng = np.random.default_rng([case.seed, 23])
    stream = GaugeStream(_description(case, float(rng.uniform(1 - OFF_RATE, 1 + OFF_RATE))), chosen(case))
    stream.take(PortEvent("gauge", "open", 0, START))
    data, t_us, ends = _as_read(t, f, rng)
    items = [*stream.take_chunks(data, t_us, ends), *stream.finish()]
    return [
        Found(_seconds(item.details["t_break_s"]), item.value, item.under_read, item.reasons)
        for item in items
    ]


def _seconds(value: object) -> float:
    assert isinstance(value, float)
    return value


def _description(case: Case, off: float) -> GaugeDescription:
    front = case.front
    text = DESCRIPTION.format(
        resolution=front.resolution_n, range=float(front.range_n), rate=front.rate_hz * off
    )
    return parse_description(text.encode(), "simulated")


def _as_read(
    t: Floats, f: Floats, rng: np.random.Generator
) -> tuple[bytes, NDArray[np.int64], NDArray[np.int64]]:
    """The bytes, when each chunk was read (µs) and where it ends."""
    lines = [b"%+.6f\r\n" % value for value in f.tolist()]
    every_s = float(rng.choice(READ_EVERY_S))
    burst = np.floor(t / every_s).astype(np.int64) if every_s else np.arange(len(t))
    read_s = np.maximum(t, (burst + 1) * every_s) if every_s else t
    last = np.flatnonzero(np.diff(burst, append=burst[-1] + 1))
    # A piece of every third burst comes a little earlier than its rest.
    first = np.append(0, last[:-1] + 1)
    apart = (last > first) & (rng.random(len(last)) < 1 / 3)
    early = (first + rng.integers(0, np.maximum(last - first, 1)))[apart]
    cuts = np.sort(np.concatenate([last, early]))
    late_s = np.where(np.isin(cuts, early), 0.0, 0.001) + rng.uniform(0.0, 0.0005, len(cuts))
    ends = np.cumsum([len(line) for line in lines])[cuts]
    t_us = np.maximum.accumulate(np.round(1e6 * (read_s[cuts] + late_s)).astype(np.int64))
    return b"".join(lines), t_us, ends
