"""How fast a recording is replayed, from its text to its pulls, against numpy.loadtxt on the same numbers."""

import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from acquire.recordings import Header
from acquire.sources import replay
from acquire.stream import GaugeStream
from tests.benchmarks.traces import NAME, gauge_at_1_khz, pulls_at_1_khz

Result = dict[str, str | float]

ROUNDS = 3


def _text(lines: int) -> Iterator[tuple[str, str]]:
    """For each sample its line in the recording (a chunk for each, the worst case) and the number alone."""
    _, f = pulls_at_1_khz(lines)
    for number, value in enumerate(f.tolist(), 1):
        shown = f"{value:+07.2f}"
        hexed = f"{shown}\r\n".encode().hex(" ").upper()
        yield f"+{number // 1000}.{number % 1000:03d}000 < {hexed}\n", shown + "\n"


def speed(lines: int = 1_000_000) -> Result:
    """Reads, decodes and captures; the better of three each."""
    with tempfile.TemporaryDirectory() as folder:
        recording, numbers = Path(folder) / "long.rec", Path(folder) / "numbers"
        header = Header(driver=NAME, start_utc=datetime(2031, 5, 4, 8, 0, tzinfo=UTC))
        with recording.open("w", encoding="ascii", newline="") as rec, numbers.open("w") as plain:
            rec.write(header.to_text())
            for line, number in _text(lines):
                rec.write(line)
                plain.write(number)
        ours_s, theirs_s, samples = [], [], 0
        for _ in range(ROUNDS):
            begin = time.perf_counter()
            stream = GaugeStream(gauge_at_1_khz())
            items = list(replay(recording, stream))
            ours_s.append(time.perf_counter() - begin)
            samples = stream.samples
            begin = time.perf_counter()
            theirs = np.loadtxt(numbers)
            theirs_s.append(time.perf_counter() - begin)
    # The first line of a stream may be cut, so it is left out.
    assert samples == len(theirs) - 1
    assert items
    return {
        "what": f"bulk replay, {lines:,} lines, {len(items)} pulls",
        "against": "numpy.loadtxt",
        "ours_per_s": lines / min(ours_s),
        "theirs_per_s": lines / min(theirs_s),
        "ratio": min(theirs_s) / min(ours_s),
        "aim": 0.5,
    }
