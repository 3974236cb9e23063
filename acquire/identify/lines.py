"""Lines out of bytes, sorted: which carry values, which carry none, which are damaged."""

import re
from collections import Counter, defaultdict
from dataclasses import dataclass
from math import log10

from acquire.identify.framing import Check, cut, find_check, find_start, find_terminator, shape
from acquire.identify.heard import CannotTell, Heard
from acquire.identify.layout import Layout, Parts, lay_out, make_of, parts_of
from acquire.identify.numbers import decimal_mark
from acquire.identify.texts import Place, differ_in_state, slots_of

Timed = tuple[int, str]
Line = tuple[int, str, Parts]
RARE = 0.2
MANY_N = 30
_NO_DIGIT_IN_FRONT = re.compile(r"(?:^|[ +\-=:;,])[.]\d")


@dataclass(frozen=True, slots=True)
class Frames:
    """Lines without terminator, start byte and checksum, as Latin-1 text, each with its time in µs."""

    terminator: bytes
    start: bytes
    check: Check | None
    first_may_be_cut: bool
    lines: tuple[Timed, ...]


@dataclass(frozen=True, slots=True)
class SortedLines:
    """`layout` of the lines with a value, column `value` of it; lines that have no number; the others."""

    layout: Layout
    value: int
    decimal: str
    times_us: tuple[int, ...]
    """Of the lines with a value and those that stand in their place."""
    wordy: Counter[str]
    unlike_n: int
    """Lines left out because each was like no other: damaged, or of a state that came once."""
    others: tuple[tuple[Parts, ...], ...]
    """Lines with numbers that are of another make and came again and again."""
    banners: tuple[str, ...]


def frames_of(heard: Heard) -> Frames:
    """Cuts the bytes into lines and takes off what every line has.

    Raises:
        CannotTell: nothing was heard, or no end of line was found.
    """
    if not heard.data:
        raise CannotTell("nothing was heard")
    terminator = find_terminator(heard)
    timed, may_be_cut = cut(heard, terminator)
    shapes = [shape(line) for _, line in timed]
    # Among few lines each one counts; the first is let go only where it is like no other.
    if may_be_cut and len(timed) > 1 and (len(timed) >= MANY_N or shapes[0] not in shapes[1:]):
        timed = timed[1:]
    if not timed:
        raise CannotTell("not one whole line was heard")
    start = find_start([line for _, line in timed])
    timed = [(t_us, line.removeprefix(start)) for t_us, line in timed if line.startswith(start)]
    check, skips = find_check([line for _, line in timed])
    if check is not None and skips:
        start = timed[0][1][:1]
        timed = [(t_us, line[1:]) for t_us, line in timed if line.startswith(start)]
    if check is not None:
        behind = check.separator, check.tail
        timed = [(t_us, _unchecked(line, *behind)) for t_us, line in timed if len(line) > 2]
    lines = tuple((t_us, line.decode("latin-1")) for t_us, line in timed)
    return Frames(terminator, start, check, may_be_cut, lines)


def _unchecked(line: bytes, separator: bytes, tail: bytes) -> bytes:
    return line.removesuffix(tail)[:-2].removesuffix(separator)


def sort_lines(frames: Frames, *, spoke_by_itself: bool) -> SortedLines:
    """Finds the lines that carry values, and in them the value.

    Raises:
        CannotTell: no line has a number, or one that cannot be described.
    """
    texts = [text for _, text in frames.lines]
    if sum(bool(_NO_DIGIT_IN_FRONT.search(text)) for text in texts) > RARE / 4 * len(texts):
        raise CannotTell(
            "numbers without a digit before the point (.5) are nothing a line description can read"
        )
    decimal = decimal_mark([text for text in texts if any(one.isdigit() for one in text)])
    parts = [(t_us, text, parts_of(text, decimal)) for t_us, text in frames.lines]
    makes: defaultdict[tuple[bool, ...], list[Line]] = defaultdict(list)
    for one in parts:
        makes[make_of(one[2], decimal)].append(one)
    numbered = _merged({make: ones for make, ones in makes.items() if make})
    if not numbered:
        raise CannotTell("no line with a number was heard")
    layouts = _laid_out(numbered, decimal)
    best = max(layouts, key=lambda make: layouts[make][2] + log10(len(numbered[make])))
    layout, value, _ = layouts[best]
    numbered[best] = _typical(numbered[best])
    unlike_n = sum(len(ones) for ones in numbered.values()) - len(layout.columns[value].written)
    wordy = Counter(text for _, text, _ in makes.get((), []))
    first_us = numbered[best][0][0]
    others, banners = [], []
    for make, ones in numbered.items():
        if make == best:
            continue
        if len(ones) > max(2, RARE * len(numbered[best])):
            others.append(tuple(one for _, _, one in ones))
        elif not spoke_by_itself or ones[0][0] < first_us:
            banners += [text for t_us, text, _ in ones if t_us < first_us]
    in_place = [t_us for t_us, text, _ in makes.get((), []) if wordy[text] < 0.9 * len(numbered[best])]
    times_us = sorted([t_us for t_us, _, _ in numbered[best]] + in_place)
    return SortedLines(
        layout, value, decimal, tuple(times_us), wordy, unlike_n, tuple(others), tuple(banners)
    )


def _laid_out(
    numbered: dict[tuple[bool, ...], list[Line]], decimal: str
) -> dict[tuple[bool, ...], tuple[Layout, int, float]]:
    """Layout, place of the value and its score for each make that came often enough."""
    numbered = {make: _typical(ones) for make, ones in numbered.items()}
    most = max(len(ones) for ones in numbered.values())
    found = {}
    refusal: CannotTell | None = None
    for make, ones in numbered.items():
        if len(ones) < RARE * most:
            continue
        try:
            layout = lay_out([one for _, _, one in ones], decimal)
        except CannotTell as error:
            refusal = error
            continue
        scores = [_value_score(layout, index) for index in range(len(layout.columns))]
        value = scores.index(max(scores))
        found[make] = layout, value, scores[value]
    if not found:
        raise refusal or CannotTell("no line with a number came often enough")
    return found


def _merged(makes: dict[tuple[bool, ...], list[Line]]) -> dict[tuple[bool, ...], list[Line]]:
    """Makes whose lines have the same texts are one: 12 N and 12.5 N, in the order they came."""
    out: dict[tuple[bool, ...], list[Line]] = {}
    of: dict[tuple[str, ...], tuple[bool, ...]] = {}
    for make, ones in sorted(makes.items(), key=lambda item: -len(item[1])):
        usual = Counter(_texts_of(one) for one in ones).most_common(1)[0][0]
        first = of.setdefault(usual, make)
        out[first] = sorted([*out.get(first, []), *ones])
    return out


def _typical(ones: list[Line]) -> list[Line]:
    """Without the lines that are like no other; among few lines that means nothing."""
    if len(ones) < MANY_N:
        return ones
    makes = Counter(_texts_of(one) for one in ones)
    usual = makes.most_common(1)[0][0]
    return [one for one in ones if makes[_texts_of(one)] > 1 or differ_in_state(_texts_of(one), usual)]


def _texts_of(line: Line) -> tuple[str, ...]:
    return tuple(text.rstrip(" +-") for text in line[2][0])


def _value_score(layout: Layout, index: int) -> float:
    """How much a column looks like the value rather than an angle, a running number or part of a name."""
    column = layout.columns[index]
    alone = len(layout.columns) == 1
    place = Place(next_to_value=True, behind=True, last=index + 2 == len(layout.gaps))
    has_unit = any(slot.role == "unit" for slot in slots_of(layout.gaps[index + 1], place))
    score = 3.0 * column.has_decimals + 2.0 * column.signed + 4.0 * has_unit + 1.0 * (not column.constant)
    if not alone:
        score -= 6.0 * column.is_angle + 4.0 * column.one_each_line
    return score
