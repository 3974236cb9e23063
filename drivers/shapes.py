"""Reads many lines at once by their shape: the line with every digit turned into a 9.

Lines of one shape differ in nothing but digits. If a pattern treats all digits alike, it says the same of
every line of a shape, so it is run on one of them, and the numbers of all are put together column by column
in whole-number arithmetic. Below 2**53 such a number divided by a power of ten up to 10**22 is rounded once,
correctly, and so is exactly what float() makes of the text.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

LEAST_ROWS = 16
"""Fewer lines than this of one shape are quicker read one by one."""
MOST_SHAPES = 12
"""Shapes looked at among lines of one length; with more of them the bytes are mostly garbage."""
_PLANS_KEPT = 256

Wholes = NDArray[np.unsignedinteger[Any]]

_NINE = ord("9")
_TO_SHAPE = bytes.maketrans(b"012345678", b"9" * 9)
_ALL_DIGITS = re.compile(r"(?<!\\)\[0-9\]|\\d|(?<!\\)\{\d*(?:,\d*)?\}")
_HARD_TO_JUDGE = re.compile(r"\[\^?\]|\\\]|\[[^\]]*\{|\(\?P=")


def digits_are_alike(pattern: str) -> bool:
    r"""Whether a regular expression cannot tell one digit from another.

    True only if no digit is left once `\d`, `[0-9]` and repeat counts are taken out; back references and
    character classes that could hide a repeat count are not worth judging. Inside a class, `\d` is understood
    and `0-9` is not (in `[+-0-9]` it would mean something else).
    """
    return not _HARD_TO_JUDGE.search(pattern) and not re.search(r"\d", _ALL_DIGITS.sub("", pattern))


class Meaning(NamedTuple):
    """What the words of a line say of its value: its range, and its kind inside and outside of that."""

    number: int
    number_outside: int
    low: float
    high: float
    spoilt: bool
    """Whether a flag takes the value out of use, so that it may be missing."""


class NumericPart(NamedTuple):
    """Where in a line its value stands, half-open, and what its words mean."""

    first: int
    last: int
    meaning: Meaning


@dataclass(frozen=True, slots=True)
class Lines:
    """Complete lines in a run of bytes: `stops` in front of the terminators, `nexts` behind."""

    raw: NDArray[np.uint8]
    starts: NDArray[np.int64]
    stops: NDArray[np.int64]
    nexts: NDArray[np.int64]


def cut_lines(data: bytes, start: int, terminator: bytes, cap: int) -> Lines | None:
    """All complete lines from `start` on; None if there is none or one is over-long.

    `terminator` has one byte or two different ones.
    """
    raw = np.frombuffer(data, np.uint8)
    hits = np.flatnonzero(raw[start:] == terminator[-1])
    hits += start
    if len(terminator) == 2:
        hits = hits[hits > start]
        hits = hits[raw[hits - 1] == terminator[0]]
    if not hits.size:
        return None
    nexts = hits + 1
    stops = nexts - len(terminator)
    starts = np.empty_like(nexts)
    starts[0] = start
    starts[1:] = nexts[:-1]
    if (stops - starts).max() >= cap:
        return None
    return Lines(raw, starts, stops, nexts)


@dataclass(frozen=True, slots=True)
class _Plan:
    """How to read the value out of all lines of one shape."""

    digits: frozenset[int]
    scale: float
    minus: bool
    meaning: Meaning


class ShapeReader:
    """Reads the values of lines whose shape has a plain numeric part; leaves the others alone.

    Args:
        numeric_part: says of one line where its value stands and what it means; None for a line to be left.
        negated: values change sign (tension is negative on the wire).
    """

    def __init__(self, numeric_part: Callable[[bytes], NumericPart | None], *, negated: bool) -> None:
        self._numeric_part = numeric_part
        self._negated = negated
        self._plans: dict[bytes, _Plan | None] = {}

    def read(self, lines: Lines) -> tuple[NDArray[np.float64], NDArray[np.int16]]:
        """Values and kind numbers, shape (n,); number -1 for each line that was left alone."""
        count = len(lines.starts)
        values = np.empty(count)
        numbers = np.full(count, -1, np.int16)
        lengths = lines.stops - lines.starts
        longest = int(lengths.max())
        if longest and longest == lengths.min():
            rows = lines.raw[lines.starts[0] : lines.nexts[-1]].reshape(count, -1)[:, :longest]
            self._peel(rows, None, values, numbers)
            return values, numbers
        counts = np.bincount(lengths)
        counts[0] = 0
        for length in np.flatnonzero(counts >= LEAST_ROWS).tolist():
            which = np.flatnonzero(lengths == length)
            rows = sliding_window_view(lines.raw, length)[lines.starts[which]]
            self._peel(rows, which, values, numbers)
        return values, numbers

    def _peel(
        self,
        rows: NDArray[np.uint8],
        which: NDArray[np.int64] | None,
        values: NDArray[np.float64],
        numbers: NDArray[np.int16],
    ) -> None:
        """Takes shape after shape off lines of one length; `which` are their places, None for all."""
        for _ in range(MOST_SHAPES):
            if len(rows) < LEAST_ROWS:
                return
            line = rows[0].tobytes()
            shape = line.translate(_TO_SHAPE)
            plan = self._plan(shape, line)
            fits, whole = _columns(rows, shape, plan.digits if plan else frozenset())
            if plan is not None:
                if which is None and fits.all():
                    _settle(plan, whole, values, numbers)
                    return
                part = np.empty(np.count_nonzero(fits))
                kinds = np.empty(len(part), np.int16)
                _settle(plan, whole[fits], part, kinds)
                places = np.flatnonzero(fits) if which is None else which[fits]
                values[places], numbers[places] = part, kinds
            others = ~fits
            rows = rows[others]
            which = np.flatnonzero(others) if which is None else which[others]

    def _plan(self, shape: bytes, line: bytes) -> _Plan | None:
        if shape not in self._plans:
            if len(self._plans) >= _PLANS_KEPT:
                self._plans.clear()
            self._plans[shape] = self._make_plan(line)
        return self._plans[shape]

    def _make_plan(self, line: bytes) -> _Plan | None:
        part = self._numeric_part(line)
        if part is None:
            return None
        text = line[part.first : part.last]
        digits = frozenset(part.first + place for place, byte in enumerate(text) if byte in b"0123456789")
        if len(digits) > 15:
            return None
        point = max(text.find(b"."), text.find(b","))
        decimals = len(text) - point - 1 if point >= 0 else 0
        return _Plan(digits, 10.0**decimals, text.startswith(b"-") != self._negated, part.meaning)


def _columns(
    rows: NDArray[np.uint8], shape: bytes, value_places: frozenset[int]
) -> tuple[NDArray[np.bool_], Wholes]:
    """Which rows have this shape, and the digits at `value_places` read as one whole number.

    The number of a row that does not fit is meaningless (and may have wrapped around).
    """
    columns = np.ascontiguousarray(rows.T)
    fits = np.ones(len(rows), np.bool_)
    whole: Wholes = np.zeros(len(rows), np.uint32 if len(value_places) <= 9 else np.uint64)
    for place, byte in enumerate(shape):
        column = columns[place]
        if byte != _NINE:
            fits &= column == byte
            continue
        digit = column - ord("0")
        fits &= digit <= 9
        if place in value_places:
            whole *= 10
            whole += digit
    return fits, whole


def _settle(
    plan: _Plan,
    whole: Wholes,
    values: NDArray[np.float64],
    numbers: NDArray[np.int16],
) -> None:
    """Turns whole numbers into values with sign, and values into kinds by their range; writes in place."""
    meaning = plan.meaning
    np.divide(whole, plan.scale, out=values)
    if plan.minus:
        np.subtract(0.0, values, out=values)
    numbers[:] = meaning.number
    if len(values) and not (meaning.low <= values.min() and values.max() <= meaning.high):
        outside = (values < meaning.low) | (values > meaning.high)
        numbers[outside] = meaning.number_outside
