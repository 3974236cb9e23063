"""A cable that comes off while a step runs, on simulated gauges over real pseudo-terminals."""

import os
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire import answers
from acquire.clock import SystemClock
from acquire.home import Home
from acquire.logger import readings
from acquire.model import Refusal, Step
from acquire.notes import Note
from acquire.service import Service
from acquire.trials import strokes_on
from acquire.verification import verify
from tests.rig import BENCH_MORE, lay_out, slip, wash
from tests.sim_process import SimProcess

SPEED = 10.0
DEADLINE_S = 30.0
SHORTEST_LIMIT_S = 0.25 * SPEED

pytestmark = [pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals"), pytest.mark.slow]


class Bench:
    """One step on one gauge, pumped until something was told."""

    def __init__(self, home: Home, step: Step) -> None:
        self.home = home
        self.clock = SystemClock(SPEED)
        self.notes: list[Note] = []
        with home.journal() as journal:
            trial = answers.open_trial(
                journal, self.clock, "t", product="Invented wax", panels=("A",), control=False
            )
        self.service = Service.for_step(
            home, step, clock=self.clock, tell=self.notes.append, shortest_limit_s=SHORTEST_LIMIT_S
        )
        self.task = self.service.measure(trial, step)

    def until(self, enough: Callable[[], bool]) -> None:
        real = SystemClock()
        limit_ns = real.monotonic_ns() + int(DEADLINE_S * 1e9)
        while not enough():
            assert real.monotonic_ns() < limit_ns, [note.text for note in self.notes]
            self.service.pump(0.05)

    def until_told(self, kind: str, containing: str = "") -> None:
        seen = len(self.notes)
        self.until(lambda: any(n.kind == kind and containing in n.text for n in self.notes[seen:]))

    def told(self, kind: str) -> list[str]:
        return [note.text for note in self.notes if note.kind == kind]


@contextmanager
def step_on(folder: Path, step: Step, gauge: str, *words: str) -> Iterator[tuple[SimProcess, Bench]]:
    threads = threading.active_count()
    link = str(folder / "gauge")
    with SimProcess(gauge, *words, "--no-auto", "--speed", str(SPEED), "--link", link) as simulator:
        text = re.sub(
            rf'(\[gauges\.{gauge}\]\ndescription = "[^"]+"\nport = )"[^"]+"',
            rf"\1'{simulator.port}'",
            BENCH_MORE,
        )
        bench = Bench(lay_out(folder / "bench", text), step)
        with bench.service:
            bench.service.await_ports(10 * SPEED)
            yield simulator, bench
    assert threading.active_count() == threads


def test_a_cable_that_comes_off_in_mid_pull_costs_that_pull_and_the_step_goes_on(tmp_path: Path) -> None:
    with step_on(tmp_path, slip(), "force", "--speaks", "force-stream-n") as (gauge, bench):
        gauge.tell("pull 1")
        bench.until_told("reading", "1 of 3")
        gauge.tell("pull 1")
        # Into the rise: the block has been at rest for a second and a half when the hand starts.
        stream = bench.service._open["force"].line.stream
        bench.until(lambda: stream.latest is not None and bool((stream.latest.values > 0.5).any()))
        gauge.tell("unplug s=3")
        bench.until_told("lost", "unplugged")
        bench.until_told("port", "back on")
        assert not bench.task.done
        gauge.tell("pull 2")
        bench.until(lambda: bench.task.done)
    with bench.home.journal(readonly=True) as journal:
        kept = readings(journal)
        refusals = [Refusal.model_validate(event.body) for event in journal.events("refusal")]
        assert len(list(journal.events("incident"))) == 1
    assert [reading.raw.opening for reading in kept] == [0, 1, 1]
    assert any(reason.startswith("interrupted") for one in refusals for reason in one.reasons)
    report = verify(bench.home)
    assert report.holds, report.faults


def test_strokes_made_while_the_cable_was_off_are_in_the_count_when_it_is_back(tmp_path: Path) -> None:
    with step_on(tmp_path, wash(60), "wash", "--speaks", "wash-stroke") as (gauge, bench):
        gauge.tell("pace 40")
        gauge.tell("strokes 30")
        bench.until_told("strokes", "11 of 60")
        gauge.tell("unplug s=9")
        bench.until_told("lost", "unplugged")
        bench.until_told("port", "back on")
        bench.until_told("strokes", "30 of 60")
    with bench.home.journal(readonly=True) as journal:
        kept = readings(journal)
    assert strokes_on("t", "A", kept) == 30
    assert {reading.raw.opening for reading in kept} == {0, 1}
    report = verify(bench.home)
    assert report.holds, report.faults
