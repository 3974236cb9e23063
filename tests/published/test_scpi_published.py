"""SCPI's special numbers, number formats, identity and error queue against what is printed elsewhere.

Sources: IEEE 488.2 and SCPI-1999 as quoted by several public pages and manuals (second-hand; the
standard itself was not opened); error codes and texts as in a public parser's header file (second-hand).
"""

import struct
from math import isnan

import pytest

from drivers.base import FrameError, Sample
from drivers.talks import Sent, converse
from simulators.scpi import Scpi
from tests.contract.families import ALL_FAMILIES, ERRORS, IDENTIFY, MEASURE, new_driver

SCPI = next(family for family in ALL_FAMILIES if family.name == "scpi-force")


def said(number: str) -> Sample:
    samples, errors = converse(new_driver(SCPI), [MEASURE, f"{number},N\n".encode()])
    assert errors == []
    return samples[0]


def single(value: float) -> str:
    """The nearest 32-bit float, as an instrument that holds one would print it."""
    return f"{struct.unpack('>f', struct.pack('>f', value))[0]:.9E}"


@pytest.mark.parametrize("number", ["9.91E+37", "9.91E37", "9.9100000E+37", single(9.91e37)])
def test_not_a_number_is_never_a_value(number: str) -> None:
    sample = said(number)
    assert isnan(sample.value)
    assert not sample.kind.good
    assert "the gauge has no value" in sample.kind.flags


@pytest.mark.parametrize("number", ["9.9E+37", "-9.9E+37", "9.90000E37", single(9.9e37), "1E999"])
def test_infinity_is_overload_and_not_taken_for_not_a_number(number: str) -> None:
    sample = said(number)
    assert isnan(sample.value)
    assert sample.kind.flags == {"overload"}


@pytest.mark.parametrize(
    ("number", "value"),
    [("-12", -12.0), ("12.50", 12.5), ("1.250E+01", 12.5), ("+1.25e1", 12.5), (".5", 0.5), ("5.", 5.0)],
)
def test_numeric_formats(number: str, value: float) -> None:
    sample = said(number)
    assert (sample.value, sample.kind.good) == (value, True)


@pytest.mark.parametrize("number", ["nan", "inf", "1_0", "0x1F", "1,5", "1 2", "", "--1", "1E", "#H1F", "½"])
def test_what_is_no_number(number: str) -> None:
    samples, errors = converse(new_driver(SCPI), [MEASURE, f"{number},N\n".encode()])
    assert samples == []
    assert len(errors) == 1


def met(reply: bytes) -> tuple[str, ...] | None:
    made = new_driver(SCPI)
    converse(made, [IDENTIFY, reply])
    return made.identity  # type: ignore[attr-defined, no-any-return]


def test_identity_has_four_fields_of_72_characters_at_most() -> None:
    assert met(b"Invented works,X1,0,0\n") == ("Invented works", "X1", "0", "0")
    assert met(b"Invented works,X1,0\n") is None
    assert met(b"Invented works,X1,0,0,1\n") is None
    assert met(b"A," + b"B" * 66 + b",0,0\n") is not None
    assert met(b"A," + b"B" * 67 + b",0,0\n") is None


@pytest.mark.parametrize(
    ("code", "text"),
    [
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-230, "Data corrupt or stale"),
        (-231, "Data questionable"),
        (-350, "Queue overflow"),
        (-363, "Input buffer overrun"),
        (-410, "Query INTERRUPTED"),
    ],
)
def test_errors_are_told_by_code_and_text(code: int, text: str) -> None:
    _, errors = converse(new_driver(SCPI), [ERRORS, f'{code},"{text}"\n'.encode()])
    assert [why for why, _, _ in errors] == [f"the gauge reports error {code}, {text}"]


def test_an_empty_queue_is_no_error() -> None:
    assert converse(new_driver(SCPI), [ERRORS, b'0,"No error"\n']) == ([], [])
    assert converse(new_driver(SCPI), [ERRORS, b'+0,"No error"\n']) == ([], [])


def test_a_full_queue_of_a_simulated_gauge_keeps_its_oldest_entries() -> None:
    gauge = Scpi("0", "MEAS:FORC?", lambda: "0")
    for number in range(12):
        gauge.complain(-230 - number, "x")
    codes = [int(gauge.answer(b"SYST:ERR?").split(b",")[0]) for _ in range(9)]
    assert codes == [-230, -231, -232, -233, -234, -235, -236, -350, 0]


def test_a_request_and_its_kind() -> None:
    made = new_driver(SCPI)
    plan = made.plan()
    assert plan is not None
    assert [(one.data, one.every_n) for one in plan.requests] == [
        (IDENTIFY.data, 0),
        (MEASURE.data, 1),
        (ERRORS.data, 20),
    ]
    measure, errors = plan.requests[1], plan.requests[2]
    assert measure.follow is not None
    assert errors.follow is not None
    assert measure.follow(b"+1.0E+00,N\n") is None
    for reply in (b"9.91E+37,N\n", b"9.9E37,N\n", b"what?\n", b"1.0\n"):
        follow = measure.follow(reply)
        assert follow is not None
        assert Sent(follow.data) == ERRORS
    assert errors.follow(b'0,"No error"\n') is None
    again = errors.follow(b'-113,"Undefined header"\n')
    assert again is not None
    assert again.data == ERRORS.data
    with pytest.raises(FrameError, match="nobody asked"):
        made.decode(b"1.0,N")
