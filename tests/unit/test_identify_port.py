"""Listening and asking, on a line made of bits and with gauges that answer by hand, in time moved by hand."""

from collections import deque
from collections.abc import Callable
from pathlib import Path

import pytest

import config
from acquire.address import parse_address
from acquire.errors import ConfigError
from acquire.identify import CannotTell
from acquire.identify.ask import find_answer, is_identity, load_requests, named, poll, settings_to_ask
from acquire.identify.listen import BAUDRATES, find_setting, hear, likeness
from acquire.identify.registers import look_closer
from acquire.identify.session import Session, parse_setting, speed_matters
from drivers.description import SerialSettings, parse_description
from drivers.modbus import crc16
from tests.manual_clock import ManualClock
from tests.uart import received

LINES = b"".join(b"%+07.2f N\r\n" % (n * 7 % 41 * 0.53 - 9) for n in range(40))


class FakeWire:
    """A port on which time passes while it is read; `speaks` gives what comes by itself."""

    name = "fake"

    def __init__(
        self,
        clock: ManualClock,
        speaks: Callable[[], bytes] = lambda: b"",
        answers: Callable[[bytes], bytes] = lambda request: b"",
    ) -> None:
        self._clock = clock
        self._speaks = speaks
        self._answers = answers
        self._waiting = b""
        self.written: list[bytes] = []

    def read(self, *, wait: bool, gather_s: float = 0.0) -> bytes:
        if wait:
            self._clock.move(0.02)
            self._waiting += self._speaks()
        data, self._waiting = self._waiting, b""
        return data

    def write(self, data: bytes) -> None:
        self.written.append(data)
        self._waiting += self._answers(data)

    def close(self) -> None:
        """Nothing to close."""


def open_line(clock: ManualClock, sent: SerialSettings) -> Callable[[SerialSettings], FakeWire]:
    """A gauge that streams `LINES` at one setting, heard at whatever setting the port is opened with."""

    def open_(listens: SerialSettings) -> FakeWire:
        heard = received(LINES, sent, listens)
        rest = deque([heard[at : at + 25] for at in range(0, len(heard), 25)] * 20)
        return FakeWire(clock, lambda: rest.popleft() if rest else b"")

    return open_


@pytest.mark.parametrize(
    "sent",
    [
        *(SerialSettings(baudrate=baudrate) for baudrate in BAUDRATES),
        SerialSettings(baudrate=9600, bytesize=7, parity="even"),
        SerialSettings(baudrate=19200, bytesize=7, parity="odd"),
        SerialSettings(baudrate=4800, bytesize=7, stopbits=2),
    ],
    ids=named,
)
def test_the_speed_is_found_by_listening_alone(sent: SerialSettings) -> None:
    clock = ManualClock()
    assert find_setting(open_line(clock, sent), clock, lambda text: None) == sent


def test_noise_is_not_taken_for_lines() -> None:
    noise = bytes((n * n * 31 + n * 7) % 256 for n in range(600))
    assert likeness(noise) < 0.3
    assert likeness(LINES) > 0.95
    clock = ManualClock()
    with pytest.raises(CannotTell, match="at no speed"):
        find_setting(lambda settings: FakeWire(clock, lambda: noise), clock, lambda text: None)


def test_a_silent_port_is_silent_and_nothing_is_sent() -> None:
    clock = ManualClock()
    wires: list[FakeWire] = []

    def open_(settings: SerialSettings) -> FakeWire:
        wires.append(FakeWire(clock))
        return wires[-1]

    session = Session(open_, clock, lambda text: None, may_ask=lambda requests: False)
    assert session.listen() is None
    assert session.ask(load_requests()) is None
    assert [wire.written for wire in wires] == [[]]


def test_key_presses_are_waited_for() -> None:
    clock, told = ManualClock(), list[str]()
    looks_n = 0

    def speaks() -> bytes:
        nonlocal looks_n
        looks_n += 1
        return b"60 09%d.4 GU\r\n" % (looks_n % 9) if looks_n % 150 == 0 else b""

    heard = hear(lambda settings: FakeWire(clock, speaks), SerialSettings(baudrate=9600), clock, told.append)
    assert len(heard.chunks) >= 6
    assert any("press its key" in text for text in told)


def test_the_first_request_that_is_answered_is_polled() -> None:
    clock = ManualClock()

    def answers(request: bytes) -> bytes:
        # Complains of everything else, as some do: that is no answer.
        return b"+00120 gf S\r\n" if request == b"D\r" else b"ERR 12\r\n"

    def open_(settings: SerialSettings) -> FakeWire:
        right = settings.bytesize == 7 and settings.baudrate == 9600
        return FakeWire(clock, answers=answers if right else lambda request: b"\x81\xff")

    answer = find_answer(open_, clock, lambda text: None, load_requests(), settings_to_ask(BAUDRATES))
    assert answer is not None
    assert (answer.request.send, named(answer.settings)) == (b"D\r", "9600 7E1")
    heard = poll(open_, answer.settings, clock, lambda text: None, b"D\r")
    assert {data for _, data in heard.chunks} == {b"+00120 gf S\r\n"}
    assert heard.request == b"D\r"


def test_an_echo_is_no_answer() -> None:
    clock = ManualClock()
    answer = find_answer(
        lambda settings: FakeWire(clock, answers=lambda request: request),
        clock,
        lambda text: None,
        load_requests(),
        [SerialSettings(baudrate=9600)],
    )
    assert answer is None


def test_a_gauge_that_speaks_scpi_is_described_if_a_harmless_query_brings_a_value() -> None:
    clock = ManualClock()
    replies = {b"*IDN?\n": b"Invented,Gauge,1,0\n", b"FETC?\n": b"+1.2340E+01,N\n"}

    def open_(settings: SerialSettings) -> FakeWire:
        return FakeWire(clock, answers=lambda request: replies.get(request, b""))

    requests = load_requests()
    answer = find_answer(open_, clock, lambda text: None, requests, [SerialSettings(baudrate=9600)])
    assert answer is not None
    found = look_closer(open_, clock, answer, requests.scpi)
    assert found.family == "scpi"
    description = parse_description(found.text.encode(), "x")
    assert (description.driver, description.unit, description.quantity) == ("scpi", "N", "force")


def test_registers_of_a_modbus_gauge_are_shown_but_not_guessed() -> None:
    clock = ManualClock()

    def answers(request: bytes) -> bytes:
        if request[:2] != b"\x01\x04" or len(request) != 8:
            return b""
        address = int.from_bytes(request[2:4], "big")
        body = b"\x01\x04\x02\x00\xe7" if address == 0 else b"\x01\x84\x02"
        return body + crc16(body)

    def open_(settings: SerialSettings) -> FakeWire:
        return FakeWire(clock, answers=answers)

    requests = load_requests()
    answer = find_answer(open_, clock, lambda text: None, requests, [SerialSettings(baudrate=9600)])
    assert answer is not None
    found = look_closer(open_, clock, answer, requests.scpi)
    assert found.text == ""
    assert "register 0: int16 231" in found.lines
    assert any("illegal data address" in line for line in found.lines)


def test_every_shipped_request_only_asks() -> None:
    for request in load_requests().all():
        if request.kind == "modbus":
            assert request.send[1] in (
                3,
                4,
            )  # the functions that read (application protocol V1.1b3, 6.3 and 6.4)
        else:
            assert request.send.strip() in (b"*IDN?", b"READ?", b"N?", b"E?", b"D")
    assert all(query.endswith("?") for query in load_requests().scpi.queries)
    assert is_identity(b"Invented,Gauge,1,0\n")


def test_a_faulty_file_of_requests_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "requests.toml"
    path.write_text(
        (config.FOLDER / "requests.toml").read_text().replace("functions = [3, 4]", "functions = [6]")
    )
    with pytest.raises(ConfigError, match=r"modbus\.functions"):
        load_requests(path)


def test_settings_are_read_as_people_write_them() -> None:
    assert parse_setting("19200-7e1") == SerialSettings(baudrate=19200, bytesize=7, parity="even")
    assert parse_setting("115200") == SerialSettings(baudrate=115200)
    for text in ("fast", "9600-8X1", "9600-81", "10"):
        with pytest.raises(ValueError, match=r"9600-8N1|greater than or equal"):
            parse_setting(text)


@pytest.mark.parametrize(
    ("address", "real", "matters"),
    [
        ("tcp://127.0.0.1:4001", "", False),
        ("serial:./gauge", "/dev/pts/3", False),
        ("serial:/dev/ttyUSB0", "/dev/ttyUSB0", True),
        ("serial:usb=EX1", "", True),
    ],
)
def test_speed_matters_only_where_there_is_one(address: str, real: str, matters: bool) -> None:
    assert speed_matters(parse_address(address), lambda path: real) is matters
