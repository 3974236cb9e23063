"""Simulated gauges that are asked: what they answer to requests, good and bad, and what they hold."""

from random import Random

import pytest

from simulators.commands import CommandError, parse
from simulators.contact import ContactStation
from simulators.modbus import RequestEar, Unit, check_bytes, two_registers
from simulators.room import BusStation, RoomStation
from simulators.scpi import LineEar, Scpi
from simulators.wash import StrokeCounter


def request(unit: int, function: int, first: int, count: int) -> bytes:
    body = bytes([unit, function]) + first.to_bytes(2, "big") + count.to_bytes(2, "big")
    return body + check_bytes(body)


def no_truth(event: str, **facts: object) -> None: ...


def registers(reply: bytes) -> list[int]:
    assert check_bytes(reply[:-2]) == reply[-2:]
    return [int.from_bytes(reply[at : at + 2], "big") for at in range(3, 3 + reply[2], 2)]


def test_requests_are_found_behind_noise_and_in_pieces() -> None:
    ear = RequestEar()
    asked = request(1, 4, 10, 2)
    assert ear.feed(b"\x00\xff" + asked[:3]) == []
    assert ear.feed(asked[3:] + asked) == [asked, asked]


@pytest.mark.parametrize(
    ("function", "first", "count", "code"),
    [(3, 0, 1, 1), (6, 0, 1, 1), (4, 2, 1, 2), (4, 1, 2, 2), (4, 0, 0, 3), (4, 0, 126, 3)],
)
def test_a_unit_refuses_what_it_does_not_have(function: int, first: int, count: int, code: int) -> None:
    unit = Unit(7, 4, lambda: {0: 5, 1: 6})
    reply = unit.answer(request(7, function, first, count))
    assert reply[:3] == bytes([7, function | 0x80, code])
    assert check_bytes(reply[:-2]) == reply[-2:]
    assert registers(unit.answer(request(7, 4, 0, 2))) == [5, 6]


def test_words_in_either_order() -> None:
    assert two_registers(bytes([1, 2, 3, 4])) == (0x0102, 0x0304)
    assert two_registers(bytes([1, 2, 3, 4]), low_first=True) == (0x0304, 0x0102)


def test_scpi_answers_queries_and_keeps_errors_for_later() -> None:
    gauge = Scpi("EX1", "MEAS:FORC?", lambda: "1.0,N")
    assert gauge.answer(b"*IDN?\r") == b"Invented works,Simulated indicator,EX1,0\n"
    assert gauge.answer(b"meas:forc?") == b"1.0,N\n"
    assert gauge.answer(b"MEAS:VOLT?") == b""
    assert gauge.answer(b"SYST:ERR?") == b'-113,"Undefined header"\n'
    assert gauge.answer(b"SYST:ERR?") == b'0,"No error"\n'
    gauge.complain(-230, "x")
    assert gauge.answer(b"*CLS") == b""
    assert gauge.answer(b"SYST:ERR?") == b'0,"No error"\n'
    assert LineEar().feed(b"a\nb\nc") == [b"a", b"b"]


def test_the_room_settles_breaks_and_refuses() -> None:
    room = RoomStation(no_truth, speaks="modbus-climate", rng=Random(1))
    asked = request(2, 3, 0, 2)
    room.advance(1.0)
    assert registers(room.answer(asked, 1.0)) == pytest.approx([231, 498], abs=2)
    room.start(parse("set temperature=-5.5", room.forms), 1.0)
    assert room.busy
    room.advance(60.0)
    assert not room.busy
    assert registers(room.answer(asked, 60.0))[0] == pytest.approx(0x10000 - 55, abs=1)
    room.start(parse("break humidity", room.forms), 60.0)
    assert registers(room.answer(asked, 60.0))[1] == 0x8000
    room.start(parse("mend humidity", room.forms), 60.0)
    room.start(parse("refuse 4", room.forms), 60.0)
    assert room.answer(asked, 60.0)[:3] == bytes([2, 0x83, 4])
    assert room.answer(request(3, 3, 0, 2), 60.0) == b""
    with pytest.raises(CommandError, match="no 'mass' here"):
        room.start(parse("set mass=5", room.forms), 60.0)


def test_the_balance_says_when_it_moves_and_when_it_is_overloaded() -> None:
    balance = RoomStation(no_truth, speaks="balance-line", rng=Random(1))
    assert balance.advance(0.1)[0].startswith(b"S ")
    balance.start(parse("set mass=12.345", balance.forms), 1.0)
    moving = balance.advance(1.5)
    assert moving[-1].startswith(b"D +00")
    settled = balance.advance(9.0)[-1]
    assert settled.startswith(b"S +0012.34")
    balance.start(parse("set mass=400", balance.forms), 9.0)
    assert balance.advance(20.0)[-1] == b"O\r\n"
    with pytest.raises(CommandError, match="only a Modbus gauge refuses"):
        balance.start(parse("refuse 4", balance.forms), 20.0)


def test_the_radiometer_saturates() -> None:
    meter = RoomStation(no_truth, speaks="irradiance-line", rng=Random(1))
    meter.start(parse("set irradiance=4.37", meter.forms), 0.0)
    meter.advance(20.0)
    assert meter.reply(20.0).startswith(b"E 004.3")
    meter.start(parse("break irradiance", meter.forms), 20.0)
    assert meter.reply(20.0) == b"E SAT\r"


def test_on_a_bus_only_the_unit_that_is_asked_answers() -> None:
    rooms = [RoomStation(no_truth, speaks="modbus-climate", rng=Random(unit), unit=unit) for unit in (2, 9)]
    bus = BusStation(no_truth, [*rooms])
    bus.advance(1.0)
    assert bus.answer(request(9, 3, 0, 2), 1.0)[0] == 9
    assert bus.answer(request(5, 3, 0, 2), 1.0) == b""
    bus.start(parse("set temperature=30", bus.forms), 1.0)
    assert bus.busy


def test_a_contact_bounces_and_says_first_how_it_stands() -> None:
    made = ContactStation(no_truth, counter=StrokeCounter(Random(1)), rng=Random(2))
    assert made.advance(4.0) == []
    assert made.opened(5.0) == [b"-0000000000\n"]
    made.start(parse("strokes 3", made.forms), 5.0)
    said = [made.advance(5.0 + at / 100) for at in range(800)]
    lines = [line.strip() for messages in said for line in messages]
    assert len(lines) > 6
    assert [line[:1] for line in lines] == [b"+", b"-"] * (len(lines) // 2)
    assert [int(line[1:]) for line in lines] == sorted(int(line[1:]) for line in lines)
    assert not made.busy
