"""Whether the service's memory stays flat over a simulated day with a gauge of 1 kHz and ten watchers.

Bytes are put where the port's thread would put them, a second of the bench at a time; recording, decoding,
capture, checks, logging, journal, hub and what the pages ask for are the real thing. The bench rests but for
one pull a minute and one check an hour. A whole day writes two gigabytes of recording to a temporary folder.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import cycle, islice
from pathlib import Path
from typing import Any

from acquire import answers
from acquire.live import Live, Subscription
from acquire.outputs.screen.present import Present
from acquire.service.desk import Armed
from acquire.tasks import Task
from simulators.speech import ForceState, Shown, force_stream_n
from tests.benchmarks.capture import most_kib
from tests.benchmarks.traces import NAME, RATE_HZ, gauge_at_1_khz, pulls_at_1_khz
from tests.rig import BENCH_MORE, WEIGHT_N, Rig, lay_out, rig, slip

Result = dict[str, str | float]

SCREENS_N = 10
BEHIND_S = 60
"""All watchers but the first read so seldom, in turn, and find that the oldest points are gone."""
PER_S = round(RATE_HZ)
PULLING_S = 6
GROWN_AIM_KIB = 4096.0


def memory(hours: int = 24) -> Result:
    """Growth of a process of its own from the end of the first hour to the end of the last."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.day", str(hours)],
        check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    took_s, pulls, *each_kib = done.stdout.split()
    first, last = float(each_kib[0]), float(each_kib[-1])
    per_hour_kib = (last - first) / (hours - 1)
    samples = f"{hours * 3600 * PER_S:,} samples, {pulls} pulls logged, {SCREENS_N} watchers"
    grown = f"{first / 1024:.0f} MiB after the first hour, then {per_hour_kib:.0f} KiB an hour"
    return {
        "what": f"memory over {hours} simulated hours ({samples}; {grown}; took {float(took_s):.0f} s)",
        "grown_kib": last - first,
        "aim_kib": GROWN_AIM_KIB,
    }


class Day:
    """A bench whose force gauge speaks a thousand times a second, and who watches it."""

    def __init__(self, bench: Rig, live: Live, watchers: list[Subscription], present: Present) -> None:
        self._bench, self._watchers, self._present = bench, watchers, present
        self._seconds = 0
        self._trials = 0
        self._task: Task | None = None
        self._armed: Armed | None = None
        _, forces_n = pulls_at_1_khz(100 * PER_S)
        self._pulling = cycle(_seconds(forces_n.tolist()))
        self._resting = next(_seconds([0.0, 0.01, 0.0, -0.01] * (PER_S // 4)))
        self._weighing = next(_seconds([WEIGHT_N] * PER_S))

    def hour(self) -> None:
        self._check()
        for _ in range(59):
            self._minute()

    def _check(self) -> None:
        """The first minute of an hour: three times the weight."""
        task = self._bench.service.check("force", "weight-200g")
        for _ in range(3):
            self._say(5, self._resting)
            self._say(5, self._weighing)
        self._say(30, self._resting)
        assert task.done, self._bench.told("waiting", "refused", "check")
        self._task = None

    def _minute(self) -> None:
        if self._task is None or self._task.done:
            self._next_trial()
        for second in islice(self._pulling, PULLING_S):
            self._say(1, second)
        self._say(60 - PULLING_S, self._resting)
        self._present.now(self._armed)
        self._bench.notes.clear()

    def _next_trial(self) -> None:
        self._trials += 1
        service, step = self._bench.service, slip()
        trial = answers.open_trial(
            service.journal,
            self._bench.clock,
            f"t{self._trials}",
            product="Invented wax",
            panels=("A",),
            control=False,
        )
        self._task = service.measure(trial, step)
        self._armed = Armed(trial=trial.id, step=step)

    def _say(self, seconds: int, line: bytes) -> None:
        for _ in range(seconds):
            self._bench.say("force", [line], every_s=1.0)
            self._seconds += 1
            self._watchers[0].take()
            for number, one in enumerate(self._watchers[1:]):
                if (self._seconds + number) % BEHIND_S == 0:
                    one.take()


def _seconds(forces_n: list[float]) -> Iterator[bytes]:
    """What the gauge says of these forces, a second at a time."""
    for first in range(0, len(forces_n), PER_S):
        yield b"".join(
            force_stream_n(Shown(force_n), ForceState()) for force_n in forces_n[first : first + PER_S]
        )


def _bench_in(folder: Path) -> None:
    home = lay_out(folder, BENCH_MORE.replace(f'"{NAME}"', '"fast"'))
    (home.gauges / "fast.toml").write_bytes(gauge_at_1_khz().text.encode())


def run(hours: int) -> tuple[float, int, list[float]]:
    """Seconds that it took, pulls in the journal, and KiB at most in use at the end of each hour."""
    live, each_kib = Live(), []
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name) / "home"
        _bench_in(folder)
        options: dict[str, Any] = {"live": live, "gauges": ["force"]}
        bench = stack.enter_context(rig(folder, **options))
        watchers = [stack.enter_context(live.subscribe(wake=lambda: None)) for _ in range(SCREENS_N)]
        present = Present(bench.home, bench.clock)
        stack.callback(present.close)
        day = Day(bench, live, watchers, present)
        for _ in range(hours):
            day.hour()
            each_kib.append(most_kib())
        pulls = sum(1 for _ in bench.service.journal.bodies("reading"))
    return time.monotonic() - begun_s, pulls, each_kib


def main() -> None:
    took_s, pulls, each_kib = run(int(sys.argv[1]))
    sys.stdout.write(" ".join(map(str, (took_s, pulls, *each_kib))))


if __name__ == "__main__":
    main()
