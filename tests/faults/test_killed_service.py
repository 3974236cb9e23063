"""SIGKILL during a capture, again and again at random moments: nothing announced is ever lost."""

import json
import os
import random
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from acquire.clock import SystemClock
from acquire.home import Home
from acquire.logger import as_stamped
from acquire.verification import verify
from tests.sim_process import SimProcess

KILLS = 50
SPEED = 20

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
    return home


def _panelwright(*words: str) -> list[str]:
    return [sys.executable, "-c", "from acquire.cli import main; main()", *words]


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_everything_announced_before_a_kill_is_in_the_journal(tmp_path: Path) -> None:
    rng = random.Random(20310504)
    announced: list[str] = []
    with SimProcess(
        "force",
        "--speaks",
        "force-stream-n",
        "--auto",
        "--speed",
        str(SPEED),
        "--link",
        str(tmp_path / "gauge"),
    ) as gauge:
        home = _bench(tmp_path / "bench", gauge.port)
        subprocess.run(
            _panelwright(
                "trial", "open", "t", "--product", "Invented", "--panel", "p", "--home", str(home.folder)
            ),
            check=True,
            stdout=subprocess.DEVNULL,
        )
        for _ in range(KILLS):
            announced += _capture_and_kill(home, rng)
    assert len(announced) > KILLS / 2, "too few readings between kills for the test to mean anything"
    with home.journal(readonly=True) as journal:
        kept = {reading.id for reading in as_stamped(journal)}
    assert set(announced) <= kept
    report = verify(home)
    assert report.holds, report.faults
    assert report.readings_n == len(kept)
    assert len(list(home.recordings.glob("*.rec"))) == KILLS


def _capture_and_kill(home: Home, rng: random.Random) -> list[str]:
    """Starts the capture (so it must have recovered from the last kill), kills it; the ids it announced."""
    process = subprocess.Popen(
        _panelwright(
            "capture",
            "t",
            "slip",
            "--phase",
            "bare",
            "--json",
            "--speed",
            str(SPEED),
            "--home",
            str(home.folder),
        ),
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    clock = SystemClock()
    with process:
        first = [json.loads(process.stdout.readline()) for _ in range(2)]
        assert [note["kind"] for note in first] == ["waiting", "port"], first
        clock.sleep(rng.uniform(0.0, 0.6))
        process.send_signal(signal.SIGKILL)
        lines = process.stdout.read().split("\n")
    # A line cut by the kill was not announced in full.
    notes = [json.loads(line) for line in lines[:-1]]
    return [note["about"]["id"] for note in notes if note["kind"] in ("reading", "extra")]
