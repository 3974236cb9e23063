"""How fast bytes become samples: live against a plain readline() loop, in bulk against numpy.loadtxt.

Both sides of each comparison read the same bytes in the same run; the numbers they end with are compared.
All data is invented. Needs pseudo-terminals (Linux, macOS).
"""

import os
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import numpy as np
import serial
from numpy.typing import NDArray

from drivers.base import Driver
from tests.contract.gauges import driver

Result = dict[str, str | float]
Values = NDArray[np.float64]

LIVE_LINES = 10_000
LIVE_ROUNDS = 20
BULK_LINES = 1_000_000

# A process of its own: a thread would share the interpreter with the reader it is meant to feed.
_WRITER = """
import os, sys
data = open(sys.argv[2], "rb").read()
for _ in sys.stdin:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(int(sys.argv[1]), rest):]
"""


def invented_lines(count: int, *, at_rest: bool = False) -> bytes:
    """Lines of the streaming force gauge: under load, or at rest, where the sign changes all the time."""
    chance = Random(20310504)
    limits = (-3, 3) if at_rest else (500, 40_000)
    return b"".join(b"%+07.2f\r\n" % (chance.randint(*limits) / 100) for _ in range(count))


@contextmanager
def gauge_on_a_terminal(data: bytes, folder: Path) -> Iterator[tuple[serial.Serial, Callable[[], None]]]:
    """An open port, and a function that makes a writer process send `data` down its line once."""
    (folder / "lines").write_bytes(data)
    gauge_end, port_end = os.openpty()
    tty.setraw(port_end)
    command = [sys.executable, "-c", _WRITER, str(gauge_end), str(folder / "lines")]
    with (
        serial.Serial(os.ttyname(port_end), 115200, timeout=5) as port,
        subprocess.Popen(command, pass_fds=[gauge_end], stdin=subprocess.PIPE) as writer,
    ):
        assert writer.stdin is not None
        go = writer.stdin

        def send() -> None:
            go.write(b"go\n")
            go.flush()

        yield port, send
        go.close()
    os.close(gauge_end)
    os.close(port_end)


def _by_readline(port: serial.Serial, count: int) -> Values:
    return np.array([float(port.readline()) for _ in range(count)])


def _by_driver(port: serial.Serial, made: Driver, count: int) -> Values:
    parts: list[Values] = []
    found = 0
    while found < count:
        head = port.read(1)
        assert head, "the writer has stopped"
        batch = made.feed(head + port.read(port.in_waiting))
        assert not batch.errors
        parts.append(batch.values)
        found += len(batch)
    return np.concatenate(parts)


def live() -> Result:
    """Lines per second from a pseudo-terminal, both with pyserial underneath."""
    with (
        tempfile.TemporaryDirectory() as folder,
        gauge_on_a_terminal(invented_lines(LIVE_LINES), Path(folder)) as (port, send),
    ):
        send()
        begin = time.perf_counter()
        theirs = _by_readline(port, LIVE_LINES)
        theirs_s = time.perf_counter() - begin
        made = driver("force-stream-n")
        ours_s = []
        for _ in range(LIVE_ROUNDS):
            send()
            begin = time.perf_counter()
            ours = _by_driver(port, made, LIVE_LINES)
            ours_s.append(time.perf_counter() - begin)
            assert np.array_equal(ours, theirs)
    return _result("live decode", "pyserial readline()", LIVE_LINES, float(np.median(ours_s)), theirs_s, 20.0)


def bulk(*, at_rest: bool) -> Result:
    """A million lines from a file, against numpy.loadtxt on the same file; the better of three each."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lines"
        path.write_bytes(invented_lines(BULK_LINES, at_rest=at_rest))
        theirs, theirs_s = _best(lambda: np.loadtxt(path))
        ours, ours_s = _best(lambda: driver("force-stream-n").feed(path.read_bytes()).values)
    assert np.array_equal(ours, theirs)
    what = f"bulk decode, {'at rest' if at_rest else 'under load'}"
    return _result(what, "numpy.loadtxt", BULK_LINES, ours_s, theirs_s, 0.5)


def _best(work: Callable[[], Values]) -> tuple[Values, float]:
    times_s = []
    for _ in range(3):
        begin = time.perf_counter()
        values = work()
        times_s.append(time.perf_counter() - begin)
    return values, min(times_s)


def small_feed() -> Result:
    """One wake-up of a 1 kHz gauge: ten lines at a time."""
    lines = invented_lines(10)
    made = driver("force-stream-n")
    times_s = []
    for _ in range(2000):
        begin = time.perf_counter()
        made.feed(lines)
        times_s.append(time.perf_counter() - begin)
    return {"what": "one feed of ten lines", "ours_us": 1e6 * float(np.median(times_s)), "aim_us": 60.0}


def _result(what: str, against: str, lines: int, ours_s: float, theirs_s: float, aim: float) -> Result:
    return {
        "what": what,
        "against": against,
        "ours_per_s": lines / ours_s,
        "theirs_per_s": lines / theirs_s,
        "ratio": theirs_s / ours_s,
        "aim": aim,
    }


def run() -> list[Result]:
    """All measurements; `ratio` is how many times faster than the other side, `aim` what it should reach."""
    return [live(), bulk(at_rest=False), bulk(at_rest=True), small_feed()]
