"""Reads gauges that speak Modbus RTU, alone or several on one line.

    plan ──requests──> port ──> recording        sent ──> which reply may come ──┐
                                                 bytes ──unit, length, CRC──> reply ──registers──> samples

Our own codec, although good libraries exist: requests and replies have to be recorded and replayed byte for
byte, and a client that sends, waits and decodes in one call leaves nothing to replay. Where a reply ends is
told by its bytes alone, from what was asked; the silence between frames only paces the requests. So the
outcome does not depend on how the operating system cut or delayed the bytes.

A reply does not say which registers it carries, so it counts for the request in front of it, and only if it
has that request's unit, function and length.
"""

from collections.abc import Callable
from decimal import Decimal
from math import isfinite, isnan, nan
from typing import ClassVar, NamedTuple

import numpy as np
from pydantic import BaseModel

from drivers.base import Driver, FrameError, Kind, Sample
from drivers.description import CommonKeys, GaugeDescription
from drivers.modbus_settings import ModbusSettings, RegisterValue
from drivers.pairing import Pairing
from drivers.plan import Plan, Request

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
MISSES_TOLD_N = 3
FIXED_GAP_S = 0.00175
"""Silence between frames above 19200 baud; below, three and a half characters (serial line guide V1.02)."""


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
        table.append(byte)
    return table


_TABLE = _crc_table()


def crc16(data: bytes) -> bytes:
    """The two check bytes of a frame, low byte first as they go over the line."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


def read_request(unit: int, function: int, address: int, count: int) -> bytes:
    """The request for `count` registers from `address` on."""
    body = bytes([unit, function]) + address.to_bytes(2, "big") + count.to_bytes(2, "big")
    return body + crc16(body)


def is_read_request(data: bytes) -> bool:
    """Whether these bytes ask some unit for registers."""
    return (
        len(data) == 8
        and 1 <= data[0] <= 247
        and data[1] in (3, 4)
        and 1 <= int.from_bytes(data[4:6], "big") <= 125
        and crc16(data[:6]) == data[6:]
    )


class Expected(NamedTuple):
    """How the reply to a request begins, and how long it is."""

    head: bytes
    """Unit, function and byte count."""
    refusal: bytes
    """Unit and function of an exception."""

    @classmethod
    def by(cls, request: bytes) -> "Expected":
        unit, function, count = request[0], request[1], int.from_bytes(request[4:6], "big")
        return cls(bytes([unit, function, 2 * count]), bytes([unit, function | 0x80]))

    def length_at(self, data: bytes, place: int) -> int | None:
        """Length of the reply that may begin at `place`, as far as its bytes tell; None if none does."""
        start = data[place : place + 3]
        if start[:2] == self.refusal:
            return 5
        return 5 + self.head[2] if start == self.head[: len(start)] else None


def find_reply(data: bytes, start: int, expected: Expected) -> tuple[int, int] | None:
    """Where the first whole reply stands from `start` on, half-open; None if more bytes are needed."""
    for place in range(start, len(data)):
        length = expected.length_at(data, place)
        if length is None:
            continue
        if place + length > len(data):
            return None
        if crc16(data[place : place + length - 2]) == data[place + length - 2 : place + length]:
            return place, place + length
    return None


class _Field(NamedTuple):
    """One value inside a reply's register bytes, and the kinds it can have."""

    value: RegisterValue
    place: int
    low: float
    high: float
    kinds: dict[str, Kind]


class ModbusDriver(Driver):
    """Driver of the family "modbus".

    Raises:
        TypeError: the description is of another family.
    """

    settings_key = "modbus"
    Settings: ClassVar[type[ModbusSettings]] = ModbusSettings
    asks_itself = True
    max_frame_bytes = 260
    # What is skipped as noise may end in the first part of a reply.
    split_tail_bytes = 260

    def __init__(self, description: GaugeDescription) -> None:
        settings = description.settings_as(ModbusSettings, "modbus")
        self._settings = settings
        self._pairing = Pairing()
        self._expected: Expected | None = None
        self._fields: dict[bytes, list[_Field]] = {}
        for address, count in settings.blocks():
            request = read_request(settings.unit, settings.function, address, count)
            self._fields[request] = [
                self._field(description, value, address)
                for value in settings.values
                if address <= value.address < address + count
            ]
        super().__init__(description)

    def _field(self, description: GaugeDescription, value: RegisterValue, first: int) -> _Field:
        quantity = value.quantity or description.quantity
        unit = value.unit or description.unit
        low, high = value.range or description.range
        words = {
            "good": frozenset[str](),
            "outside": frozenset({"out of range"}),
            "overload": frozenset({"overload"}),
            "missing": frozenset({"fault", "the gauge has no value"}),
        }
        kinds = {word: Kind(quantity, unit, value.channel, flags) for word, flags in words.items()}
        return _Field(value, 2 * (value.address - first), low, high, kinds)

    @classmethod
    def faults_in(cls, common: CommonKeys, settings: BaseModel) -> list[str]:
        assert isinstance(settings, ModbusSettings)
        own = [value for value in settings.values if value.quantity in (None, common.quantity)]
        if not own:
            return [f"modbus.values: none of them is a {common.quantity}, which the gauge is said to measure"]
        if common.quantity in ("force", "count") and len(own) > 1:
            return [f"modbus.values: a gauge for {common.quantity} has one value of it, not {len(own)}"]
        return []

    def plan(self) -> Plan:
        serial = self.description.serial
        gap_s = FIXED_GAP_S if serial.baudrate > 19200 else 3.5 * serial.byte_s
        requests = tuple(Request(data, missing_of(data)) for data in self._fields)
        return Plan(requests, gap_s, serial.byte_s)

    def begin(self) -> None:
        self._pairing.clear()
        self._expected = None
        self.complaint = None

    def is_foreign(self, data: bytes) -> bool:
        return is_read_request(data) and data[0] != self._settings.unit

    def asked(self, data: bytes) -> list[FrameError]:
        # What came before a request is no reply to it, whatever it looks like once that reply is expected.
        errors = self.drop_waiting("not a reply to what was asked")
        self._expected = Expected.by(data)
        if self.is_foreign(data) or not self._pairing.sent(data, self._expected):
            return errors
        if self._pairing.unanswered_n == MISSES_TOLD_N:
            self.complaint = f"no reply to {MISSES_TOLD_N} requests; it is still asked"
        return [*errors, FrameError("no reply to the request before", data, self._start)]

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        if self._expected is None:
            return None
        found = find_reply(data, start, self._expected)
        if found is None:
            return None
        first, stop = found
        # What stands in front of the reply is a frame of its own: noise, an echo, the rest of another reply.
        return (stop, stop) if first == start else (first, first)

    def decode(self, frame: bytes) -> list[Sample] | None:
        """Says what one reply means, see `Driver.decode`."""
        expected = self._expected
        if expected is None or find_reply(frame, 0, expected) != (0, len(frame)):
            raise FrameError("not a reply to what was asked", frame)
        if frame[0] != self._settings.unit:
            return None
        request = self._pairing.reply(frame)
        self.complaint = None
        if frame[1] & 0x80:
            name = EXCEPTIONS.get(frame[2], "unknown code")
            raise FrameError(f"the gauge refuses: exception {frame[2]:02X}, {name}", frame)
        registers = frame[3:-2]
        return [self._sample(field, registers) for field in self._fields[request]]

    def _sample(self, field: _Field, registers: bytes) -> Sample:
        value = field.value
        raw = value.raw(registers[field.place : field.place + 2 * value.registers_n], self._settings.order)
        if isnan(raw) or raw in value.missing:
            return Sample(field.kinds["missing"], nan)
        if not isfinite(raw) or raw in value.overload:
            return Sample(field.kinds["overload"], nan)
        number = scaled(raw, value)
        if field.kinds["good"].quantity == "force" and self.description.tension == "negative":
            number = -number
        kind = field.kinds["good" if field.low <= number <= field.high else "outside"]
        # Adding zero makes -0.0 the 0.0 a person means.
        return Sample(kind, number + 0.0)


def scaled(raw: float | int, value: RegisterValue) -> float:
    """The value of a register's number.

    In decimals: 3 in steps of 0.1 is 0.3, not 0.30000000000000004; and a 32-bit float stands for the shortest
    decimal that gives its 32 bits, 123.456 and not 123.45600128173828.
    """
    number = Decimal(str(np.float32(raw)) if isinstance(raw, float) else raw)
    return float(number * Decimal(repr(value.scale)) + Decimal(repr(value.offset)))


def missing_of(request: bytes) -> Callable[[bytes], int]:
    """How much of the reply to `request` is to come, once some bytes have."""
    expected = Expected.by(request)
    whole = 5 + expected.head[2]

    def missing(received: bytes) -> int:
        if find_reply(received, 0, expected) is not None:
            return 0
        for place in range(len(received)):
            length = expected.length_at(received, place)
            if length is not None and place + length > len(received):
                return place + length - len(received)
        return whole

    return missing
