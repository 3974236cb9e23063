"""What stands behind each reading on paper: its bytes, and the line that a pull drew, out of its recording.

Recordings are gone through one at a time, and of each pull only as many points are kept as are drawn.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from acquire.errors import PanelwrightError
from acquire.model import Reading, Refusal, StreamStart
from acquire.outputs.drawing import thinned
from acquire.outputs.report.traces import PullTrace, pull_traces
from acquire.recordings import Columns, read_columns

ROW_BYTES = 8
WHOLE_BYTES = 96
"""So many bytes are shown in full; of more, the ends and what arrived at the break."""
END_BYTES = 24
BREAK_BYTES = 64
RECORDING = ".rec"

Item = Reading | Refusal


@dataclass(frozen=True, slots=True)
class Row:
    """Some bytes of a recording, in a row."""

    offset: int
    hexadecimal: str
    text: str
    """Printable ASCII as it is, a dot for anything else."""


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Bytes that stand together, and what they are of the reading."""

    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the recordings gave, by the id of reading or refusal."""

    traces: dict[str, PullTrace] = field(default_factory=dict)
    excerpts: dict[str, tuple[Excerpt, ...]] = field(default_factory=dict)
    samples_n: dict[str, int] = field(default_factory=dict)
    """Of a drawn pull: how many samples its line was thinned from."""
    problems: list[str] = field(default_factory=list)
    """A sentence for each recording that could not be read."""


def evidence(folder: Path, streams: Iterable[StreamStart], items: Iterable[Item]) -> Evidence:
    """Gets bytes and pulls out of the recordings in `folder`."""
    found = Evidence()
    starts: dict[str, list[StreamStart]] = defaultdict(list)
    for start in streams:
        starts[start.recording].append(start)
    by_recording: dict[str, list[Item]] = defaultdict(list)
    for item in items:
        by_recording[item.raw.recording].append(item)
    for name, own in by_recording.items():
        pulls = [one for one in own if isinstance(one, Reading) and one.quantity == "force"]
        traces, problems = pull_traces(folder, starts[name], pulls)
        for id_, trace in traces.items():
            found.samples_n[id_] = len(trace.t_s)
            found.traces[id_] = PullTrace(trace.reading, *thinned(trace.t_s, trace.force_n))
        try:
            for item, data, at_break in _bytes_of(folder / name, own):
                found.excerpts[item.id] = tuple(_excerpts(item, data, at_break))
        except (PanelwrightError, OSError) as error:
            said = str(error).replace(str(folder / name), "the recording")
            problems = problems or [f"No bytes from {name}: {said}"]
        found.problems.extend(problems)
    return found


@dataclass(slots=True)
class _Wanted:
    """The bytes of one item, as they come in."""

    item: Item
    data: bytearray = field(default_factory=bytearray)
    at_break: tuple[int, int] | None = None
    """Offsets of the read that arrived when the pull broke."""


def _bytes_of(path: Path, items: Sequence[Item]) -> Iterator[tuple[Item, bytes, tuple[int, int] | None]]:
    if path.suffix != RECORDING:
        table = path.read_bytes()
        for item in items:
            yield item, table[item.raw.first_byte : item.raw.last_byte], None
        return
    waiting = sorted(items, key=lambda item: (item.raw.opening, item.raw.first_byte), reverse=True)
    active: list[_Wanted] = []
    opening, received = -1, 0
    for columns in read_columns(path):
        here = max(0, opening), received
        received += len(columns.data)
        while waiting and (waiting[-1].raw.opening, waiting[-1].raw.first_byte) < (here[0], received):
            active.append(_Wanted(waiting.pop()))
        for one in active:
            _add(one, columns, here[1])
        yield from (
            (one.item, bytes(one.data), one.at_break) for one in active if _ends(one, here[0], received)
        )
        active = [one for one in active if not _ends(one, here[0], received)]
        if columns.control is not None and columns.control.kind == "open":
            opening, received = opening + 1, 0


def _ends(one: _Wanted, opening: int, received: int) -> bool:
    return (one.item.raw.opening, one.item.raw.last_byte) <= (opening, received)


def _add(one: _Wanted, columns: Columns, offset: int) -> None:
    raw = one.item.raw
    one.data += columns.data[max(0, raw.first_byte - offset) : max(0, raw.last_byte - offset)]
    if one.at_break is None and len(columns.t_us) and one.item.quantity == "force":
        chunk = int(np.searchsorted(columns.t_us, one.item.t_mono_ns // 1000))
        if chunk < len(columns.t_us):
            begin = offset + (int(columns.ends[chunk - 1]) if chunk else 0)
            one.at_break = begin, offset + int(columns.ends[chunk])


def _excerpts(item: Item, data: bytes, at_break: tuple[int, int] | None) -> Iterator[Excerpt]:
    first, last = item.raw.first_byte, item.raw.first_byte + len(data)
    if len(data) <= WHOLE_BYTES:
        yield Excerpt(f"all {len(data)} bytes", _rows(data, first))
        return
    yield Excerpt("where it begins", _rows(data[:END_BYTES], first))
    if at_break is not None and first <= at_break[0] < at_break[1] <= last:
        begin, end = at_break[0], min(at_break[1], at_break[0] + BREAK_BYTES)
        yield Excerpt("what arrived at the break", _rows(data[begin - first : end - first], begin))
    yield Excerpt("where it ends", _rows(data[-END_BYTES:], last - END_BYTES))


def _rows(data: bytes, offset: int) -> tuple[Row, ...]:
    return tuple(
        Row(
            offset + at,
            data[at : at + ROW_BYTES].hex(" ").upper(),
            "".join(chr(one) if 32 <= one < 127 else "." for one in data[at : at + ROW_BYTES]),
        )
        for at in range(0, len(data), ROW_BYTES)
    )
