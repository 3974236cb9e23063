"""Sampling a contact on a control line, with a port that is made up: pseudo-terminals have no such lines."""

import errno
from typing import Literal

import pytest
import serial

from acquire.address import NoPort, SerialPath
from acquire.errors import ConfigError, PortLost, TransportError
from acquire.ports.contact import ContactWire
from acquire.ports.owner import connect_to
from drivers.contact import ContactSettings
from drivers.description import SerialSettings
from tests.contract.gauges import description, driver
from tests.manual_clock import ManualClock

SETTINGS = SerialSettings(baudrate=9600)
MS = 1_000_000


class LinePort:
    """A port whose control lines follow a script of (ms, line stands on)."""

    def __init__(self, clock: ManualClock, script: list[tuple[float, bool]]) -> None:
        self._clock = clock
        self._script = script
        self._start_ns = clock.monotonic_ns()
        self.gone_n: int | None = None
        self.closed = False
        self.asked: set[str] = set()

    def open(self) -> None: ...

    def close(self) -> None:
        self.closed = True

    def _stands(self, name: str) -> bool:
        if self.gone_n is not None:
            raise OSError(self.gone_n, "gone")
        self.asked.add(name)
        now_ms = (self._clock.monotonic_ns() - self._start_ns) / MS
        return [on for at_ms, on in self._script if at_ms <= now_ms][-1]

    cts = property(lambda self: self._stands("cts"))
    dsr = property(lambda self: self._stands("dsr"))
    cd = property(lambda self: self._stands("dcd"))
    ri = property(lambda self: self._stands("ri"))


def wire_on(
    monkeypatch: pytest.MonkeyPatch,
    script: list[tuple[float, bool]],
    line: Literal["cts", "dsr", "dcd", "ri"] = "cts",
    closed_when: Literal["on", "off"] = "on",
) -> tuple[ContactWire, LinePort]:
    clock = ManualClock()
    port = LinePort(clock, script)
    monkeypatch.setattr(serial, "Serial", lambda: port)
    contact = ContactSettings(line=line, closed_when=closed_when, sample_ms=2)
    return ContactWire("COM3", SETTINGS, contact, clock.sleep, clock.monotonic_ns), port


def read_for(wire: ContactWire, times: int) -> bytes:
    return b"".join(wire.read(wait=True) for _ in range(times))


def test_changes_are_written_with_their_milliseconds(monkeypatch: pytest.MonkeyPatch) -> None:
    wire, _ = wire_on(monkeypatch, [(0, False), (9, True), (13, False), (15, True), (50, False)])
    text = read_for(wire, 4)
    assert text == b"-0000000000\n+0000000010\n-0000000014\n+0000000016\n-0000000050\n"


@pytest.mark.parametrize("line", ["cts", "dsr", "dcd", "ri"])
def test_every_line_can_carry_the_contact(
    monkeypatch: pytest.MonkeyPatch, line: Literal["cts", "dsr", "dcd", "ri"]
) -> None:
    wire, port = wire_on(monkeypatch, [(0, True), (9, False)], line)
    assert read_for(wire, 1) == b"+0000000000\n-0000000010\n"
    assert port.asked == {line}


def test_a_contact_may_close_by_switching_off(monkeypatch: pytest.MonkeyPatch) -> None:
    wire, _ = wire_on(monkeypatch, [(0, True), (9, False)], closed_when="off")
    assert read_for(wire, 1) == b"-0000000000\n+0000000010\n"


def test_what_the_port_writes_is_what_the_driver_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    script: list[tuple[float, bool]] = [(0, False)]
    for stroke in range(5):
        at_ms = 100.0 + 1600 * stroke
        script += [(at_ms, True), (at_ms + 2, False), (at_ms + 5, True), (at_ms + 80, False)]
        script += [(at_ms + 83, True), (at_ms + 86, False)]
    wire, _ = wire_on(monkeypatch, script)
    batch = driver("contact-wash").feed(read_for(wire, 450))
    assert batch.values.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    assert batch.errors == []


def test_a_closing_faster_than_the_machine_is_told_and_not_counted() -> None:
    made = driver("contact-wash")  # four a second at most
    batch = made.feed(b"-0000000000\n+0000001000\n-0000001100\n+0000001200\n-0000001300\n+0000001400\n")
    assert batch.values.tolist() == [0.0, 1.0, 2.0]
    assert [error.why for error in batch.errors] == [
        "closed again after 200 ms, faster than anything counted here can be"
    ]


def test_a_contact_closed_from_the_start_is_no_stroke() -> None:
    batch = driver("contact-wash").feed(b"+0000000000\n-0000000500\n+0000002000\n")
    assert batch.values.tolist() == [0.0, 1.0]


def test_a_port_that_goes_away_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    wire, port = wire_on(monkeypatch, [(0, False)])
    port.gone_n = errno.EIO
    with pytest.raises(PortLost, match=r"^unplugged$"):
        wire.read(wait=True)
    with pytest.raises(PortLost, match="never asked"):
        wire.write(b"?")
    wire.close()
    assert port.closed


def test_a_port_without_control_lines_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = ManualClock()
    port = LinePort(clock, [(0, False)])
    port.gone_n = errno.ENOTTY
    monkeypatch.setattr(serial, "Serial", lambda: port)
    contact = description("contact-wash").settings
    assert isinstance(contact, ContactSettings)
    connect = connect_to(SerialPath("/dev/ttyS0"), SETTINGS, contact=(contact, clock))
    with pytest.raises(TransportError, match="/dev/ttyS0 has no CTS line"):
        connect(clock.sleep)
    assert port.closed


def test_a_gauge_without_a_port_is_never_opened() -> None:
    with pytest.raises(ConfigError, match="without a port"):
        connect_to(NoPort(), SETTINGS)
