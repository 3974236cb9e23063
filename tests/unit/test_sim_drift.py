"""A simulated force gauge whose gain or zero moves, as it is told to."""

from typing import Any

import numpy as np
import pytest

from simulators.commands import CommandError, parse
from simulators.force import HANDS, SURFACES, Rig
from simulators.force_station import ForceStation
from simulators.front import GaugeFront

TRUE_N = 0.2 * Rig().gravity_m_per_s2


class Gauge:
    """A gauge without noise on which 200 g hang, and what was said of the truth."""

    def __init__(self) -> None:
        self.facts: list[tuple[str, dict[str, Any]]] = []
        self.station = ForceStation(
            lambda event, **facts: self.facts.append((event, facts)),
            speaks="force-stream-n",
            surface=SURFACES["bare"],
            hand=HANDS["clean"],
            rig=Rig(),
            front=GaugeFront(rate_hz=10.0, resolution_n=0.0, noise_n=0.0),
            seed=1,
        )
        self.tell("weight 0.2")
        self.at(10.0)

    def tell(self, line: str) -> None:
        self.station.start(parse(line, self.station.forms), 0.0)

    def at(self, t_s: float) -> float:
        """What is shown at `t_s`."""
        self.station.advance(t_s)
        return self.station._last.value_n


def test_a_gain_shows_that_much_of_the_true_force_and_grows_by_the_hour() -> None:
    gauge = Gauge()
    assert gauge.at(11.0) == pytest.approx(TRUE_N)
    gauge.tell("gain 1.01 per_h=3.6")
    assert gauge.at(21.0) == pytest.approx(TRUE_N * (1.01 + 0.001 * 10), abs=0.001 * TRUE_N * 0.11)
    gauge.tell("gain 1")
    assert gauge.at(31.0) == pytest.approx(TRUE_N)
    assert [facts["per_h"] for event, facts in gauge.facts if event == "gain"] == [3.6, 0.0]


def test_a_zero_jumps_or_creeps_and_keeps_what_it_has_crept() -> None:
    gauge = Gauge()
    gauge.tell("drift n=0.5")
    assert gauge.at(20.0) == pytest.approx(TRUE_N + 0.5)
    gauge.tell("drift per_h=3.6")
    assert gauge.at(30.0) == pytest.approx(TRUE_N + 0.51, abs=2e-4)
    gauge.tell("drift per_h=0")
    assert gauge.at(90.0) == pytest.approx(TRUE_N + 0.51, abs=2e-4)


def test_no_gauge_has_a_gain_of_nought() -> None:
    gauge = Gauge()
    with pytest.raises(CommandError, match="above 0"):
        gauge.tell("gain 0")
    assert np.isfinite(gauge.at(12.0))
