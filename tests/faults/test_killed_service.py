"""SIGKILL during a capture, again and again at random moments: nothing announced is ever lost."""

import json
import os
import random
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.clock import SystemClock
from acquire.home import Home
from acquire.logger import as_stamped
from acquire.trials import strokes_on
from acquire.verification import verify
from tests.sim_process import SimProcess

KILLS = 50
WASH_EVERY = 3
"""Every third while strokes are counted, the others during pulls."""
SPEED = 20
LONGEST_S = 0.8
"""Three simulated pulls on an idle machine."""

pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL and pseudo-terminals")


def _bench(folder: Path, force: str, wash: str) -> Home:
    home = Home(folder)
    home.create()
    home.bench_file.write_text(
        'format = "panelwright-bench 1"\nname = "Kill test (invented, simulated)"\ntime_zone = "UTC"\n'
        "[gauges.force]\n"
        f"description = 'force-stream-n'\nport = '{force}'\ntolerance = {{ absolute = 0.03 }}\n"
        "[gauges.wash]\n"
        f"description = 'wash-stroke'\nport = '{wash}'\ntolerance = {{ absolute = 0.5 }}\n"
        "[references.strokes]\nkind = 'strokes'\nstrokes = 10\n"
    )
    method = home.method_file.read_text()
    method = method.replace("at = 8000,", "at = 100000,")
    home.method_file.write_text(re.sub(r"(?m)^pulls = \d+", "pulls = 100000", method))
    words = ["trial", "open", "t", "--product", "Invented", "--panel", "p", "--without-protocol"]
    words += ["--home", str(folder)]
    assert CliRunner().invoke(main, words).exit_code == 0
    return home


class Forks:
    """Captures one after the other, each a process that is killed."""

    def __init__(self, server: subprocess.Popen[str], home: Home, pipe: Path) -> None:
        self._server, self._home, self._pipe = server, home, pipe
        os.mkfifo(pipe)

    def capture_and_kill(self, rng: random.Random, *words: str) -> list[dict[str, Any]]:
        """Starts a capture (so it must have recovered from the last kill), kills it; what it announced."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        more = ("--json", "--speed", str(SPEED), "--home", str(self._home.folder))
        self._server.stdin.write(json.dumps([str(self._pipe), "capture", "t", *words, *more]) + "\n")
        self._server.stdin.flush()
        with self._pipe.open() as said:
            pid = int(self._server.stdout.readline())
            first = [json.loads(said.readline()) for _ in range(2)]
            assert [note["kind"] for note in first] == ["waiting", "port"], first
            SystemClock().sleep(rng.uniform(0.0, LONGEST_S))
            os.kill(pid, signal.SIGKILL)
            lines = said.read().split("\n")
        assert int(self._server.stdout.readline()) == -signal.SIGKILL
        # A line cut by the kill was not announced in full.
        notes = [json.loads(line) for line in lines[:-1]]
        return [note for note in notes if note["kind"] in ("reading", "extra", "strokes")]


@contextmanager
def _forks(home: Home, pipe: Path) -> Iterator[Forks]:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.faults.forking"],
        cwd=Path(__file__).parents[2],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as server:
        yield Forks(server, home, pipe)


def _told_of(note: dict[str, Any]) -> int:
    """How many strokes a note says were counted."""
    return int(note["text"].split(" of ")[0])


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_everything_announced_before_a_kill_is_in_the_journal(tmp_path: Path) -> None:
    rng = random.Random(20310504)
    announced: list[dict[str, Any]] = []
    strokes_told = 0
    pulling = ("force", "--speaks", "force-stream-n", "--auto", "--speed", str(SPEED))
    washing = ("wash", "--speaks", "wash-stroke", "--no-auto", "--speed", str(SPEED))
    with (
        SimProcess(*pulling, "--link", str(tmp_path / "force")) as force,
        SimProcess(*washing, "--link", str(tmp_path / "wash")) as wash,
    ):
        home = _bench(tmp_path / "bench", force.port, wash.port)
        wash.tell("strokes 100000")
        with _forks(home, tmp_path / "said") as forks:
            for number in range(KILLS):
                if number % WASH_EVERY == 0:
                    told = forks.capture_and_kill(rng, "wash", "--phase", "treated", "--stage", "100000")
                    strokes_told = max((_told_of(note) for note in told), default=strokes_told)
                    with home.journal(readonly=True) as journal:
                        assert strokes_told <= strokes_on("t", "p", as_stamped(journal))
                else:
                    told = forks.capture_and_kill(rng, "slip", "--phase", "bare")
                announced += told
    for kind, least_n in (("reading", KILLS / 5), ("strokes", KILLS / WASH_EVERY / 3)):
        told_n = sum(note["kind"] == kind for note in announced)
        assert told_n > least_n, f"too few {kind} between kills for the test to mean anything"
    with home.journal(readonly=True) as journal:
        stamped = as_stamped(journal)
    kept = {reading.id for reading in stamped}
    assert {note["about"]["id"] for note in announced} <= kept
    assert {reading.quantity for reading in stamped} == {"force", "count"}
    report = verify(home)
    assert report.holds, report.faults
    assert report.readings_n == len(kept)
    assert len(list(home.recordings.glob("*.rec"))) == KILLS
