"""Modbus frames, check bytes and register pairs against values printed elsewhere.

How far each was verified stands beside it. The specification itself (application protocol V1.1b3, serial line
guide V1.02) was not opened; its example data are quoted by public pages, and every check byte was recomputed
with an independent library.
"""

import struct

import pytest

from drivers.modbus import EXCEPTIONS, crc16, read_request, scaled
from drivers.modbus_settings import Order, RegisterType, RegisterValue
from simulators.modbus import check_bytes
from tests.contract import families
from tests.contract.gauges import description


def frame(text: str) -> bytes:
    return bytes.fromhex(text)


# Source: CRC-16/MODBUS in a public catalogue of CRCs, read in a library's documentation (second-hand);
# the two bytes 02 07 are the worked example of the serial line guide V1.02, from memory. Recomputed.
@pytest.mark.parametrize(("body", "crc"), [(b"123456789", 0x4B37), (frame("02 07"), 0x1241), (b"", 0xFFFF)])
def test_crc_of_the_catalogue(body: bytes, crc: int) -> None:
    assert crc16(body) == crc.to_bytes(2, "little")
    assert check_bytes(body) == crc.to_bytes(2, "little")
    assert families.crc(body) == crc.to_bytes(2, "little")


# Source: example data of the application protocol V1.1b3, sections 6.3 and 6.4 (from memory), the same bytes
# quoted in public pages and fixtures (second-hand); the others printed in public manuals (second-hand).
# Every check byte recomputed.
FRAMES = [
    "01 03 00 6B 00 03 74 17",
    "01 03 06 02 2B 00 00 00 64 05 7A",
    "11 03 00 6B 00 03 76 87",
    "11 03 06 02 2B 00 00 00 64 C8 BA",
    "11 03 06 AE 41 56 52 43 40 49 AD",
    "01 04 00 08 00 01 B0 08",
    "01 04 02 00 0A 39 37",
    "11 04 00 08 00 01 B2 98",
    "11 04 02 00 0A F8 F4",
    "02 03 00 00 00 03 05 F8",
    "02 03 06 00 00 00 01 00 02 E5 84",
    "01 04 00 20 00 03 B1 C1",
    "01 04 06 00 05 00 0A 00 10 8D 5D",
    "01 03 00 00 00 0A C5 CD",
    "01 03 00 00 00 01 84 0A",
    "01 06 00 01 00 03 98 0B",
    "01 06 00 04 00 14 C8 04",
    "01 83 02 C0 F1",
    "01 84 02 C2 C1",
    "11 83 02 C1 34",
    "02 83 03 F1 31",
]


@pytest.mark.parametrize("text", FRAMES)
def test_check_bytes_of_printed_frames(text: str) -> None:
    whole = frame(text)
    for crc in (crc16, check_bytes, families.crc):
        assert crc(whole[:-2]) == whole[-2:]
        assert crc(whole) == b"\x00\x00"


# Source: as above.
@pytest.mark.parametrize(
    ("request_", "said"),
    [
        ("01 03 00 6B 00 03 74 17", (1, 3, 0x6B, 3)),
        ("11 03 00 6B 00 03 76 87", (17, 3, 0x6B, 3)),
        ("01 04 00 08 00 01 B0 08", (1, 4, 8, 1)),
        ("02 03 00 00 00 03 05 F8", (2, 3, 0, 3)),
        ("01 04 00 20 00 03 B1 C1", (1, 4, 0x20, 3)),
        ("01 03 00 00 00 0A C5 CD", (1, 3, 0, 10)),
    ],
)
def test_requests_are_made_as_printed(request_: str, said: tuple[int, int, int, int]) -> None:
    assert read_request(*said) == frame(request_)


# Source: exception codes of the application protocol V1.1b3 (from memory; quoted in public pages).
def test_names_of_the_exceptions() -> None:
    assert [EXCEPTIONS[code] for code in (1, 2, 3, 4)] == [
        "illegal function",
        "illegal data address",
        "illegal data value",
        "server device failure",
    ]


# Source: 27123.5 in an independent library's tests (second-hand); all recomputed with IEEE 754 arithmetic.
@pytest.mark.parametrize(
    ("type_", "order", "registers", "value"),
    [
        ("float32", "ABCD", "42F6 E979", 123.456),
        ("float32", "CDAB", "E979 42F6", 123.456),
        ("float32", "BADC", "F642 79E9", 123.456),
        ("float32", "DCBA", "79E9 F642", 123.456),
        ("float32", "ABCD", "46D3 E700", 27123.5),
        ("float32", "ABCD", "BFC0 0000", -1.5),
        ("int16", "ABCD", "FB2E", -1234.0),
        ("int16", "BADC", "2EFB", -1234.0),
        ("uint16", "ABCD", "FB2E", 64302.0),
        ("int32", "ABCD", "FFFE 1DC0", -123456.0),
        ("int32", "CDAB", "1DC0 FFFE", -123456.0),
        ("uint32", "ABCD", "FFFE 1DC0", 4294843840.0),
    ],
)
def test_register_pairs(type_: RegisterType, order: Order, registers: str, value: float) -> None:
    described = RegisterValue(address=0, type=type_)
    assert scaled(described.raw(frame(registers), order), described) == value


def test_the_wrong_word_order_does_not_give_the_value() -> None:
    described = RegisterValue(address=0, type="float32")
    assert described.raw(frame("E979 42F6"), "ABCD") == struct.unpack(">f", frame("E97942F6"))[0]
    assert scaled(described.raw(frame("E979 42F6"), "ABCD"), described) != 123.456


# Source: derived from eleven bits a character; above 19200 baud fixed 1.750 ms (several public documents that
# quote the serial line guide V1.02, p. 13, second-hand).
@pytest.mark.parametrize(
    ("baudrate", "gap_ms"), [(1200, 32.0833), (2400, 16.0417), (9600, 4.0104), (19200, 2.0052), (38400, 1.75)]
)
def test_silence_between_frames(baudrate: int, gap_ms: float) -> None:
    from drivers.description import parse_description
    from drivers.registry import make_driver

    text = description("modbus-climate").text.replace("9600", str(baudrate))
    plan = make_driver(parse_description(text.encode(), "faster")).plan()
    assert plan is not None
    assert 1000 * plan.gap_s == pytest.approx(gap_ms, abs=5e-5)
