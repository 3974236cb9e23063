"""Every row of the table of faults, done to a simulated gauge of each family on a real pseudo-terminal."""

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from acquire.clock import SystemClock
from acquire.sources import replay
from acquire.stream import GaugeStream
from acquire.verification import verify
from drivers.description import parse_description
from simulators.line import NOISE_BYTES_PER_S
from tests.faults import table
from tests.faults.fault_bench import (
    BUS,
    EVENT,
    FAMILIES,
    MODBUS,
    OTHER,
    SCPI,
    STREAM,
    FaultBench,
    fault_bench,
)
from tests.faults.table import ROWS, Row
from tests.listed_port import Listed
from tests.port_tools import Inbox, owning
from tests.sim_process import SimProcess

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
]
SPEED = 2.0
FAST_SPEED = 10.0
"""For what takes half a minute or a whole one. Delays of the machine count tenfold: no time is flattered."""


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[FaultBench, dict[str, float]]]:
    """A bench that starts with every port in other hands, and after how long each was told to be busy."""
    with fault_bench(tmp_path_factory.mktemp("faults"), speed=SPEED) as bench:
        others = [serial.Serial(bench.plugs[family].device, exclusive=True) for family in FAMILIES]
        began_s = bench.now_s
        bench.service.__enter__()
        try:
            at_s = bench.wait_for(words_of(ROWS["busy"]), 0)
        finally:
            for other in others:
                other.close()
        freed_s = bench.now_s
        pass_until_open(bench)
        assert bench.now_s - freed_s < 6.0
        yield bench, {family: one - began_s for family, one in at_s.items()}


@pytest.fixture
def bench(begun: tuple[FaultBench, dict[str, float]]) -> FaultBench:
    return begun[0]


@pytest.fixture(scope="module")
def fast_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FaultBench]:
    with fault_bench(tmp_path_factory.mktemp("fast-faults"), speed=FAST_SPEED) as bench:
        bench.service.__enter__()
        pass_until_open(bench)
        yield bench


def pass_until_open(bench: FaultBench) -> None:
    bench.pump_until(lambda: all(map(bench.opened, FAMILIES)), "all ports to open")


def words_of(row: Row) -> dict[str, str]:
    return {family: told.words for told in row.told for family in told.families}


def hold(name: str, took_s: dict[str, float]) -> None:
    """Holds the times against the row; shows them in a run with -s."""
    for told in ROWS[name].told:
        slowest = max(told.families, key=lambda family: took_s[family])
        sys.stdout.write(f"\n{name}: {took_s[slowest]:.2f} s ({slowest}) of {told.limit_s} s")
        assert took_s[slowest] <= told.limit_s, (name, took_s)


def do(bench: FaultBench, name: str, meanwhile: Callable[[], None] = lambda: None) -> None:
    """The whole of a row that needs commands alone; `meanwhile` is done once the fault was told."""
    row = ROWS[name]
    bench.await_good(row.families)
    since, began_s = len(bench.notes), bench.now_s
    for family in row.families:
        bench.tell(family, row.command(family))
    if EVENT in row.families:
        bench.tell(EVENT, "strokes 5")
    at_s = bench.wait_for(words_of(row), since)
    meanwhile()
    if row.end:
        bench.tell_all(row.families, row.end)
    bench.await_good(row.families)
    hold(name, {family: one - began_s for family, one in at_s.items()})


def test_another_program_holds_the_port(begun: tuple[FaultBench, dict[str, float]]) -> None:
    bench, took_s = begun
    hold("busy", took_s)
    bench.await_good(FAMILIES)


def test_unplugged_in_mid_message_and_found_under_another_name(bench: FaultBench, tmp_path: Path) -> None:
    bench.await_good(FAMILIES)
    since, plugs = len(bench.notes), dict(bench.plugs)
    bench.plugs.clear()
    bench.tell_all(FAMILIES, ROWS["unplugged"].begin)
    bench.tell(EVENT, "strokes 5")
    bench.wait_for(words_of(ROWS["unplugged"]), since)
    bench.pump_until(lambda: all(Path(plugs[one].device).exists() for one in FAMILIES), "cables to be back")
    lost_s = bench.now_s
    for family in FAMILIES:
        renamed = tmp_path / family
        renamed.symlink_to(plugs[family].device)
        bench.plugs[family] = Listed(str(renamed), family)
    since = len(bench.notes)
    at_s = bench.wait_for({family: f"back on {tmp_path / family}" for family in FAMILIES}, since)
    bench.await_good(FAMILIES)
    took_s = {}
    for family in FAMILIES:
        events = bench.recorded(family)
        lost = max(place for place, event in enumerate(events) if event.kind == "lost")
        chunk = max(place for place, event in enumerate(events[:lost]) if event.kind == "chunk")
        assert events[lost].note == "unplugged"
        if family not in ("modbus", "bus"):
            assert not events[chunk].data.endswith(b"\n")
        took_s[family] = (events[lost].t_us - events[chunk].t_us) / 1e6
    hold("unplugged", took_s)
    hold("moved", {family: one - lost_s for family, one in at_s.items()})


def test_a_frozen_gauge_is_lost_and_back_with_its_first_byte(bench: FaultBench) -> None:
    do(bench, "silent")
    events = bench.recorded(SCPI)
    lost = max(place for place, event in enumerate(events) if event.kind == "lost")
    # It may be another one by now.
    assert next(event.data for event in events[lost:] if event.kind == "sent") == b"*IDN?\n"


@pytest.mark.parametrize("name", ["speed", "parity"])
def test_wrong_settings_are_told_and_give_no_value(bench: FaultBench, name: str) -> None:
    def no_values() -> None:
        before = {family: bench.samples(family) for family in ROWS[name].families}
        bench.pump_for(0.5)
        assert {family: bench.samples(family) for family in before} == before

    do(bench, name, no_values)


def test_an_echo_is_named_and_modbus_does_without(bench: FaultBench) -> None:
    def values() -> None:
        wanted = {family: bench.samples(family) + 5 for family in (MODBUS, BUS)}
        bench.pump_until(lambda: all(bench.samples(one) > wanted[one] for one in wanted), "Modbus values")
        assert all(map(bench.good_latest, wanted))

    do(bench, "echo", values)


def swap(bench: FaultBench, devices: dict[str, str]) -> None:
    for family, device in devices.items():
        bench.plugs[family] = Listed(device, family)


def test_gauges_without_identity_swapped(bench: FaultBench) -> None:
    row, now = ROWS["swapped"], {family: bench.plugs[family].device for family in (STREAM, EVENT)}
    bench.await_good(row.families)
    bench.tell(EVENT, "pace 240")
    bench.finish(EVENT)
    swap(bench, {STREAM: now[EVENT], EVENT: now[STREAM]})
    samples = {family: bench.samples(family) for family in row.families}
    since = len(bench.notes)
    bench.tell_all(row.families, "unplug s=0.2")
    bench.wait_for(dict.fromkeys(row.families, "back on"), since)
    began_s = bench.now_s
    bench.tell(EVENT, "strokes 20")
    at_s = bench.wait_for(words_of(row), since)
    assert {family: bench.samples(family) - samples[family] for family in row.families}[EVENT] == 0
    swap(bench, now)
    bench.tell_all(row.families, "unplug s=0.2")
    bench.await_good(row.families)
    bench.tell(EVENT, "pace 60")
    hold("swapped", {family: one - began_s for family, one in at_s.items()})


def test_another_gauge_of_the_same_kind_says_so_itself(bench: FaultBench) -> None:
    row, now = ROWS["stranger"], bench.plugs[SCPI].device
    bench.await_good(row.families)
    swap(bench, {SCPI: bench.gauges[OTHER].port.removeprefix("serial:")})
    since, began_s = len(bench.notes), bench.now_s
    bench.tell(SCPI, "unplug s=0.2")
    at_s = bench.wait_for(words_of(row), since)
    samples = bench.samples(SCPI)
    bench.pump_until(lambda: bench.samples(SCPI) > samples + 3, "values of the stranger")
    assert not bench.good_latest(SCPI)
    swap(bench, {SCPI: now})
    bench.tell(OTHER, "unplug s=0.2")
    bench.await_good(row.families)
    hold("stranger", {family: one - began_s for family, one in at_s.items()})


def test_a_counter_that_starts_anew_keeps_its_count(bench: FaultBench) -> None:
    bench.await_good((EVENT,))
    bench.finish(EVENT)
    one = bench.service._open[EVENT]

    def totals() -> list[tuple[float, object]]:
        found = replay(one.recorder.path, GaugeStream(one.line.stream.description))
        return [(taken.value, taken.details["counter_reset"]) for taken in found]

    before, since = totals(), bench.samples(EVENT)
    bench.tell(EVENT, "reset")
    bench.tell(EVENT, "strokes 3")
    bench.finish(EVENT)
    assert bench.samples(EVENT) == since + 3
    after = totals()[len(before) :]
    last = before[-1][0]
    assert after == [(last + 1, True), (last + 2, False), (last + 3, False)]
    assert b"READY\r\n" in bench.recorded(EVENT)[-4].data + bench.recorded(EVENT)[-3].data


def test_a_burst_after_a_stall_loses_nothing(bench: FaultBench) -> None:
    bench.await_good(FAMILIES)
    bench.finish(EVENT)
    damaged = {family: bench.service._open[family].line.stream.damaged for family in (STREAM, EVENT)}
    since, told = bench.samples(STREAM), len(bench.notes)
    strokes = bench.samples(EVENT)
    bench.tell(EVENT, "strokes 2")
    bench.tell_all(FAMILIES, "fault stall s=0.6")
    bench.pump_until(
        lambda: bench.samples(STREAM) >= since + 150 and bench.samples(EVENT) >= strokes + 2, "the burst"
    )
    bench.await_good(FAMILIES)
    assert {family: bench.service._open[family].line.stream.damaged for family in damaged} == damaged
    assert not [note for _, note in bench.notes[told:] if note.gauge in (STREAM, EVENT)]


def test_flow_control_bytes_among_the_data_harm_no_value(bench: FaultBench) -> None:
    bench.await_good(FAMILIES)
    told = len(bench.notes)
    started = {family: len(bench.recorded(family)) for family in FAMILIES}
    bench.tell_all(FAMILIES, "fault flow p=0.02")
    bench.tell(EVENT, "strokes 4")

    def came(family: str) -> bool:
        data = b"".join(event.data for event in bench.recorded(family)[started[family] :])
        return b"\x11" in data or b"\x13" in data

    bench.tell(EVENT, "pace 240")
    bench.tell(EVENT, "strokes 60")
    bench.pump_until(lambda: all(map(came, FAMILIES)), "XON or XOFF on every line")
    bench.tell_all(FAMILIES, "fault none")
    bench.await_good(FAMILIES)
    assert not [note for _, note in bench.notes[told:] if note.kind == "lost"]


def test_nothing_of_all_this_broke_the_journal(bench: FaultBench) -> None:
    """The last of them: recordings and journal hold together."""
    bench.end()
    report = verify(bench.home)
    assert report.holds, report.faults


def test_a_stuck_value(fast_bench: FaultBench) -> None:
    # Their noise has to be seen before it can be missed.
    fast_bench.await_good(ROWS["stuck"].families)
    fast_bench.pump_for(5.0)
    do(fast_bench, "stuck")


def test_a_minute_of_noise(fast_bench: FaultBench) -> None:
    row = ROWS["noise"]
    fast_bench.await_good(FAMILIES)
    since, began_s = len(fast_bench.notes), fast_bench.now_s
    recorded = {family: len(fast_bench.recorded(family)) for family in FAMILIES}
    fast_bench.tell_all(FAMILIES, row.begin)
    at_s = fast_bench.wait_for(words_of(row), since)
    samples = {family: fast_bench.samples(family) for family in FAMILIES}
    fast_bench.pump_for(began_s + 55.0 - fast_bench.now_s)
    assert {family: fast_bench.samples(family) for family in FAMILIES} == samples
    for family, first in recorded.items():
        noise = sum(len(event.data) for event in fast_bench.recorded(family)[first:] if event.kind == "chunk")
        assert noise > 0.9 * 55.0 * NOISE_BYTES_PER_S
    fast_bench.pump_for(6.0)
    fast_bench.await_good(FAMILIES)
    hold("noise", {family: one - began_s for family, one in at_s.items()})


@pytest.mark.parametrize(
    ("rate_hz", "baud", "lines_n"), [(10, 1200, 30), (10_000, 921_600, 15_000)], ids=["slow", "fast"]
)
def test_slow_and_fast_lines(tmp_path: Path, rate_hz: int, baud: int, lines_n: int) -> None:
    text = (Path(table.README.parent) / "config" / "gauges" / "force-stream-n.toml").read_text("utf-8")
    text = text.replace("115200", str(baud)).replace("rate_hz = 100.0", f"rate_hz = {rate_hz}.0")
    described = parse_description(text.encode(), "force-stream-n")
    speed = 4.0 if rate_hz == 10 else 1.0
    inbox, stream = Inbox(), GaugeStream(described)
    words = ("--rate-hz", str(rate_hz), "--baud", str(baud), "--speed", str(speed), "--no-auto")
    with (
        SimProcess(
            "force", "--speaks", "force-stream-n", "--link", str(tmp_path / "gauge"), *words
        ) as simulator,
        owning(tmp_path / "a.rec", simulator.port, inbox, described.timing, described.serial),
    ):
        real = SystemClock()
        limit_ns = real.monotonic_ns() + 20_000_000_000
        while stream.samples < lines_n and real.monotonic_ns() < limit_ns:
            stream.take(inbox.until(lambda event: True))
    assert stream.samples >= lines_n
    assert stream.damaged == 0
    assert not [event for event in inbox.seen if event.kind == "lost"]


def test_every_row_is_in_the_readme_as_it_stands_here() -> None:
    assert table.in_readme() == table.markdown(), "make it anew: python -m tests.faults.table --write"
