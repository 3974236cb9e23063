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

import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.clock import SystemClock
from acquire.home import Home
from acquire.logger import as_stamped
from acquire.verification import verify
from tests.sim_process import SimProcess

KILLS = 50
SPEED = 20
LONGEST_S = 0.8
"""Three simulated pulls on an idle machine."""

pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL and pseudo-terminals")


def _bench(folder: Path, port: str) -> Home:
    home = Home(folder)
    home.create()
    home.bench_file.write_text(
        'format = "panelwright-bench 1"\nname = "Kill test (invented, simulated)"\ntime_zone = "UTC"\n'
        "[gauges.force]\n"
        f"description = 'force-stream-n'\nport = '{port}'\ntolerance = {{ absolute = 0.03 }}\n"
        "[references.strokes]\nkind = 'strokes'\nstrokes = 10\n"
    )
    method = home.method_file.read_text()
    home.method_file.write_text(re.sub(r"(?m)^pulls = \d+", "pulls = 100000", method))
    words = ["trial", "open", "t", "--product", "Invented", "--panel", "p", "--home", str(folder)]
    assert CliRunner().invoke(main, words).exit_code == 0
    return home


class Forks:
    """Captures one after the other, each a process that is killed."""

    def __init__(self, server: subprocess.Popen[str], home: Home, pipe: Path) -> None:
        self._server, self._home, self._pipe = server, home, pipe
        os.mkfifo(pipe)

    def capture_and_kill(self, rng: random.Random) -> list[str]:
        """Starts a capture (so it must have recovered from the last kill), kills it; the ids it announced."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        words = f"capture t slip --phase bare --json --speed {SPEED} --home".split()
        self._server.stdin.write(json.dumps([str(self._pipe), *words, str(self._home.folder)]) + "\n")
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
        return [note["about"]["id"] for note in notes if note["kind"] in ("reading", "extra")]


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


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_everything_announced_before_a_kill_is_in_the_journal(tmp_path: Path) -> None:
    rng = random.Random(20310504)
    announced: list[str] = []
    words = ("force", "--speaks", "force-stream-n", "--auto", "--speed", str(SPEED))
    with SimProcess(*words, "--link", str(tmp_path / "gauge")) as gauge:
        home = _bench(tmp_path / "bench", gauge.port)
        with _forks(home, tmp_path / "said") as forks:
            for _ in range(KILLS):
                announced += forks.capture_and_kill(rng)
    assert len(announced) > KILLS / 5, "too few readings between kills for the test to mean anything"
    with home.journal(readonly=True) as journal:
        kept = {reading.id for reading in as_stamped(journal)}
    assert set(announced) <= kept
    report = verify(home)
    assert report.holds, report.faults
    assert report.readings_n == len(kept)
    assert len(list(home.recordings.glob("*.rec"))) == KILLS
