"""A whole day of checks on a simulated force gauge whose gain creeps, from the port to the forecast."""

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from acquire.clock import SystemClock
from acquire.home import Home
from acquire.notes import Note
from acquire.service import Service
from tests.cli.test_at_the_bench import gauge_on, panelwright
from tests.sim_process import SimProcess

SPEED = 20
MORNING = datetime(2031, 5, 5, 8, 0, tzinfo=UTC)
CHECKS_N = 9
GAIN_PER_H = 0.0025
WEIGHT_N = 0.2 * 9.80665
"""What hangs on the simulated hook."""

pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals"),
    pytest.mark.slow,
]


class LeapingClock(SystemClock):
    """Runs fast, and passes over hours in which nobody is at the bench."""

    def __init__(self, start_utc: datetime, speed: float) -> None:
        super().__init__(speed)
        self._ahead = start_utc - super().utc()

    def leap_to(self, t_utc: datetime) -> None:
        self._ahead += t_utc - self.utc()

    def monotonic_ns(self) -> int:
        return super().monotonic_ns() + int(self._ahead / timedelta(microseconds=1)) * 1000

    def utc(self) -> datetime:
        return super().utc() + self._ahead


def check_once(home: Home, clock: LeapingClock, gauge: SimProcess) -> None:
    """One check as the command makes it, with hands that do what is said."""

    def hands(note: Note) -> None:
        if "hang weight" in note.text:
            gauge.tell("weight 0.2")
        elif note.text.startswith("take it off"):
            gauge.tell("weight 0")

    with Service(home, clock=clock, tell=hands, gauges=["force"], shortest_limit_s=0.25 * SPEED) as service:
        task = service.check("force", "weight-200g", repeats=1)
        service.await_ports(30.0 * SPEED)
        service.run(task, linger_s=0.0)


def test_a_day_on_which_the_gain_creeps_ends_with_a_forecast_and_a_dossier(tmp_path: Path) -> None:
    clock = LeapingClock(MORNING, SPEED)
    with gauge_on(tmp_path, "force", "force-stream-n", "--noise-n", "0.002") as (gauge, home):
        for hour in range(CHECKS_N):
            clock.leap_to(MORNING + timedelta(hours=hour))
            gauge.tell(f"gain {1 + GAIN_PER_H * hour}")
            check_once(home, clock, gauge)
    (found,) = json.loads(panelwright("drift", "force", "--home", home.folder, "--json"))
    assert len(found["checks"]) == CHECKS_N
    assert found["shape"] == "linear drift"
    truth_per_h = GAIN_PER_H * WEIGHT_N
    assert found["line"]["slope_per_h"] == pytest.approx(truth_per_h, rel=0.15)
    assert abs(found["line"]["slope_per_h"] - truth_per_h) < found["line"]["slope_half_width_95"]
    assert found["said"][1].startswith("Check again")
    verdicts = [check["verdict"] for check in found["checks"]]
    assert (verdicts[0], verdicts[-1]) == ("pass", "fail")
    out = tmp_path / "dossier.html"
    words = ("--since", "2031-05-01", "--until", "2031-06-01", "--out", out, "--home", home.folder)
    panelwright("dossier", "force", *words)
    text = out.read_text(encoding="utf-8")
    assert "Linear drift" in text
    assert "20310505T0800" in text
