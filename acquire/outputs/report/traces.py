"""The force samples around chosen pulls, out of the recordings they were taken from."""

from collections import defaultdict, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from acquire.errors import PanelwrightError
from acquire.model import Reading, StreamStart
from acquire.sources import Floats, Times, latest_force, run_through
from acquire.stream import GaugeStream
from drivers.description import DescriptionError, parse_description

BEFORE_S = 0.6
AFTER_S = 0.4
_LATE_US = 5_000_000
"""A sample may be dated so much earlier than the read it came with."""


@dataclass(frozen=True, slots=True)
class PullTrace:
    """The samples of one pull and a little around it."""

    reading: Reading
    t_s: Floats
    """From the break, shape (n,)."""
    force_n: Floats
    """Above the level at rest, shape (n,)."""


def pull_traces(
    folder: Path, streams: Iterable[StreamStart], wanted: Iterable[Reading]
) -> tuple[dict[str, PullTrace], list[str]]:
    """Gets the samples of pulls, going through each recording once.

    Returns:
        The traces by reading id, and a sentence for each recording that could not be read.
    """
    by_recording: dict[str, list[Reading]] = defaultdict(list)
    for reading in wanted:
        by_recording[reading.raw.recording].append(reading)
    # Several gauges on one line share a recording.
    pulled = {(name, reading.gauge) for name, readings in by_recording.items() for reading in readings}
    starts = {start.recording: start for start in streams if (start.recording, start.gauge) in pulled}
    traces: dict[str, PullTrace] = {}
    problems: list[str] = []
    for name, readings in by_recording.items():
        try:
            traces |= _of_recording(folder / name, starts, readings)
        except (PanelwrightError, DescriptionError) as error:
            problems.append(
                f"No figure from {name}: {str(error).replace(str(folder / name), 'the recording')}"
            )
    return traces, problems


def _of_recording(
    path: Path, starts: Mapping[str, StreamStart], readings: list[Reading]
) -> dict[str, PullTrace]:
    start = starts.get(path.name)
    if start is None:
        return {}
    description = parse_description(start.description_text.encode(), start.description)
    stream = GaugeStream(description, dict(start.capture))
    spans = sorted(((reading, *_span_us(reading)) for reading in readings), key=lambda span: span[1])
    ahead = deque(spans)
    kept: dict[str, list[tuple[Times, Floats]]] = defaultdict(list)
    last_us = max(stop for _, _, stop in spans)
    for block in run_through(path, stream):
        if block.line is None:
            _keep(*latest_force(stream), ahead, kept)
            if block.t_us > last_us:
                break
            while ahead and ahead[0][2] < block.t_us - _LATE_US:
                ahead.popleft()
    return {reading.id: _trace(reading, kept[reading.id]) for reading, _, _ in spans if kept[reading.id]}


def _span_us(reading: Reading) -> tuple[int, int]:
    begin, end = _number(reading, "t_start_s"), _number(reading, "t_end_s")
    at_s = reading.t_mono_ns / 1e9
    begin, end = (at_s if begin is None else begin), (at_s if end is None else end)
    return round((begin - BEFORE_S) * 1e6), round((end + AFTER_S) * 1e6)


def _keep(
    t_us: Times,
    force_n: Floats,
    spans: Iterable[tuple[Reading, int, int]],  # by rising beginning
    kept: dict[str, list[tuple[Times, Floats]]],
) -> None:
    if not len(t_us):
        return
    for reading, begin, end in spans:
        if begin > t_us[-1]:
            break
        inside = (t_us >= begin) & (t_us <= end)
        if inside.any():
            kept[reading.id].append((t_us[inside], force_n[inside]))


def _trace(reading: Reading, parts: list[tuple[Times, Floats]]) -> PullTrace:
    t_us = np.concatenate([times for times, _ in parts])
    force_n = np.concatenate([forces for _, forces in parts])
    return PullTrace(
        reading, (t_us - reading.t_mono_ns / 1000) * 1e-6, force_n - (_number(reading, "rest_n") or 0.0)
    )


def _number(reading: Reading, key: str) -> float | None:
    value = reading.details.get(key)
    return float(value) if isinstance(value, int | float) else None
