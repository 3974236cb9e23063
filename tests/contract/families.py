"""What the shipped gauges of the binary and querying families say and are asked (all invented).

Written independently of the drivers: frames by hand, their CRC bit by bit.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random

from drivers.base import Driver
from drivers.registry import make_driver
from drivers.talks import Sent, Talk
from tests.contract.gauges import description


@dataclass(frozen=True)
class Said:
    """One good exchange and the values in it: (value, quantity, unit, channel)."""

    talk: Talk
    values: tuple[tuple[float, str, str, str | None], ...]


@dataclass(frozen=True)
class Family:
    name: str
    say: Callable[[Random, int], Said]
    """A good exchange; running numbers and times come from the index."""
    opening: Talk
    """What comes first after the port was opened."""
    awkward: tuple[Talk, ...]
    """Exchanges without a good value in them."""
    idle: Talk
    checked: bool = False
    """No single damaged byte of a reply can go unseen."""


def crc(body: bytes) -> bytes:
    """Bit by bit, after the words of the serial line guide (sources: tests/published)."""
    register = 0xFFFF
    for byte in body:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return struct.pack("<H", register)


def ask(unit: int, function: int, address: int, count: int) -> Sent:
    body = struct.pack(">BBHH", unit, function, address, count)
    return Sent(body + crc(body))


def frame(unit: int, function: int, registers: Sequence[int]) -> bytes:
    body = struct.pack(f">BBB{len(registers)}H", unit, function, 2 * len(registers), *registers)
    return body + crc(body)


def refusal(unit: int, function: int, code: int) -> bytes:
    body = bytes([unit, function | 0x80, code])
    return body + crc(body)


def low_word_first(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return low, high


def high_word_first(number: int) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">i", number))
    return high, low


FORCE_ASK = ask(1, 4, 10, 2)
CLIMATE_ASK = ask(2, 3, 0, 2)
PANEL_ASKS = ask(3, 4, 100, 2), ask(3, 4, 200, 2)


def _modbus_force(chance: Random, index: int) -> Said:
    value = chance.randint(-19_999, 19_999) / 100
    return Said([FORCE_ASK, frame(1, 4, low_word_first(value))], ((value, "force", "N", None),))


def _modbus_climate(chance: Random, index: int) -> Said:
    tenths, humid = chance.randint(-400, 850), chance.randint(0, 1000)
    reply = frame(2, 3, [tenths & 0xFFFF, humid])
    return Said(
        [CLIMATE_ASK, reply],
        ((tenths / 10, "temperature", "degC", None), (humid / 10, "humidity", "%", None)),
    )


def _modbus_panel(chance: Random, index: int) -> Said:
    which = index % 2
    hundredths = chance.randint(-2000, 12_000)
    reply = frame(3, 4, high_word_first(hundredths))
    return Said(
        [PANEL_ASKS[which], reply], ((hundredths / 100, "temperature", "degC", f"panel-{which + 1}"),)
    )


IDENTIFY, MEASURE, ERRORS = Sent(b"*IDN?\n"), Sent(b"MEAS:FORC?\n"), Sent(b"SYST:ERR?\n")


def _scpi_force(chance: Random, index: int) -> Said:
    milli = chance.randint(-249_999, 249_999)
    text = chance.choice([f"{milli / 1000:+.5E}", f"{milli / 1000:.3f}"])
    return Said([MEASURE, f"{text},N\n".encode()], ((milli / 1000, "force", "N", None),))


def _contact(chance: Random, index: int) -> Said:
    at_ms = 1000 + 1600 * index
    open_ms = at_ms + chance.randint(60, 300)
    bounce_ms = chance.randint(1, 6)
    lines = [
        f"+{at_ms:010d}",
        f"-{at_ms + bounce_ms:010d}",
        f"+{at_ms + 2 * bounce_ms:010d}",
        f"-{open_ms:010d}",
        f"+{open_ms + bounce_ms:010d}",
        f"-{open_ms + 2 * bounce_ms:010d}",
    ]
    # `index` starts at 0 and the count at 1; what counts is checked against the index by the tests.
    return Said([f"{line}\n".encode() for line in lines], ((index + 1.0, "count", "1", None),))


def _keyed(chance: Random, index: int) -> Said:
    tenths = chance.randint(0, 1600)
    line = f"{tenths / 10:.1f}\n".encode()
    return Said([line, line], ((tenths / 10, "gloss", "GU", "60"),))


ALL_FAMILIES = (
    Family(
        "modbus-force",
        _modbus_force,
        opening=[],
        awkward=(
            [FORCE_ASK, refusal(1, 4, 2)],
            [FORCE_ASK, frame(1, 4, low_word_first(200.5))],
            [FORCE_ASK, frame(1, 4, (0, 0x7FC0))],  # not a number
            [FORCE_ASK, frame(1, 4, (0, 0x7F80))],  # infinity
            [FORCE_ASK, frame(1, 3, low_word_first(1.0))],  # another function
            [FORCE_ASK, frame(1, 4, [1])],  # another length
            [CLIMATE_ASK, frame(2, 3, [235, 500])],  # another gauge on the line
            [FORCE_ASK, FORCE_ASK, frame(1, 4, low_word_first(1.0))],  # perhaps the late reply
        ),
        idle=[FORCE_ASK, frame(1, 4, low_word_first(0.0)), FORCE_ASK, frame(1, 4, low_word_first(0.01))],
        checked=True,
    ),
    Family(
        "modbus-climate",
        _modbus_climate,
        opening=[],
        awkward=(
            [CLIMATE_ASK, refusal(2, 3, 4)],
            [CLIMATE_ASK, frame(2, 3, [0x8000, 0x8000])],
            [CLIMATE_ASK, frame(2, 3, [851, 1001])],
            [FORCE_ASK, frame(1, 4, low_word_first(3.0))],
        ),
        idle=[CLIMATE_ASK, frame(2, 3, [231, 498])] * 3,
        checked=True,
    ),
    Family(
        "modbus-panel",
        _modbus_panel,
        opening=[],
        awkward=(
            [PANEL_ASKS[0], refusal(3, 4, 6)],
            [PANEL_ASKS[1], frame(3, 4, (0x8000, 0))],
            [PANEL_ASKS[0], PANEL_ASKS[1], frame(3, 4, high_word_first(2300))],  # of which panel?
        ),
        idle=[PANEL_ASKS[0], frame(3, 4, high_word_first(2300)), PANEL_ASKS[1], frame(3, 4, (0, 2310))],
        checked=True,
    ),
    Family(
        "scpi-force",
        _scpi_force,
        opening=[IDENTIFY, b"Invented works,Bench force 250,EX0042,1.0\n"],
        awkward=(
            [MEASURE, b"9.91E+37,N\n"],
            [MEASURE, b"9.9E37,N\n"],
            [MEASURE, b"-9.9E+37,N\n"],
            [MEASURE, b"+2.50001E+02,N\n"],
            [MEASURE, b"1.0,OZ\n"],
            [MEASURE, b"1.0\n"],
            [MEASURE, b"nan,N\n"],
            [MEASURE, b"1_0,N\n"],
            [MEASURE, b"0x10,N\n"],
            [ERRORS, b'-113,"Undefined header"\n'],
            [ERRORS, b'-230,"Data corrupt or stale"\n', MEASURE, b"1.0,N\n"],
            [MEASURE, MEASURE, b"1.0,N\n"],
        ),
        idle=[IDENTIFY, b"Invented works,Bench force 250,EX0042,1.0\n", MEASURE, b"+0.00000E+00,N\n"],
    ),
    Family(
        "contact-wash",
        _contact,
        opening=[b"-0000000000\n"],
        awkward=(),
        idle=[b"-0000000000\n"],
    ),
    Family(
        "keyed-gloss",
        _keyed,
        opening=[],
        awkward=(
            [b"91.4\n", b"94.1\n"],
            [b"160.1\n", b"160.1\n"],
            [b"91,4\n"],
            [b"914\n"],
            [b"91.45\n"],
            [b"nan\n"],
        ),
        idle=[],
    ),
)


def new_driver(family: Family) -> Driver:
    return make_driver(description(family.name))


def steady(family: Family, chance: Random, count: int) -> tuple[Talk, list[Said]]:
    """The opening and `count` good exchanges."""
    said = [family.say(chance, index) for index in range(count)]
    return [*family.opening, *(item for one in said for item in one.talk)], said
