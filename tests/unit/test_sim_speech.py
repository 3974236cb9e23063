"""The bytes of each wire format. The expected lines are spelt out from the descriptions of the formats."""

import re

import pytest

from simulators import speech
from simulators.speech import ForceState, Requests, Shown

GF_N = 0.00980665
"""1 gf in N, exact (NIST SP 811, appendix B; read in secondary places)."""


@pytest.mark.parametrize(
    ("shown", "line"),
    [
        (Shown(12.34), b"+012.34\r\n"),
        (Shown(-3.0), b"-003.00\r\n"),
        (Shown(-0.001), b"+000.00\r\n"),
        (Shown(500.0, overload=True), b"+OVER\r\n"),
        (Shown(-500.0, overload=True), b"-OVER\r\n"),
    ],
)
def test_force_stream_n(shown: Shown, line: bytes) -> None:
    assert speech.force_stream_n(shown, ForceState()) == line


@pytest.mark.parametrize(
    ("shown", "state", "line"),
    [
        (Shown(1230 * GF_N), ForceState(), b"-01230 gf S\r\n"),
        (Shown(-1230 * GF_N), ForceState(), b"+01230 gf S\r\n"),
        (Shown(0.0), ForceState(), b"+00000 gf S\r\n"),
        (Shown(14 * GF_N), ForceState(), b"-00010 gf S\r\n"),
        (Shown(200 * GF_N, unsettled=True), ForceState(), b"-00200 gf U\r\n"),
        (Shown(200 * GF_N, overload=True), ForceState(battery_low=True), b"-00200 gf O\r\n"),
        (Shown(200 * GF_N), ForceState(battery_low=True), b"-00200 gf B\r\n"),
    ],
)
def test_force_poll_gf(shown: Shown, state: ForceState, line: bytes) -> None:
    assert speech.force_poll_gf(shown, state) == line


def test_force_unit_mode() -> None:
    # Exact factors 4.4482216152605 and 9.80665 N (NIST SP 811, appendix B; read in secondary places).
    for unit, value_n, mode, flags, body in [
        ("N", 12.345, False, (False, False), b"LIV;+0012,345;N;-"),
        ("lbf", 4.4482216152605, False, (False, False), b"LIV;+0001,000;lbf;-"),
        ("kgf", -9.80665, True, (False, False), b"PEA;-0001,000;kgf;-"),
        ("N", 1.0, False, (False, True), b"LIV;+0001,000;N;L"),
        ("N", 500.0, False, (True, True), b"LIV;+0500,000;N;OL"),
    ]:
        state = ForceState(unit=unit, peak_hold=mode, battery_low=flags[1])  # type: ignore[arg-type]
        line = speech.force_unit_mode(Shown(value_n, overload=flags[0]), state)
        match = re.fullmatch(rb"(.*)\*([0-9A-F]{2})\r\n", line, re.DOTALL)
        assert match is not None
        assert match[1] == body
        assert int(match[2], 16) == speech.xor_checksum(body)


def test_xor_checksum_of_a_well_known_sentence() -> None:
    # The position sentence that explanations of NMEA 0183 print with checksum 47 (from memory).
    body = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert speech.xor_checksum(body) == 0x47


def test_gloss_and_wash() -> None:
    assert speech.gloss_key(20, 91.4) == b"20 091.4 GU\r\n"
    assert speech.gloss_poll(60, 91.4, 17) == b"60;091,4;0017\n"
    assert speech.gloss_poll(60, 0.0, 10_017) == b"60;000,0;0017\n"
    assert speech.wash_stroke(123) == b"S 000123\r\n"
    assert speech.wash_poll(1_000_123) == b"N=000123\r\n"


@pytest.mark.parametrize(
    ("request_", "pieces", "answers"),
    [
        (b"D\r", [b"D\r"], [1]),
        (b"D\r", [b"D", b"\rD\rD"], [0, 2]),
        (b"READ?\n", [b"REA", b"D?\n"], [0, 1]),
        (b"N?\r\n", [b"X?\r\n", b"\x00N?\r\n"], [0, 1]),
        (b"N?\r\n", [b"z" * 1000, b"\r\nN?\r\n"], [0, 1]),
        (None, [b"D\r"], [0]),
    ],
)
def test_requests_are_found_however_they_are_cut(
    request_: bytes | None, pieces: list[bytes], answers: list[int]
) -> None:
    requests = Requests(request_)
    assert [requests.feed(piece) for piece in pieces] == answers
