"""What damage to one byte of a line can do, and what it cannot.

Lines of fixed width give every lost, repeated or foreign byte away. Two things stay unseen unless the line
carries a checksum: a digit that became another digit, and a sign that became the other sign. A state letter
that became another valid one changes the flags, never the value.
"""

from collections.abc import Iterator
from random import Random

import pytest

from tests.contract.gauges import ALL, Gauge, Said, driver, fed

LINES = 4
every_gauge = pytest.mark.parametrize("gauge", ALL, ids=lambda gauge: gauge.name)
DIGITS = frozenset(b"0123456789")
SIGNS = frozenset(b"+-")


def good_values(gauge: Gauge, said: list[Said], damaged: bytes) -> list[float]:
    """Good values of a stream in which `damaged` stands in place of the middle line."""
    before, _, after = said
    samples, _ = fed(driver(gauge.name), [before.line + damaged + after.line])
    return [sample.value for sample in samples if sample.kind.good]


def is_part_of(found: list[float], original: list[float]) -> bool:
    """Whether `found` is `original` with some left out."""
    rest = iter(original)
    return all(any(value == other for other in rest) for value in found)


def streams(gauge: Gauge) -> Iterator[list[Said]]:
    chance = Random(7)
    for start in range(LINES):
        yield [gauge.say(chance, 1000 * start + index) for index in range(100, 103)]


@every_gauge
def test_one_byte_lost_or_repeated_never_gives_another_value(gauge: Gauge) -> None:
    for said in streams(gauge):
        original = [line.value for line in said]
        line = said[1].line
        for place in range(len(line)):
            lost = line[:place] + line[place + 1 :]
            repeated = line[:place] + line[place : place + 1] + line[place:]
            if lost != line and repeated != line:
                assert is_part_of(good_values(gauge, said, lost), original), lost
                assert is_part_of(good_values(gauge, said, repeated), original), repeated


@pytest.mark.slow
@every_gauge
def test_one_byte_turned_into_a_foreign_one_never_gives_another_value(gauge: Gauge) -> None:
    said = next(streams(gauge))
    original = [line.value for line in said]
    line = said[1].line
    for place, old in enumerate(line):
        for new in range(256):
            unseen = new in DIGITS or {old, new} <= SIGNS
            if new != old and (gauge.checked or not unseen):
                damaged = line[:place] + bytes([new]) + line[place + 1 :]
                assert is_part_of(good_values(gauge, said, damaged), original), damaged


@every_gauge
def test_a_digit_turned_into_another_is_seen_only_with_a_checksum(gauge: Gauge) -> None:
    said = next(streams(gauge))
    original = [line.value for line in said]
    line = said[1].line
    # The last digit of the value, the one whose change no range limit can catch.
    marks = {
        "force-unit-mode": b";",
        "gloss-key": b" GU",
        "gloss-poll": b";",
        "force-poll-gf": b" gf",
        "balance-line": b" g",
        "irradiance-line": b"\r",
    }
    mark = marks.get(gauge.name, b"\r\n")
    place = (line.index(mark, line.index(mark) + 1) if mark == b";" else line.index(mark)) - 1
    other = b"1" if line[place : place + 1] != b"1" else b"2"
    values = good_values(gauge, said, line[:place] + other + line[place + 1 :])
    if gauge.checked:
        assert values == [original[0], original[2]]
    else:
        assert len(values) == 3
        assert values[1] != original[1]
