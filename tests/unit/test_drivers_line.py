"""What lines of the shipped gauges mean, line by line."""

from math import isnan, nan

import pytest

from drivers.base import FrameError, Kind, Sample
from drivers.description import parse_description
from drivers.line import LineDriver
from drivers.registry import make_driver
from tests.contract.gauges import description, driver, fed, with_check


def one(name: str, line: bytes) -> Sample:
    samples, errors = fed(driver(name), [line])
    assert errors == []
    (sample,) = samples
    return sample


def why(name: str, line: bytes) -> str:
    samples, errors = fed(driver(name), [line])
    assert samples == []
    (error,) = errors
    return error[0]


@pytest.mark.parametrize(
    ("name", "line", "value", "unit", "flags"),
    [
        ("force-stream-n", b"-012.34\r\n", -12.34, "N", set()),
        ("force-stream-n", b"-000.00\r\n", 0.0, "N", set()),
        ("force-stream-n", b"+500.00\r\n", 500.0, "N", set()),
        ("force-stream-n", b"-500.01\r\n", -500.01, "N", {"out of range"}),
        ("force-stream-n", b"-OVER\r\n", nan, "N", {"overload"}),
        ("force-poll-gf", b"-01230 gf S\r\n", 1230.0, "gf", set()),
        ("force-poll-gf", b"+01230 gf U\r\n", -1230.0, "gf", {"unstable"}),
        ("force-poll-gf", b"-01230 gf O\r\n", 1230.0, "gf", {"overload"}),
        ("force-poll-gf", b"-01230 gf B\r\n", 1230.0, "gf", {"low battery"}),
        ("force-poll-gf", b"-01230 ozf S\r\n", 1230.0, "?", {"wrong unit"}),
        ("force-poll-gf", b"-10010 gf S\r\n", 10010.0, "gf", {"out of range"}),
        ("force-unit-mode", with_check(b"LIV;+0012,345;N;-"), 12.345, "N", set()),
        ("force-unit-mode", with_check(b"LIV;-0002,500;kgf;L"), -2.5, "kgf", {"low battery"}),
        ("force-unit-mode", with_check(b"LIV;+0012,345;N;OL"), 12.345, "N", {"overload", "low battery"}),
        (
            "force-unit-mode",
            with_check(b"PEA;+0012,345;N;-"),
            12.345,
            "N",
            {"fault", "gauge is in peak hold"},
        ),
        # 250 N are 56.2 lbf and 25.49 kgf: the range holds in every unit. Factors: NIST SP 811, appendix B.
        ("force-unit-mode", with_check(b"LIV;+0056,202;lbf;-"), 56.202, "lbf", set()),
        ("force-unit-mode", with_check(b"LIV;+0056,203;lbf;-"), 56.203, "lbf", {"out of range"}),
        ("force-unit-mode", with_check(b"LIV;+0025,493;kgf;-"), 25.493, "kgf", {"out of range"}),
        ("wash-stroke", b"S 000123\r\n", 123.0, "1", set()),
        ("wash-poll", b"N=000123\r\n", 123.0, "1", set()),
    ],
)
def test_lines_and_their_samples(
    name: str, line: bytes, value: float, unit: str, flags: frozenset[str]
) -> None:
    sample = one(name, line)
    assert sample.value == value or (isnan(sample.value) and isnan(value))
    assert str(sample.value) != "-0.0"
    assert (sample.kind.unit, sample.kind.flags) == (unit, frozenset(flags))
    assert sample.kind.quantity == description(name).quantity


def test_the_angle_of_a_glossmeter_is_the_channel() -> None:
    assert one("gloss-key", b"20 091.4 GU\r\n").kind == Kind("gloss", "GU", "20")
    assert one("gloss-poll", b"85;091,4;0017\n").kind == Kind("gloss", "GU", "85")


@pytest.mark.parametrize(
    ("name", "line", "reason"),
    [
        ("force-stream-n", b"+12.34\r\n", "does not follow the pattern"),
        ("force-stream-n", b"\r\n", "does not follow the pattern"),
        ("force-poll-gf", b"-01230 gf X\r\n", "flag b'X' is not in the description"),
        ("force-unit-mode", with_check(b"TAR;+0012,345;N;-"), "mode b'TAR' is not in the description"),
        ("force-unit-mode", with_check(b"LIV;+0012,345;N;Q"), "flag b'Q' is not in the description"),
        ("force-unit-mode", b"LIV;+0012,345;N;-*00\r\n", "checksum is"),
        ("gloss-key", b"45 091.4 GU\r\n", "channel b'45' is not in the description"),
        ("gloss-poll", b"60;091.4;0017\n", "does not follow the pattern"),
    ],
)
def test_lines_that_cannot_be_used(name: str, line: bytes, reason: str) -> None:
    assert reason in why(name, line)


def test_lines_that_rightly_carry_no_value() -> None:
    assert fed(driver("wash-stroke"), [b"READY\r\n"]) == ([], [])
    assert fed(driver("gloss-poll"), [b"NONE\n"]) == ([], [])


def test_a_measurement_told_twice_is_one_sample() -> None:
    made = driver("gloss-poll")
    line = b"60;091,4;0017\n"
    samples, errors = fed(made, [line, b"NONE\n", line, b"60;091,4;0018\n"])
    assert [sample.value for sample in samples] == [91.4, 91.4]
    assert errors == []
    _, errors = fed(made, [b"60;088,0;0018\n"])
    assert errors[0][0] == "a running number came again with another line"


def test_a_reopened_gauge_starts_its_running_numbers_anew() -> None:
    made = driver("gloss-poll")
    made.feed(b"60;091,4;0001\n")
    made.reset()
    assert len(made.feed(b"60;091,4;0001\n")) == 1


# NMEA 0183 style check digits of three sentences as widely quoted (from memory), without "$" and CR LF.
SENTENCES = [
    b"GPGLL,5057.970,N,00146.110,E,142451,A*27",
    b"GPVTG,089.0,T,,,15.2,N,,*7F",
    b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
]

LISTENER = """
title = "Invented: anything with a number and a checksum"
driver = "line"
quantity = "count"
unit = "1"
resolution = 1.0
range = [0.0, 9.0]
serial = { baudrate = 4800 }
timing = { mode = "on event" }
[line]
terminator = "\\r\\n"
start = "$"
first_line = "whole"
decimal = "."
pattern = '.*[EMT],(?P<value>\\d).*\\*(?P<check>[0-9A-F][0-9A-F])'
checksum = { kind = "xor8", separator = "*" }
"""


@pytest.mark.parametrize("sentence", SENTENCES)
def test_xor_checksum_against_known_sentences(sentence: bytes) -> None:
    made = listener("[EMT],(?P<value>\\d)", ",(?P<value>\\d+(?:\\.\\d+)?),[A-Z]")
    assert len(made.feed(b"$" + sentence + b"\r\n")) == 1
    changed = sentence.replace(b"1", b"7", 1)
    assert made.feed(b"$" + changed + b"\r\n").errors[0].why.startswith("checksum is")


def listener(old: str, new: str) -> LineDriver:
    assert old in LISTENER
    made = make_driver(parse_description(LISTENER.replace(old, new).encode(), "listener"))
    assert isinstance(made, LineDriver)
    return made


def test_sum_checksum() -> None:
    made = listener('"xor8"', '"sum8"')
    body = b"T,5"
    assert [s.value for s in made.feed(b"$%s*%02X\r\n" % (body, sum(body) % 256))] == [5.0]
    assert (
        made.feed(b"$%s*%02X\r\n" % (body, (sum(body) + 1) % 256)).errors[0].why.startswith("checksum is B5")
    )


def test_a_line_without_its_start_byte_is_refused() -> None:
    made = listener('"xor8"', '"xor8"')
    assert made.feed(b"T,5*4D\r\n").errors[0].why == "the line does not begin with b'$'"
    assert len(made.feed(b"$T,5*4D\r\n")) == 1


def test_a_separator_that_is_not_there_is_refused() -> None:
    made = listener('separator = "*"', 'separator = "#"')
    assert made.feed(b"$T,5*4D\r\n").errors[0].why == "no b'#' in front of the checksum"


def test_an_optional_checksum_may_not_be_left_out() -> None:
    made = listener("\\\\*(?P<check>[0-9A-F][0-9A-F])".replace("\\\\", "\\"), "(?:\\*(?P<check>..))?")
    assert made.feed(b"$T,5\r\n").errors[0].why == "the line has no checksum"


def test_a_number_is_only_made_of_a_strict_decimal() -> None:
    made = listener("(?P<value>\\d)", "(?P<value>[^*]+)")
    for text in (b"nan", b"inf", b"1_0", b"1e3", b" 5", b"0x5", b"1,5", b".5", b"5.", b"--5", b""):
        body = b"T," + text
        errors = made.feed(b"$" + with_check(body)).errors
        assert len(errors) == 1, text
    assert [s.value for s in made.feed(b"$" + with_check(b"T,+5.5"))] == [5.5]


def test_a_line_without_number_needs_a_flag_that_says_why() -> None:
    made = listener("(?P<value>\\d)", "(?P<value>\\d)?")
    assert "no number, and no flag" in made.feed(b"$" + with_check(b"T,")).errors[0].why


def test_long_numbers_in_bulk_are_what_float_makes_of_them() -> None:
    text = description("wash-poll").text.replace(r"\d{6}", r"[+-]?\d+(?:\.\d+)?").replace("\\r\\n", "\\n")
    made = make_driver(parse_description(text.encode(), "long"))
    assert made.bulk_from_bytes is not None
    texts = [
        "9007199254740993",
        "0.1234567890123456789",
        "99999999.9999999",
        "123456.789012345",
        "4.35",
        "-0.0",
    ]
    for number in texts:
        batch = made.feed(f"N={number}\n".encode() * 50)
        assert batch.values.tolist() == [float(number)] * 50
        assert {sample.kind.good for sample in batch} == {0 <= float(number) <= 999999}


def test_a_running_number_that_is_left_out_is_no_repeat() -> None:
    text = description("gloss-poll").text.replace(r";(?P<number>\d{4})", r"(?:;(?P<number>\d{4}))?")
    made = make_driver(parse_description(text.encode(), "loose"))
    assert len(made.feed(b"60;091,4\n60;091,4\n60;091,4;0001\n60;091,4;0001\n")) == 3


def test_plans_for_odd_shapes_do_not_pile_up() -> None:
    made = driver("force-stream-n")
    assert isinstance(made, LineDriver)
    for index in range(600):
        word = bytes([ord("a") + index // 26 % 26, ord("a") + index % 26])
        made.feed((b"+1%b.34\r\n" % word) * 60)
    assert len(made._shapes._plans) <= 256
    assert [sample.value for sample in made.feed(b"+012.34\r\n" * 60)] == [12.34] * 60


def test_decode_says_what_one_line_means() -> None:
    made = driver("wash-poll")
    assert made.decode(b"N=000123") == Sample(Kind("count", "1"), 123.0)
    assert made.decode(b"READY") is None
    with pytest.raises(FrameError, match="pattern"):
        made.decode(b"N=12")
