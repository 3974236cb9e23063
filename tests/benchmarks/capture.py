"""How fast pulls are found, against scipy's peak finder on the same trace; and how much memory it takes."""

import resource
import subprocess
import sys
import time

import numpy as np
from scipy.signal import find_peaks

from acquire.capture.finder import PullFinder
from acquire.capture.settings import PullSettings
from tests.benchmarks.traces import RATE_HZ, pulls_at_1_khz

Result = dict[str, str | float]

SETTINGS = PullSettings(rate_hz=RATE_HZ, resolution_n=0.01, min_force_n=0.3, full_scale_n=500.0)
PROMINENCE_N = 1.0
ROUNDS = 5
PIECE = 1000
KIB_PER_MAXRSS = 1 / 1024 if sys.platform == "darwin" else 1.0


def speed(samples: int = 1_000_000) -> Result:
    """Everything about every pull, against where the prominent peaks are; the better of five each."""
    t, f = pulls_at_1_khz(samples)
    ours_s, theirs_s = [], []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        finder = PullFinder(SETTINGS)
        pulls = [*finder.feed(t, f), *finder.finish()]
        ours_s.append(time.perf_counter() - begin)
        begin = time.perf_counter()
        peaks, _ = find_peaks(f, prominence=PROMINENCE_N)
        theirs_s.append(time.perf_counter() - begin)
    assert len(peaks) >= len(pulls) >= samples // 4500
    return {
        "what": "pull capture",
        "against": "scipy find_peaks, prominence",
        "ours_per_s": samples / min(ours_s),
        "theirs_per_s": samples / min(theirs_s),
        "ratio": min(theirs_s) / min(ours_s),
        "aim": 2.0,
    }


def memory(samples: int = 10_000_000) -> Result:
    """Growth of the process over a long stream, taken a second at a time; in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.capture", str(samples)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    first, last, pulls = done.stdout.split()
    growth = float(last) - float(first)
    return {
        "what": f"memory over {samples:,} samples, {pulls} pulls",
        "grown_kib": growth,
        "aim_kib": 2048.0,
    }


def _stream(samples: int) -> tuple[float, float, int]:
    """KiB in use at most after a tenth of the stream and after all of it, and the pulls found."""
    _, f = pulls_at_1_khz(100_000)
    finder = PullFinder(SETTINGS)
    pulls = 0
    first = 0.0
    for number in range(0, samples, PIECE):
        t = np.arange(number, number + PIECE) / RATE_HZ
        start = number % len(f)
        pulls += len(finder.feed(t, f[start : start + PIECE]))
        if number == samples // 10 // PIECE * PIECE:
            first = most_kib()
    return first, most_kib(), pulls


def most_kib() -> float:
    """The most memory this process has had so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * KIB_PER_MAXRSS


if __name__ == "__main__":
    sys.stdout.write("{} {} {}".format(*_stream(int(sys.argv[1]))))
