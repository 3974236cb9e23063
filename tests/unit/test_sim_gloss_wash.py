"""The simulated glossmeter and stroke counter, and what their stations send."""

import math
import statistics
from random import Random
from typing import Any

import pytest

from simulators.commands import CommandError, parse
from simulators.gloss import Drift, Glossmeter, Target
from simulators.gloss_station import GlossStation
from simulators.station import Station
from simulators.wash import StrokeCounter
from simulators.wash_station import WashStation


class Facts(list[dict[str, Any]]):
    def __call__(self, event: str, **facts: object) -> None:
        self.append({"event": event, **facts})

    def of(self, event: str) -> list[dict[str, Any]]:
        return [fact for fact in self if fact["event"] == event]


def told(station: Station, line: str, t_s: float) -> None:
    station.start(parse(line, station.forms), t_s)


def test_texture_scatters_about_the_mean() -> None:
    meter = Glossmeter(Random(1), noise_gu=0.0)
    shown = [meter.measure(Target("panel", {60: 91.0}, 0.5), 60, 0.0).shown_gu for _ in range(2000)]
    assert statistics.fmean(shown) == pytest.approx(91.0, abs=0.05)
    assert statistics.stdev(shown) == pytest.approx(0.5, rel=0.06)


def test_a_perfect_meter_shows_the_tile_to_its_step() -> None:
    meter = Glossmeter(Random(1), noise_gu=0.0)
    assert meter.measure(Target("tile", {20: 92.34}), 20, 0.0).shown_gu == 92.3


def test_drift_grows_and_warm_up_dies_away() -> None:
    drift = Drift(gu_per_h=0.5, warm_up_gu=-2.0, warm_up_s=600.0)
    assert drift.at(0.0) == -2.0
    assert drift.at(600.0) == pytest.approx(0.5 / 6 - 2.0 / math.e)
    assert drift.at(7200.0) == pytest.approx(1.0, abs=1e-4)
    meter = Glossmeter(Random(1), drift, noise_gu=0.0, step_gu=-0.8)
    half_gloss = meter.measure(Target("panel", {60: 50.0}), 60, 7200.0)
    assert half_gloss.error_gu == pytest.approx(0.5 * (1.0 - 0.8), abs=1e-4)


def test_targets_without_meaning_are_refused() -> None:
    with pytest.raises(ValueError, match="45 degrees"):
        Target("panel", {45: 90.0})
    with pytest.raises(ValueError, match="0 to 2000"):
        Target("panel", {60: -1.0})
    with pytest.raises(ValueError, match="scatter"):
        Target("panel", {60: 1.0}, -0.1)


def gloss_station(speaks: str) -> tuple[GlossStation, Facts]:
    facts = Facts()
    meter = Glossmeter(Random(1), noise_gu=0.0)
    panel, tile = Target("panel", {20: 85.0, 60: 93.0}), Target("tile", {20: 92.3, 60: 95.4})
    return GlossStation(facts, speaks=speaks, meter=meter, panel=panel, tile=tile, angle_deg=60), facts


def test_each_press_sends_one_line() -> None:
    station, facts = gloss_station("gloss-key")
    told(station, "press 3 angle=20", 10.0)
    assert station.busy
    assert station.advance(10.5) == []
    assert station.next_s is not None
    assert 11.8 <= station.next_s <= 12.2
    assert station.advance(20.0) == [b"20 085.0 GU\r\n"] * 3
    assert not station.busy
    told(station, "tile", 20.0)
    told(station, "drift gu=-0.8", 20.0)
    told(station, "press", 20.0)
    assert station.advance(30.0) == [b"20 091.6 GU\r\n"]  # 92.3 less 0.8 at a gloss of 92.3: 91.56
    assert [fact["number"] for fact in facts.of("measurement")] == [1, 2, 3, 4]
    assert [fact["target"] for fact in facts.of("measurement")] == ["panel"] * 3 + ["tile"]


def test_a_polled_meter_tells_each_measurement_once() -> None:
    station, _ = gloss_station("gloss-poll")
    assert station.reply(0.0) == b"NONE\n"
    told(station, "press 2", 0.0)
    assert station.advance(2.3) == []
    assert station.reply(2.3) == b"60;093,0;0001\n"
    assert station.reply(2.4) == b"NONE\n"
    station.advance(10.0)
    assert station.reply(10.0) == b"60;093,0;0002\n"


def test_a_drift_rate_keeps_the_error_reached_so_far() -> None:
    station, facts = gloss_station("gloss-key")
    told(station, "drift gu_per_h=3.6", 0.0)
    told(station, "drift gu_per_h=0", 1000.0)
    told(station, "drift gu=0.5", 5000.0)
    assert [fact["error_gu"] for fact in facts.of("drift")] == pytest.approx([0.0, 1.0, 1.5])


def test_a_panel_keeps_what_is_not_named() -> None:
    station, facts = gloss_station("gloss-key")
    told(station, "panel 60=90.5 scatter=0.3", 1.0)
    assert facts[-1]["mean_gu"] == {20: 85.0, 60: 90.5}
    assert facts[-1]["scatter_gu"] == 0.3
    for line in ("press angle=85", "panel 60=5000", "press 1 every_s=0"):
        with pytest.raises(CommandError, match=r"85|5000|every_s"):
            told(station, line, 2.0)
    assert station.advance(100.0) == []


def test_strokes_keep_their_pace() -> None:
    # 37 cycles a minute: ASTM D2486, read in a secondary place.
    counter = StrokeCounter(Random(1), 37.0, jitter=0.05)
    intervals_s = [counter.next_interval_s() for _ in range(3000)]
    assert statistics.fmean(intervals_s) == pytest.approx(60.0 / 37.0, rel=0.005)
    assert statistics.stdev(intervals_s) == pytest.approx(0.05 * 60.0 / 37.0, rel=0.05)
    with pytest.raises(ValueError, match="pace"):
        StrokeCounter(Random(1), 0.0)


def test_the_counter_forgets_at_power_up_and_the_truth_does_not() -> None:
    facts = Facts()
    station = WashStation(facts, speaks="wash-stroke", counter=StrokeCounter(Random(1), 30.0, jitter=0.0))
    assert station.advance(0.0) == [b"READY\r\n"]
    told(station, "strokes 2", 0.0)
    assert station.advance(3.9) == [b"S 000001\r\n"]
    assert station.advance(4.1) == [b"S 000002\r\n"]
    assert not station.busy
    told(station, "reset", 5.0)
    told(station, "pace 60", 5.0)
    told(station, "strokes 1", 5.0)
    assert station.advance(6.1) == [b"READY\r\n", b"S 000001\r\n"]
    assert [(fact["strokes_n"], fact["shown_n"]) for fact in facts.of("stroke")] == [(1, 1), (2, 2), (3, 1)]
    assert [fact["t_s"] for fact in facts.of("stroke")] == pytest.approx([2.0, 4.0, 6.0])


def test_a_polled_counter_tells_its_count_without_a_banner() -> None:
    station = WashStation(Facts(), speaks="wash-poll", counter=StrokeCounter(Random(1), jitter=0.0))
    told(station, "strokes 5", 0.0)
    assert station.advance(4.0) == []
    assert station.reply(4.0) == b"N=000002\r\n"
