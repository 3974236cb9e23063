"""Laws of the line driver: the quick way gives what the slow way gives, to the last bit."""

import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import shapes
from drivers.base import Driver
from drivers.description import parse_description
from drivers.registry import make_driver
from drivers.talks import same
from tests.contract.gauges import driver, fed

SWITCHED = """
title = "Invented gauge that prints its unit and a state"
driver = "line"
quantity = "force"
unit = "gf"
resolution = 1.0
range = [-4000.0, 4000.0]
tension = "negative"
serial = { baudrate = 9600 }
timing = { mode = "stream", rate_hz = 10.0 }
[line]
terminator = "\\r\\n"
start = "\\u0002"
first_line = "whole"
max_line_bytes = 30
pattern = '(?:(?P<value>[+-]?\\d+(?:\\.\\d+)?)|(?P<flags>O|L|B)(?P<mode>[A-Z]?)) ?(?P<unit>[A-Za-z\\d]+)?'
idle = ["HI", ""]
units = { gf = "gf", N = "N", g2 = "gf" }
flags = { O = ["overload"], L = ["low battery"] }
modes = { "" = "", P = "gauge is in peak hold" }
"""


@pytest.fixture(autouse=True)
def _bulk_for_few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shapes, "LEAST_ROWS", 1)
    monkeypatch.setattr(shapes, "MOST_SHAPES", 4)


def switched(*, bulk: bool) -> Driver:
    made = make_driver(parse_description(SWITCHED.encode(), "switched"))
    assert made.bulk_from_bytes is not None
    made.bulk_from_bytes = 1 if bulk else None
    return made


numbers = st.from_regex(rb"[+-]?[0-9]{1,4}(\.[0-9]{1,3})?", fullmatch=True)
wide_numbers = st.from_regex(rb"[+-]?[0-9]{1,17}(\.[0-9]{1,6})?", fullmatch=True)
words = st.sampled_from([b"", b" gf", b" N", b" g2", b" kp", b" k7"])
good_lines = st.builds(lambda number, word: b"\x02" + number + word, numbers | wide_numbers, words)
odd_lines = st.sampled_from(
    [b"\x02O", b"\x02LP", b"\x02B", b"\x02HI", b"HI", b"\x02", b"\x02-", b"x" * 40, b"\n"]
)
lines = st.one_of(good_lines, good_lines, odd_lines, st.binary(max_size=12))
streams = st.lists(lines, max_size=40).map(b"\r\n".join)


@pytest.mark.slow
@given(streams, st.lists(st.integers(0, 400), max_size=6))
def test_bulk_and_one_by_one_agree(stream: bytes, places: list[int]) -> None:
    edges = [0, *sorted(min(place, len(stream)) for place in places), len(stream)]
    chunks = [stream[a:b] for a, b in pairwise(edges)]
    slow = fed(switched(bulk=False), [stream])
    for quick in (fed(switched(bulk=True), [stream]), fed(switched(bulk=True), chunks)):
        assert same(quick[0], slow[0])
        assert quick[1] == slow[1]


@given(st.lists(st.integers(-99_999, 99_999), min_size=1, max_size=50))
def test_whole_number_arithmetic_is_exact(hundredths: list[int]) -> None:
    texts = [f"{value / 100:+07.2f}" for value in hundredths]
    made = driver("force-stream-n")
    made.bulk_from_bytes = 1
    samples, errors = fed(made, ["".join(f"{text}\r\n" for text in texts).encode()])
    assert errors == []
    assert [sample.value for sample in samples] == [float(text) for text in texts]
    assert [sample.kind.good for sample in samples] == [abs(float(text)) <= 500 for text in texts]


PATTERNS = [
    r"[+-]\d{3}\.\d{2}",
    r"(?P<value>[+-]?[0-9]+(?:,[0-9]{1,2})?) (kg|N)",
    r"[!-~]{2,5}",
    r"20|60|85",
    r"[0-4]\d",
    r"[+-9]+",
    r"(\d)x\1",
    r"(?P<a>\d+)x(?P=a)",
    r"\x31+",
    r"[+{2}]",
    r"[]{2}]x",
    r"[\]{2}]",
    r"\{2}x\d",
    r"\[0-9]",
    r"\\{2}\w",
    r"(?=.*\d)\w{3}|\W\D",
    r"[^0-9]x",
]


@pytest.mark.parametrize("pattern", PATTERNS)
@given(
    text=st.text("0123456789+-.,x{}[]\\kgN 2", max_size=7),
    other=st.text("0123456789", min_size=7, max_size=7),
)
def test_a_pattern_judged_blind_to_digits_is(pattern: str, text: str, other: str) -> None:
    changed = "".join(new if old.isdigit() else old for old, new in zip(text, other, strict=False))
    if shapes.digits_are_alike(pattern):
        first, second = (re.fullmatch(pattern, line) for line in (text, changed))
        assert (first and first.regs) == (second and second.regs)


def test_usual_patterns_are_judged_blind_to_digits() -> None:
    assert [shapes.digits_are_alike(pattern) for pattern in PATTERNS[:4]] == [True, True, True, False]


@given(st.binary(max_size=600), st.integers(1, 60))
def test_random_bytes_give_the_same_however_cut(data: bytes, size: int) -> None:
    chunks = [data[start : start + size] for start in range(0, len(data), size)]
    for name in ("force-stream-n", "gloss-poll"):
        joined = fed(driver(name, settled=False), [data])
        cut = fed(driver(name, settled=False), [b"", *chunks])
        assert same(cut[0], joined[0])
        assert cut[1] == joined[1]
