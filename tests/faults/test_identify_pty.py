"""Identification of every shipped simulated gauge that speaks in lines, on real pseudo-terminals.

Gauge and clock run three times faster, so that the rhythm they agree on is the real one.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

import config
from acquire.clock import SystemClock
from acquire.identify import Heard, describe, infer, prove, with_unit
from acquire.identify.ask import load_requests
from acquire.identify.registers import OtherFamily, look_closer
from acquire.identify.session import Session
from acquire.ports import parse_address
from acquire.ports.owner import connect_to
from drivers.description import GaugeDescription, load_description, parse_description
from tests.sim_process import SimProcess

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals"),
]

SPEED = 3.0
LINES = {
    "force-stream-n": "force",
    "force-unit-mode": "force",
    "force-poll-gf": "force",
    "gloss-key": "gloss",
    "gloss-poll": "gloss",
    "wash-stroke": "wash",
    "wash-poll": "wash",
    "balance-line": "room",
    "irradiance-line": "room",
}
OTHERS = {"scpi-force": "force", "modbus-force": "force", "modbus-climate": "room"}


@dataclass(frozen=True)
class Found:
    heard: Heard | None
    other: OtherFamily | None


def _identify(port: str) -> Found:
    """As the command does it; every request may be sent."""
    clock = SystemClock(SPEED)
    address = parse_address(port)
    session = Session(
        lambda settings: connect_to(address, settings)(clock.sleep),
        clock,
        lambda text: None,
        may_ask=lambda requests: True,
        has_speed=False,
    )
    heard = session.listen()
    if heard is not None:
        return Found(heard, None)
    requests = load_requests()
    answer = session.ask(requests)
    assert answer is not None, f"{port} does not answer"
    if answer.request.kind == "line":
        return Found(session.poll(answer), None)
    return Found(None, look_closer(session.open_, clock, answer, requests.scpi))


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Found]:
    folder = tmp_path_factory.mktemp("gauges")
    gauges = {**LINES, **OTHERS}
    with ExitStack() as sims, ThreadPoolExecutor(len(gauges)) as pool:
        ports = {}
        for name, station in gauges.items():
            args = (
                station,
                "--speaks",
                name,
                "--link",
                str(folder / name),
                "--speed",
                f"{SPEED:g}",
                "--auto",
            )
            sim = sims.enter_context(SimProcess(*args))
            ports[name] = sim.port
            if station == "gloss":
                sim.tell("pause 1.5" if name == "gloss-key" else "pause 6")
                sim.tell("press 12 every_s=1")
        return dict(zip(ports, pool.map(_identify, ports.values()), strict=True))


def _shipped(name: str) -> GaugeDescription:
    return load_description(Path(config.FOLDER) / "gauges" / f"{name}.toml")


@pytest.mark.parametrize("name", LINES)
def test_a_shipped_gauge_is_identified(name: str, found: dict[str, Found]) -> None:
    heard = found[name].heard
    assert heard is not None
    shipped = _shipped(name)
    understood = infer(heard)
    if not understood.line.units:
        # Not printed, so not to be heard: a person is asked, and answers.
        assert any("no unit is printed" in ask for ask in understood.asks)
        assert understood.measured.quantity == shipped.quantity
        understood = with_unit(understood, shipped.quantity, shipped.unit)
    description = parse_description(describe(understood, "x").encode(), "x")
    assert (description.quantity, description.unit) == (shipped.quantity, shipped.unit)
    assert (description.timing.mode, description.timing.request) == (
        shipped.timing.mode,
        shipped.timing.request,
    )
    if shipped.timing.rate_hz is not None:
        assert description.timing.rate_hz == pytest.approx(shipped.timing.rate_hz, rel=0.1)
    mine, theirs = prove(description, heard), prove(shipped, heard)
    assert mine.holds
    # The sign of a pull cannot be heard: this gauge's is negative on the wire.
    sign = -1.0 if shipped.tension == "negative" else 1.0
    assert [one.value for one in mine.samples] == [sign * one.value + 0.0 for one in theirs.samples]
    assert len(mine.damaged) <= len(theirs.damaged)


@pytest.mark.parametrize("name", OTHERS)
def test_a_gauge_of_another_family_is_told_by_its_family(name: str, found: dict[str, Found]) -> None:
    other = found[name].other
    assert other is not None
    assert other.family == name.partition("-")[0] == _shipped(name).driver
    assert len(other.lines) > 2
