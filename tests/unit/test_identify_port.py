"""Listening and asking, on a line made of bits and with gauges that answer by hand, in time moved by hand."""

from collections import deque
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

import config
from acquire.address import parse_address
from acquire.cli.identify_asked import make
from acquire.cli.identify_said import Said
from acquire.errors import ConfigError
from acquire.identify import CannotTell
from acquire.identify.ask import Answer, find_answer, is_identity, load_requests, named, poll, settings_to_ask
from acquire.identify.facts import Facts, least_step
from acquire.identify.interpret import candidates, choose
from acquire.identify.listen import BAUDRATES, find_setting, hear, is_contact, likeness
from acquire.identify.prove import prove_live
from acquire.identify.registers import Held, read_unit
from acquire.identify.scpi import ask_values
from acquire.identify.session import Session, parse_setting, speed_matters
from acquire.identify.write import scpi_text
from drivers.description import SerialSettings, parse_description
from drivers.modbus import crc16, read_request
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


def _unit_with(registers: dict[int, int], *, least_n: int = 1) -> Callable[[bytes], bytes]:
    """A Modbus unit 1 with input registers; it refuses what it does not hold, or half of what it holds."""
    function = 4

    def answers(request: bytes) -> bytes:
        if len(request) != 8 or request[0] != 1:
            return b""
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        asked = range(first, first + count)
        if request[1] != function:
            body = bytes([1, request[1] | 0x80, 1])
        elif count < least_n or any(address not in registers for address in asked):
            body = bytes([1, function | 0x80, 2])
        else:
            words = b"".join(registers[address].to_bytes(2, "big") for address in asked)
            body = bytes([1, function, 2 * count]) + words
        return body + crc16(body)

    return answers


def _met(
    answers: Callable[[bytes], bytes],
) -> tuple[Callable[[SerialSettings], FakeWire], ManualClock, Answer]:
    clock = ManualClock()

    def open_(settings: SerialSettings) -> FakeWire:
        return FakeWire(clock, answers=answers)

    answer = find_answer(open_, clock, lambda text: None, load_requests(), [SerialSettings(baudrate=9600)])
    assert answer is not None
    return open_, clock, answer


def _held(registers: dict[int, int], *, least_n: int = 1) -> Held:
    open_, clock, answer = _met(_unit_with(registers, least_n=least_n))
    return read_unit(open_, clock, lambda text: None, answer, load_requests())


@pytest.mark.parametrize("least_n", [1, 2], ids=["each answers", "no half of a number answers"])
@pytest.mark.parametrize("first", [10, 11, 30], ids=["even", "cut in two by halving", "at the end"])
def test_registers_that_answer_are_found_and_read_in_one_piece(first: int, least_n: int) -> None:
    # 12.36 as a 32-bit float, low word first
    held = _held({first: 0xC28F, first + 1: 0x4145}, least_n=least_n)
    assert [(one.function, one.first, one.count) for one in held.blocks] == [(4, first, 2)]
    best = candidates(held)[0]
    assert (best.name, str(best.exact[0])) == (f"4/{first}:float32:CDAB", "12.36")
    assert any("function 03, registers 0 to 31: illegal function" in line for line in held.refusals)


def test_the_order_of_a_number_is_taken_from_what_it_holds_or_asked_for() -> None:
    held = _held({10: 0xC28F, 11: 0x4145})
    chosen = choose("10:float32*2=N,-5..5", held, candidates(held))
    assert (chosen.candidate.order, chosen.guessed, chosen.scale) == ("CDAB", True, 2.0)
    assert (chosen.unit, chosen.low, chosen.high) == ("N", -5.0, 5.0)
    assert choose("10:float32:CDAB", held, []).guessed is False
    nothing = _held({10: 0, 11: 0})
    assert candidates(nothing) == []
    with pytest.raises(CannotTell, match="order of its bytes cannot be told"):
        choose("10:float32", nothing, [])
    whole = _held({10: 1, 11: 2})
    assert choose("10:uint32", whole, candidates(whole)).candidate.numbers[0] == 65538


@pytest.mark.parametrize(
    ("spec", "why"),
    [
        ("force", "cannot be read"),
        ("10:float64", "cannot be read"),
        ("12:float32", "did not answer there"),
        ("11:float32", "did not answer there"),
        ("3/10:float32", "did not answer there"),
        ("10:float32:AABB", "no such order"),
        ("10:int16=furlong", "no unit that is known"),
        ("10:int16*1.2.3", "no number"),
    ],
)
def test_a_register_that_makes_no_sense_is_one_clear_error(spec: str, why: str) -> None:
    held = _held({10: 0xC28F, 11: 0x4145})
    with pytest.raises(CannotTell, match=why):
        choose(spec, held, candidates(held))


def test_a_unit_that_holds_nothing_there_says_where_to_ask_next() -> None:
    with pytest.raises(CannotTell, match="holds nothing where it was asked") as error:
        _held({100: 5})
    assert "--registers" in error.value.hint


@pytest.mark.parametrize(
    ("registers", "why"),
    [({0: 231, 1: 498}, ""), ({0: 231, 1: 0x8000}, "no live humidity % is good: out of range")],
)
def test_each_value_of_a_description_must_have_been_good_once(registers: dict[int, int], why: str) -> None:
    open_, clock, answer = _met(_unit_with(registers))
    session = Session(open_, clock, lambda text: None, may_ask=lambda requests: True)
    said = Said(False, "degC", (-40.0, 85.0), None, ("0:int16*0.1", "1:int16*0.1=%,0..100"))
    if why:
        with pytest.raises(CannotTell, match=why):
            make(session, answer, load_requests(), said)
        return
    made = make(session, answer, load_requests(), said)
    assert {(one.value, one.kind.unit) for one in made.samples} == {(23.1, "degC"), (49.8, "%")}
    for register in (0, 1):
        assert f"# Scale of register {register}: said by a person" in made.description.text


def test_a_modbus_unit_is_found_at_its_speed_and_parity_and_number() -> None:
    clock = ManualClock()

    def answers(request: bytes) -> bytes:
        body = bytes([7, 3, 2, 0, 231])
        return body + crc16(body) if request == read_request(7, 3, 0, 1) else b""

    def open_(settings: SerialSettings) -> FakeWire:
        right = (settings.baudrate, settings.parity, settings.bytesize) == (38400, "even", 8)
        return FakeWire(clock, answers=answers if right else lambda request: b"")

    answer = find_answer(open_, clock, lambda text: None, load_requests(), settings_to_ask(BAUDRATES))
    assert answer is not None
    assert (answer.request.kind, answer.request.send[0], named(answer.settings)) == ("modbus", 7, "38400 8E1")


REPLIES = {b"*IDN?\n": b"Invented,Gauge,X1,0\n"}


@pytest.mark.parametrize(
    ("reply", "fields", "separator", "unit"),
    [
        (b"+1.2340E+01,N\n", ("value", "unit"), ",", "N"),
        (b"12.34\r\n", ("value",), ",", ""),
        (b"FORC 12.34 N\n", ("skip", "value", "unit"), " ", "N"),
    ],
)
def test_a_scpi_reply_is_taken_apart(
    reply: bytes, fields: tuple[str, ...], separator: str, unit: str
) -> None:
    replies = {**REPLIES, b"READ?\n": reply}
    open_, clock, answer = _met(lambda request: replies.get(request, b""))
    found = ask_values(open_, clock, answer, ["FETC?", "READ?"], "SYST:ERR?")
    assert (found.query, found.layout.fields, found.layout.separator) == ("READ?", fields, separator)
    assert (found.serial_number, found.errors, "".join(found.unit_words)) == ("X1", None, unit)
    text = scpi_text(found, Facts(unit or "N", -50.0, 50.0, least_step(found.values)))
    description = parse_description(text.encode(), "x")
    assert (description.driver, description.quantity, description.resolution) == ("scpi", "force", 0.01)
    proof = prove_live(description, open_, clock)
    assert {sample.value for sample in proof.samples} == {12.34}
    assert all(sample.kind.good for sample in proof.samples)
    assert proof.holds


def test_an_error_queue_is_emptied_of_what_the_questions_put_in() -> None:
    queue = deque([b'-113,"Undefined header"\n', b'-230,"Data stale"\n'])

    def answers(request: bytes) -> bytes:
        if request == b"SYST:ERR?\n":
            return queue.popleft() if queue else b'0,"No error"\n'
        return REPLIES.get(request, b"")

    open_, clock, answer = _met(answers)
    found = ask_values(open_, clock, answer, ["FETC?"], "SYST:ERR?")
    assert found.query == ""
    assert found.errors == ('-113,"Undefined header"', '-230,"Data stale"')


@pytest.mark.parametrize(
    ("values", "step"),
    [
        (["1.2340E+01", "4.00000E-03"], 0.001),
        (["0.00", "0.00"], 0.01),
        ([f"{n * 0.05:.3f}" for n in range(1, 20)], 0.05),
        (["120", "130"], 10.0),
    ],
)
def test_the_step_is_the_coarsest_that_all_values_are_multiples_of(values: list[str], step: float) -> None:
    assert least_step(map(Decimal, values)) == step


@pytest.mark.parametrize(
    ("data", "contact"),
    [
        (b"-0000000000\n", True),
        (b"-0000000000\n+0000001200\n-0000001320\n", True),
        (b"+0000000000\n+0000000000\n", False),  # a force gauge at rest
        (b"+0000000012\n-0000000013\n", False),  # too few to tell
        (b"+0000000012\n-0000000013\n+0000000013\n", True),
        (b"+0000000012\n+0000000013\n+0000000014\n", False),  # a counter
        (b"", False),
    ],
)
def test_the_changes_of_a_contact_are_told_from_values(data: bytes, contact: bool) -> None:
    assert is_contact(data) is contact


def test_every_shipped_request_only_asks() -> None:
    for request in load_requests().all():
        if request.kind == "modbus":
            assert request.send[1] in (
                3,
                4,
            )  # the functions that read (application protocol V1.1b3, 6.3 and 6.4)
        else:
            assert request.send.strip() in (b"*IDN?", b"READ?", b"N?", b"E?", b"D")
    scpi = load_requests().scpi
    assert all(query.endswith("?") for query in [*scpi.queries, *scpi.measure, scpi.errors])
    assert not any(query.startswith("MEAS") for query in scpi.queries)
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
