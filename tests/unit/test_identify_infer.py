"""What identification makes of bytes: framing, fields, units, rhythm, when it gives up. All invented."""

import tomllib
from collections.abc import Sequence

import pytest

from acquire.identify import CannotTell, Heard, describe, infer, prove, with_unit
from acquire.identify.describe import whole_pattern
from acquire.identify.rhythm import nominal
from drivers.description import parse_description
from drivers.line_settings import LineSettings
from tests.identify_gauges import STYLES, invent
from tests.identify_rate import try_one


def streamed(lines: Sequence[bytes], rate_hz: float = 20.0) -> Heard:
    return Heard(tuple((round(n / rate_hz * 1e6), line) for n, line in enumerate(lines)))


def asked(lines: Sequence[bytes]) -> Heard:
    return Heard(tuple((n * 100_000, line) for n, line in enumerate(lines)), request=b"D\r")


def swinging(form: str, count: int = 60) -> list[bytes]:
    """Lines with values that go up and down through zero; `form` takes v."""
    return [form.format(v=(n * 7 % 41 - 20) * 0.53).encode("latin-1") for n in range(count)]


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", ";", "\x03", "\n\r"])
def test_the_end_of_lines_is_found(end: str) -> None:
    found = infer(streamed(swinging("{v:+07.2f} N" + end)))
    description = parse_description(describe(found, "x").encode(), "x")
    assert prove(description, found.heard).holds
    assert isinstance(description.settings, LineSettings)
    assert end.encode().endswith(description.settings.terminator)


def test_fixed_width_stays_fixed_and_gives_range_and_resolution() -> None:
    found = infer(streamed(swinging("{v:+07.2f}\r\n")))
    assert whole_pattern(found) == r"(?P<value>[+-]\d{3}\.\d{2})"
    assert (found.measured.low, found.measured.high, found.measured.resolution) == (-999.99, 999.99, 0.01)


def test_a_right_aligned_number_may_not_lose_a_digit() -> None:
    found = infer(streamed(swinging("{v:8.2f} N\r\n")))
    description = parse_description(describe(found, "x").encode(), "x")
    lost = Heard(((0, b"x\r\n"), (1, b"   12.34 N\r\n"), (2, b"   1.34 N\r\n")))
    proof = prove(description, lost)
    assert [sample.value for sample in proof.samples] == [12.34]
    assert [error.frame for error in proof.damaged] == [b"   1.34 N"]


@pytest.mark.parametrize(
    ("kind", "covers_start"), [("xor8", False), ("sum8", False), ("xor8", True), ("sum8", True)]
)
def test_a_checksum_is_recognised_and_held(kind: str, covers_start: bool) -> None:
    lines = []
    for body in swinging("F;{v:+08.3f};N", 40):
        covered = b"$" + body if covers_start else body
        check = sum(covered) & 0xFF
        if kind == "xor8":
            check = 0
            for byte in covered:
                check ^= byte
        lines.append(b"$" + body + b"*%02X\r\n" % check)
    found = infer(streamed(lines))
    assert found.check is not None
    assert (found.check.kind, found.check.separator) == (kind, b"*")
    description = parse_description(describe(found, "x").encode(), "x")
    damaged = lines[5].replace(b"N", b"M")
    assert len(prove(description, Heard(((0, lines[0]), (1, damaged), (2, lines[6])))).damaged) == 1


def test_two_digits_that_agree_with_no_checksum_are_none() -> None:
    assert infer(streamed(swinging("{v:+07.2f} 42\r\n"))).check is None


def test_a_decimal_comma_is_not_a_separator_and_the_other_way_round() -> None:
    assert infer(streamed(swinging("{v:+08.3f};N\r\n"))).line.decimal == "."
    comma = [line.replace(b".", b",") for line in swinging("{v:+08.3f};N\r\n")]
    assert infer(streamed(comma)).line.decimal == ","
    fields = [b"%d,%d,N\r\n" % (n, 100 + n * 13 % 37) for n in range(1, 40)]
    found = infer(streamed(fields))
    assert found.line.decimal == "."
    assert r"\d{1,4},(?P<value>" in found.line.pattern


def test_a_label_is_no_unit() -> None:
    found = infer(asked([b"N=%06d\r\n" % (n // 3) for n in range(30)]))
    assert (found.measured.quantity, found.measured.unit, found.line.units) == ("count", "1", {})
    assert found.rhythm.mode == "poll"


def test_gloss_angles_become_channels() -> None:
    lines = [(n * 1_700_000, b"%d 09%d.%d GU\r\n" % ((20, 60)[n % 2], n % 7, n % 10)) for n in range(8)]
    found = infer(Heard(tuple(lines)))
    assert found.line.channels == ("20", "60", "85")
    assert (found.measured.quantity, found.rhythm.mode) == ("gloss", "on event")


def test_states_overload_and_nothing_new_are_told_apart() -> None:
    lines = swinging("{v:+07.2f} gf ", 60)
    said = [line + (b"S" if n % 4 else b"U") + b"\r\n" for n, line in enumerate(lines)]
    found = infer(streamed(said))
    assert found.line.flags == {"S": (), "U": ("unstable",)}
    over = infer(
        streamed([line.strip() + b"\r\n" if n % 9 else b"+OVER\r\n" for n, line in enumerate(lines)])
    )
    assert over.line.flags == {"OVER": ("overload",)}
    quiet = infer(asked([b"NONE\n"] * 20 + [b"60;091,4;0017\n", b"60;090,2;0018\n", b"60;090,9;0019\n"]))
    assert quiet.line.idle == ("NONE",)
    assert "(?P<number>" in quiet.line.pattern


def test_peak_hold_is_a_mode_that_spoils() -> None:
    lines = [(b"PEAK" if n > 30 else b"LIVE") + line for n, line in enumerate(swinging(";{v:+07.2f};N\r\n"))]
    assert infer(streamed(lines)).line.modes == {"LIVE": "", "PEAK": "gauge is in peak hold"}


def test_a_unit_of_two_meanings_is_asked_about() -> None:
    found = infer(streamed(swinging("{v:+07.2f} g\r\n")))
    assert any("mass in g or force in gf" in ask for ask in found.asks)
    text = describe(with_unit(found, "force", "gf"), "x")
    keys = tomllib.loads(text)
    assert (keys["quantity"], keys["unit"], keys["line"]["units"]) == ("force", "gf", {"g": "gf"})


def test_one_damaged_line_among_many_spoils_nothing() -> None:
    lines = swinging("{v:+07.2f} N\r\n")
    lines[30] = lines[30].replace(b" ", b"0")
    found = infer(streamed(lines))
    assert whole_pattern(found) == r"(?P<value>[+-]\d{3}\.\d{2}) (?P<unit>[A-Za-z]{1,3})"
    proof = prove(parse_description(describe(found, "x").encode(), "x"), found.heard)
    assert (len(proof.samples), len(proof.damaged), proof.holds) == (58, 1, True)


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        ([], "nothing was heard"),
        ([b"\x81\x93\xfe\x00" * 9], "one whole line|no byte comes|no line with a number"),
        ([b"+1.25E+01 N\r\n"] * 9, "exponents"),
        ([b"-   1.25 N\r\n"] * 9, "a minus with blanks"),
        ([b"HELLO\r\n"] * 9, "no line with a number"),
    ],
)
def test_it_says_why_it_cannot_tell(lines: list[bytes], why: str) -> None:
    with pytest.raises(CannotTell, match=why):
        infer(streamed(lines))


@pytest.mark.parametrize(
    ("measured_hz", "nominal_hz"), [(99.6, 100), (12.45, 12.5), (7.3, 7.3), (201, 200), (61, 61)]
)
def test_a_rate_near_a_round_one_is_that(measured_hz: float, nominal_hz: float) -> None:
    assert nominal(measured_hz) == nominal_hz


NOT_POSSIBLE = {"with exponent", "sign apart"}


@pytest.mark.slow
def test_most_invented_gauges_are_identified_and_none_is_read_wrongly() -> None:
    """A quarter of what `python -m tests.identify_rate` does, on gauges that it does not use."""
    outcomes = [try_one(invent(seed)) for seed in range(10_000, 10_000 + 5 * len(STYLES))]
    possible = [one for one in outcomes if one.style not in NOT_POSSIBLE]
    assert sum(not one.wrong for one in possible) >= 0.95 * len(possible)
    assert sum(one.wrong_values_n for one in outcomes) == 0
    assert all(one.wrong.startswith("gave up") for one in outcomes if one.style in NOT_POSSIBLE)
