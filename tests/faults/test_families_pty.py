"""The asked families on real pseudo-terminals; behind them simulated gauges and an independent server."""

import re
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire import model
from acquire.capture.taken import Taken
from acquire.clock import SystemClock
from acquire.home import Home
from acquire.model import Climate, Step, Trial
from acquire.notes import Note
from acquire.ports import Poll, PortEvent, PortOwner, parse_address
from acquire.ports.owner import connect_to
from acquire.recordings import Header, Recorder
from acquire.service import Service
from acquire.sources import replay
from acquire.stream import GaugeStream
from acquire.verification import verify
from drivers.base import Sample
from drivers.description import GaugeDescription, parse_description
from drivers.registry import make_driver
from tests.benches import method_text
from tests.benchmarks.modbus import by_owner
from tests.contract.gauges import description
from tests.modbus_peer import peer
from tests.port_tools import Inbox
from tests.sim_process import SimProcess, truths

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
]


class Reading:
    """A running gauge: what its stream makes of what the port delivers."""

    def __init__(self, described: GaugeDescription, inbox: Inbox) -> None:
        self.inbox = inbox
        self.stream = GaugeStream(described)
        self.taken: list[Taken] = []
        self.samples: list[Sample] = []

    def take(self, event: PortEvent) -> None:
        self.taken += self.stream.take(event)
        if event.kind == "chunk" and self.stream.latest is not None:
            self.samples += list(self.stream.latest)

    def until(self, enough: Callable[[], bool], limit_s: float = 15.0) -> None:
        deadline = time.monotonic() + limit_s
        while not enough():
            assert time.monotonic() < deadline, (self.stream.errors, self.samples[-3:], self.inbox.failures)
            self.take(self.inbox.until(lambda event: True))


@contextmanager
def reading(path: Path, address: str, described: GaugeDescription) -> Iterator[Reading]:
    """A gauge read live; at the end its recording is replayed and must give the same."""
    inbox = Inbox(10_000)
    clock = SystemClock()
    made = Reading(described, inbox)
    with Recorder(path, Header(driver=described.name, device="g"), clock) as recorder:
        owner = PortOwner(
            "g",
            connect_to(parse_address(address), described.serial),
            [Poll("g", described.timing, make_driver(described).plan())],
            recorder=recorder,
            clock=clock,
            deliver=inbox.deliver,
            on_failure=inbox.failures.append,
        )
        owner.start()
        try:
            yield made
        finally:
            assert owner.stop(2.0)
    seen_n = len(inbox.seen)
    for event in inbox.drain()[seen_n:]:
        made.take(event)
    made.taken += made.stream.finish()
    again = GaugeStream(described)
    assert list(replay(path, again)) == made.taken
    assert (again.samples, again.damaged) == (made.stream.samples, made.stream.damaged)


def test_pulls_out_of_registers_through_faults_and_an_unplugging(tmp_path: Path) -> None:
    truth = tmp_path / "truth"
    args = ("force", "--speaks", "modbus-force", "--link", str(tmp_path / "gauge"), "--speed", "4")
    described = description("modbus-force")
    with SimProcess(*args, "--truth", str(truth)) as sim, reading(
        tmp_path / "a.rec", sim.port, described
    ) as read:  # fmt: skip
        read.until(lambda: len(read.samples) > 20)
        sim.tell("weight 0.5")
        read.until(lambda: read.samples[-1].value == pytest.approx(0.5 * 9.80665, abs=0.1))
        sim.tell("refuse 4")
        read.until(lambda: any("exception 04, server device failure" in str(e) for e in read.stream.errors))
        sim.tell("refuse 0")
        sim.tell("fault garble p=0.05")
        damaged_n = read.stream.damaged
        read.until(lambda: read.stream.damaged > damaged_n + 5)
        sim.tell("fault none")
        sim.tell("unplug s=1")
        read.until(lambda: read.stream.opening == 1)
        samples_n = len(read.samples)
        read.until(lambda: len(read.samples) > samples_n + 20)
        sim.tell("quit")
    # Garbled bytes never became another good value: a hung weight swings between 0 and twice its force.
    allowed = pytest.approx(0.5 * 9.80665, abs=5.0)
    assert all(sample.value == allowed for sample in read.samples if sample.kind.good)


def test_scpi_tells_who_it_is_and_what_went_wrong(tmp_path: Path) -> None:
    args = ("force", "--speaks", "scpi-force", "--link", str(tmp_path / "gauge"))
    described = description("scpi-force")
    with SimProcess(*args) as sim, reading(tmp_path / "a.rec", sim.port, described) as read:
        read.until(lambda: len(read.samples) > 5)
        assert read.stream.complaint is None
        sim.tell("error -231")
        read.until(lambda: any("-231, Data questionable" in str(error) for error in read.stream.errors))
        read.until(lambda: "the gauge reported an error just before" in read.samples[-1].kind.flags)
        read.until(lambda: read.samples[-1].kind.good)
        sim.tell("mode peak")
        read.until(lambda: "the gauge has no value" in read.samples[-1].kind.flags)
        sim.tell("quit")


def test_another_gauge_of_the_same_kind_is_refused_in_plain_words(tmp_path: Path) -> None:
    text = description("scpi-force").text.replace(
        'query = "MEAS:FORC?"', 'query = "MEAS:FORC?"\nserial_number = "EX0042"'
    )
    described = parse_description(text.encode(), "scpi-force")
    args = ("force", "--speaks", "scpi-force", "--link", str(tmp_path / "gauge"), "--serial-number", "EX0077")
    with SimProcess(*args) as sim, reading(tmp_path / "a.rec", sim.port, described) as read:
        read.until(lambda: len(read.samples) > 5)
        assert read.stream.complaint == (
            "it says it is number EX0077, not EX0042: another gauge is plugged in"
        )
        assert not any(sample.kind.good for sample in read.samples)
        assert read.samples[-1].kind.flags == {"fault", "it is not number EX0042"}
        sim.tell("quit")


def test_a_bouncing_contact_counts_every_stroke_once(tmp_path: Path) -> None:
    truth = tmp_path / "truth"
    args = ("wash", "--speaks", "contact-wash", "--tcp", "0", "--speed", "40", "--truth", str(truth))
    with SimProcess(*args) as sim, reading(tmp_path / "a.rec", sim.port, description("contact-wash")) as read:
        read.until(lambda: len(read.samples) == 1)
        sim.tell("strokes 40")
        sim.tell("pause 1")
        read.until(lambda: bool(read.taken) and read.taken[-1].value == 40.0)
        sim.tell("quit")
    assert len(truths(str(truth), "stroke")) == 40
    assert [item.value for item in read.taken] == [float(number) for number in range(1, 41)]
    assert read.stream.damaged == 0


@pytest.mark.parametrize(
    ("name", "told", "value"),
    [
        ("balance-line", "set mass=12.345", 12.345),
        ("irradiance-line", "set irradiance=4.37", 43.7),
        ("modbus-panel", "set panel-2=31.5", 31.5),
    ],
)
def test_slow_values_are_taken_once_they_have_settled(
    tmp_path: Path, name: str, told: str, value: float
) -> None:
    args = ("room", "--speaks", name, "--link", str(tmp_path / "gauge"), "--speed", "5")
    # Asked more often than in real life, to be done sooner.
    text = re.sub(r"period_s = [0-9.]+", "period_s = 0.1", description(name).text)
    described = parse_description(text.encode(), name)
    with SimProcess(*args) as sim, reading(tmp_path / "a.rec", sim.port, described) as read:
        read.until(lambda: bool(read.taken))
        sim.tell(told)
        read.until(lambda: read.taken[-1].value == pytest.approx(value, rel=0.02))
        assert read.taken[-1].verdict == "accepted"
        sim.tell("quit")


def test_three_units_of_an_independent_server_are_read_on_one_line(tmp_path: Path) -> None:
    with peer(tmp_path / "server") as device:
        assert by_owner(device, (1, 2, 3), tmp_path, polls_n=60) > 0.0


BENCH = """
format = "panelwright-bench 1"
name = "Test bench (invented)"
time_zone = "UTC"

[gauges.force]
description = "modbus-force"
port = "{bus}"
tolerance = {{ absolute = 0.05 }}

[gauges.surface]
description = "modbus-panel"
port = "{bus}"
where = "panel"
tolerance = {{ absolute = 1.0 }}

[gauges.room]
description = "modbus-climate"
port = "{room}"
tolerance = {{ absolute = 1.0 }}

[gauges.gloss]
description = "keyed-gloss"
port = "none"
tolerance = {{ absolute = 1.0 }}
"""


def climates(home: Home) -> list[Climate]:
    with home.journal(readonly=True) as journal:
        return [Climate.model_validate(event.body) for event in journal.events("climate")]


def test_a_bench_with_two_gauges_on_one_line_and_the_room_beside(tmp_path: Path) -> None:
    home = Home(tmp_path / "bench")
    home.create()
    home.method_file.write_text(method_text(), encoding="utf-8")
    trial = Trial(id="larch", product="invented", panels=("A",), t_utc=SystemClock().utc())
    step = Step(test=model.Test.SLIP, panel="A", phase="bare")
    notes: list[Note] = []
    bus_args = ("bus", "--speaks", "modbus-bus", "--link", str(tmp_path / "bus"), "--speed", "3")
    room_args = ("room", "--speaks", "modbus-climate", "--link", str(tmp_path / "room"), "--speed", "5")
    with SimProcess(*bus_args) as bus, SimProcess(*room_args) as room:
        home.bench_file.write_text(BENCH.format(bus=bus.port, room=room.port), encoding="utf-8")
        with Service(home, clock=SystemClock(3.0), tell=notes.append, shortest_limit_s=1.0) as service:
            service.await_ports(10.0)
            task = service.measure(trial, step)
            bus.tell("pull 3")
            room.tell("set temperature=26.5")
            deadline = time.monotonic() + 40
            enough = False
            while not (task.done and enough):
                assert time.monotonic() < deadline, notes[-8:]
                service.pump()
                enough = any(note.kind == "climate" and "outside" in note.text for note in notes)
            service.rest(task)
        bus.tell("quit")
        room.tell("quit")
    found = climates(home)
    outside = [one for one in found if one.outside]
    assert outside[-1].quantity == "temperature"
    assert "above 25 degC (ISO 3270:1984)" in (outside[-1].outside or "")
    assert {(one.gauge, one.quantity, one.where) for one in found} >= {
        ("room", "temperature", "room"),
        ("room", "humidity", "room"),
        ("surface", "temperature", "panel"),
    }
    assert all(one.atmosphere is None for one in found if one.gauge == "surface")
    report = verify(home)
    assert report.holds, report.faults
    assert (report.readings_n, report.recordings_n) == (3, 2)


def test_the_bench_says_which_gauge_is_a_stranger_and_which_does_not_answer(tmp_path: Path) -> None:
    home = Home(tmp_path / "bench")
    home.create()
    for name, old, new in (
        ("scpi-force", '# serial_number = "EX0042"', 'serial_number = "EX0042"'),
        ("modbus-panel", "unit = 3", "unit = 9"),
    ):
        path = home.gauges / f"{name}.toml"
        path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    notes: list[Note] = []
    scpi_args = ("force", "--speaks", "scpi-force", "--link", str(tmp_path / "scpi"))
    bus_args = ("bus", "--speaks", "modbus-bus", "--link", str(tmp_path / "bus"))
    with SimProcess(*scpi_args, "--serial-number", "EX0077") as scpi, SimProcess(*bus_args) as bus:
        bench = BENCH.replace('"{room}"', '"none"').format(bus=bus.port)
        bench += '[gauges.other]\ndescription = "scpi-force"\ntolerance = { absolute = 0.1 }\n'
        home.bench_file.write_text(f'{bench}port = "{scpi.port}"\n', encoding="utf-8")
        with Service(home, clock=SystemClock(), tell=notes.append) as service:
            deadline = time.monotonic() + 20
            while len({note.gauge for note in notes if note.kind == "lost"}) < 2:
                assert time.monotonic() < deadline, notes
                service.pump()
        for sim in (scpi, bus):
            sim.tell("quit")
    said = {note.gauge: note.text for note in notes if note.kind == "lost"}
    assert said == {
        "other": "it says it is number EX0077, not EX0042: another gauge is plugged in",
        "surface": "no reply to 3 requests; it is still asked",
    }
    with home.journal(readonly=True) as journal:
        incidents = {event.body["gauge"]: event.body["what"] for event in journal.events("incident")}
    assert incidents == {gauge: f"refused: {text}" for gauge, text in said.items()}
