"""What a line does to bytes: worked out by hand, or from what a receiver must see."""

from random import Random

import pytest

from simulators.line import NOISE_BYTES_PER_S, XOFF, XON, Line, misread


def test_with_the_right_settings_every_byte_comes_through() -> None:
    assert misread(bytes(range(256))) == bytes(range(256))


@pytest.mark.parametrize("byte", [0x0A, 0x0D, 0x2B, 0x30, 0x37])
def test_seven_bits_and_even_parity_put_the_parity_into_the_eighth_bit(byte: int) -> None:
    """By hand: both frames are ten bits long, and where the receiver looks for bit 7 stands the parity."""
    ones = byte.bit_count()
    assert misread(bytes([byte] * 3), bits=7, even_parity=True) == bytes([byte | 0x80 * (ones & 1)] * 3)


def test_a_parity_bit_behind_eight_bits_is_taken_for_the_stop_bit() -> None:
    # 0x01 has one bit set: parity 1, which looks like a stop bit. 0x03 has two: parity 0, no stop bit seen.
    assert misread(b"\x01", even_parity=True) == b"\x01"
    assert misread(b"\x03", even_parity=True) == b"\x00"


def test_twice_the_senders_speed_reads_each_bit_twice() -> None:
    # "]" is 0x5D, on the line 0 10111010 1. The receiver's first byte is the first half: the rest of the
    # start bit, 11 00 11 and half of the next 1, whose other half it takes for the stop bit.
    assert misread(b"]", ratio=2.0)[:1] == bytes([0b11100110])


def test_wrong_settings_leave_no_line_whole() -> None:
    line = b"+012.34\r\n" * 50
    assert line[:9] not in misread(line, ratio=2.0)
    assert b"\r\n" not in misread(line, bits=7, even_parity=True)


def test_a_slow_line_lets_through_what_its_speed_allows_and_drops_nothing() -> None:
    line = Line(Random(1), bytes_per_s=120.0)
    assert line.out(b"", b"", 10.0) == b""
    assert [len(line.out(b"x" * (60 * (not n)), b"", 10.1 + n / 10)) for n in range(6)] == [
        12,
        12,
        12,
        12,
        12,
        0,
    ]


def test_a_stall_ends_in_one_burst() -> None:
    line = Line(Random(1), stall_until_s=2.0)
    assert line.out(b"a", b"", 1.0) == line.out(b"b", b"", 1.9) == b""
    assert line.out(b"c", b"", 2.0) == b"abc"
    assert line.idle


def test_noise_drowns_the_gauge_at_the_pace_of_the_line() -> None:
    line = Line(Random(1), noise_until_s=11.0)
    line.out(b"", b"", 9.0)
    assert len(line.out(b"+012.34\r\n", b"", 10.0)) == NOISE_BYTES_PER_S
    assert line.out(b"+012.34\r\n", b"", 11.0) == b"+012.34\r\n"


def test_an_echo_comes_in_front_of_the_reply() -> None:
    assert Line(Random(1), echo=True).out(b"reply", b"D\r", 1.0) == b"D\rreply"


def test_flow_bytes_are_added_and_none_taken_away() -> None:
    data = Line(Random(1), flow_p=0.3).out(b"+012.34\r\n" * 9, b"", 1.0)
    added = [byte for byte in data if byte in (XON, XOFF)]
    assert {XON, XOFF} == set(added)
    assert data.translate(None, bytes([XON, XOFF])) == b"+012.34\r\n" * 9
