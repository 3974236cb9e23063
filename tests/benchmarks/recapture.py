"""How fast recordings are captured anew, against decoding alone, and that memory does not grow with them.

Decoding alone reads each recording's text and turns its bytes into values; no times, no pulls, no journal.
What capturing anew takes beyond that is the pulls, and holding them against the journal's.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from acquire.bench import parse_bench
from acquire.capture import CAPTURE_VERSION
from acquire.journal import Draft, Journal
from acquire.logger import Source, place_of, plain_details
from acquire.model import CalibrationState, Reading, Stamp, Step, StreamStart, Test, Trial
from acquire.recapture import recapture
from acquire.recordings import Header, read_columns
from acquire.scoring.method import Method, parse_method
from acquire.sources import replay
from acquire.stream import GaugeStream
from drivers.registry import make_driver
from tests.benches import BENCH
from tests.benchmarks.capture import most_kib
from tests.benchmarks.traces import NAME, RATE_HZ, gauge_at_1_khz, pulls_at_1_khz
from tests.scoring_kit import SHIPPED

Result = dict[str, str | float]

START = datetime(2031, 5, 4, 8, 0, tzinfo=UTC)
LINES = 100_000
"""In one recording: a minute and forty seconds at 1 kHz, 26 pulls."""
PER_CHUNK = 10
ROUNDS = 3


def run(recordings: int = 10) -> list[Result]:
    """Captures that many recordings anew, in this process and in one of its own for the memory."""
    with tempfile.TemporaryDirectory() as folder:
        pulls = _make(Path(folder), recordings)
        ours_s, plain_s = [], []
        for _ in range(ROUNDS):
            begin = time.perf_counter()
            _decode(Path(folder))
            plain_s.append(time.perf_counter() - begin)
            begin = time.perf_counter()
            readings = _recapture(Path(folder))
            ours_s.append(time.perf_counter() - begin)
            assert readings == pulls
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.recapture", folder],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
    lines = recordings * LINES
    name = f"{lines:,} lines in {recordings} recordings, {pulls} readings"
    return [
        {
            "what": f"capturing anew, {name}",
            "against": "decoding them alone",
            "ours_per_s": lines / min(ours_s),
            "theirs_per_s": lines / min(plain_s),
            "ratio": min(plain_s) / min(ours_s),
            "aim": 0.5,
        },
        {
            "what": f"memory over capturing anew {name}",
            "grown_kib": float(done.stdout),
            "aim_kib": 8192.0,
        },
    ]


def _method() -> Method:
    return parse_method(SHIPPED, "benchmark")


def _make(folder: Path, recordings: int) -> int:
    """Writes recordings and a journal with what they give; returns how many readings that is."""
    description, pulls = gauge_at_1_khz(), 0
    with Journal.open(folder / "journal.sqlite") as journal:
        _append(
            journal, [Draft("trial", Trial(id="one", product="One (invented)", panels=("A",), t_utc=START))]
        )
        for number in range(recordings):
            path = folder / f"force-{number:03d}.rec"
            header = Header(driver=NAME, description_sha256=description.sha256, start_utc=START)
            with path.open("w", encoding="ascii", newline="") as file:
                file.write(header.to_text())
                file.writelines(_lines())
            start = StreamStart(
                recording=path.name,
                gauge="force",
                description=NAME,
                description_text=description.text,
                description_sha256=description.sha256,
                capture={},
                capture_version=CAPTURE_VERSION,
                t_utc=START,
            )
            readings = _readings(path)
            pulls += len(readings)
            _append(journal, [Draft("stream", start), *(Draft("reading", one, one.id) for one in readings)])
    return pulls


def _append(journal: Journal, drafts: list[Draft]) -> None:
    journal.append_all(drafts, t_utc=START, t_mono_ns=0)


def _lines() -> Iterator[str]:
    """Ten samples to a chunk: what a thousand lines a second come as."""
    _, force_n = pulls_at_1_khz(LINES)
    yield "+0.000000 ! open\n"
    for first in range(0, LINES, PER_CHUNK):
        data = "".join(f"{value:+07.2f}\r\n" for value in force_n[first : first + PER_CHUNK].tolist())
        t_s = (first + PER_CHUNK) / RATE_HZ
        yield f"+{t_s:.6f} < {data.encode().hex(' ').upper()}\n"


def _readings(path: Path) -> list[Reading]:
    found = []
    for taken in replay(path, GaugeStream(gauge_at_1_khz())):
        at, raw = place_of(taken, Source(path.name, START))
        if taken.verdict == "accepted":
            found.append(
                Reading(
                    id=f"{path.name}#{taken.ordinal}",
                    trial="one",
                    step=Step(test=Test.SLIP, panel="A", phase="bare"),
                    quantity="force",
                    value=taken.value,
                    unit="N",
                    gauge="force",
                    t_utc=at,
                    t_mono_ns=taken.t_us * 1000,
                    t_source="line position",
                    raw=raw,
                    details=plain_details(taken.details),
                    stamp=Stamp(state=CalibrationState.IN_TOLERANCE, reason="invented for this benchmark"),
                )
            )
    return found


def _decode(folder: Path) -> None:
    for path in sorted(folder.glob("*.rec")):
        driver = make_driver(gauge_at_1_khz())
        values = sum(len(driver.feed(columns.data)) for columns in read_columns(path))
        # The first line of a stream may be cut, so it is left out.
        assert values == LINES - 1


def _recapture(folder: Path, watch: Callable[[str], None] | None = None) -> int:
    with Journal.open(folder / "journal.sqlite", readonly=True) as journal:
        bench = parse_bench(BENCH, "benchmark")
        found = recapture(journal, folder, bench, _method(), watch=watch)
    assert not found.problems
    return found.readings_n


def _grown(folder: Path) -> float:
    """KiB by which the process grew after the second recording."""
    seen: list[float] = []
    _recapture(folder, watch=lambda _: seen.append(most_kib()))
    return most_kib() - seen[2]


if __name__ == "__main__":
    sys.stdout.write(str(_grown(Path(sys.argv[1]))))
