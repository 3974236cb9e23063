"""One number of a line, looked at over all lines: its sign, its width, and how it goes on."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from acquire.identify.words import ANGLES

ROOM_FOR = 4
"""Digits in front of the decimal mark that a number of varying width is given at least."""


@dataclass(frozen=True, slots=True)
class Written:
    """A number in one line: blanks in front, sign, digits."""

    pad: str
    sign: str
    text: str


@dataclass(frozen=True, slots=True)
class Column:
    """A number over all lines. `decimal` is the mark used in this sample of bytes."""

    written: tuple[Written, ...]
    decimal: str

    @property
    def texts(self) -> list[str]:
        return [one.text for one in self.written]

    @property
    def values(self) -> list[float]:
        return [float((one.sign + one.text).replace(self.decimal, ".")) for one in self.written]

    @property
    def has_decimals(self) -> bool:
        return any(self.decimal in text for text in self.texts)

    @property
    def signed(self) -> bool:
        return any(one.sign for one in self.written)

    @property
    def constant(self) -> bool:
        return len(set(self.written)) == 1

    @property
    def decimals_n(self) -> tuple[int, int]:
        """Fewest and most digits behind the decimal mark."""
        counts = [len(text.partition(self.decimal)[2]) for text in self.texts]
        return min(counts), max(counts)

    @property
    def padded(self) -> bool:
        """Right-aligned with blanks: the sum of blanks and digits never varies."""
        return any(one.pad for one in self.written) and len({self._field_n(one) for one in self.written}) == 1

    @property
    def width(self) -> int:
        """Characters of the field, blanks and sign included; for a padded column."""
        return self._field_n(self.written[0])

    @staticmethod
    def _field_n(one: Written) -> int:
        return len(one.pad) + len(one.sign) + len(one.text)

    @property
    def is_angle(self) -> bool:
        return not self.signed and set(self.texts) <= ANGLES

    @property
    def counts_up(self) -> bool:
        """A whole number that only goes up, and by one at a time (or starts anew at zero)."""
        steps = self._steps()
        return steps is not None and bool(steps) and all(step in (0, 1) for step in steps) and any(steps)

    @property
    def one_each_line(self) -> bool:
        steps = self._steps()
        return steps is not None and bool(steps) and sum(step == 1 for step in steps) >= 0.8 * len(steps)

    def _steps(self) -> list[float] | None:
        if self.has_decimals or self.signed:
            return None
        return [late - early for early, late in pairwise(self.values) if late != 0]

    def _whole_ns(self) -> set[int]:
        return {len(text.partition(self.decimal)[0]) for text in self.texts}

    @property
    def zero_filled(self) -> bool:
        wholes = [text.partition(self.decimal)[0] for text in self.texts]
        return any(len(whole) > 1 and whole.startswith("0") for whole in wholes)

    def whole_digits_n(self) -> int:
        """The most digits in front of the decimal mark that the pattern lets in."""
        most = max(self._whole_ns())
        if self.zero_filled:
            return most
        if self.padded:
            decimals = self.decimals_n[1]
            signs = 1 if all(one.sign for one in self.written) else 0
            return max(most, self.width - signs - decimals - (1 if decimals else 0))
        return max(ROOM_FOR, most + 1)

    def pattern(self, *, may_be_negative: bool) -> str:
        """A regular expression for sign and digits, as narrow as what was seen allows.

        `may_be_negative` lets a minus in where none was seen, unless the width is fixed without one.
        """
        return self._sign_and_whole(may_be_negative) + self._fraction()

    def _fraction(self) -> str:
        least, most = self.decimals_n
        mark = re.escape(self.decimal)
        if most == 0:
            return ""
        if least == most:
            return rf"{mark}\d{{{most}}}"
        if least == 0:
            return rf"(?:{mark}\d{{1,{most}}})?"
        return rf"{mark}\d{{{least},{most}}}"

    def _sign_and_whole(self, may_be_negative: bool) -> str:
        signs = {one.sign for one in self.written}
        wholes = self._whole_ns()
        most = self.whole_digits_n()
        digits = rf"\d{{{most}}}" if self.zero_filled and len(wholes) == 1 else rf"\d{{1,{most}}}"
        if "" not in signs:
            return "[+-]" + digits
        if self.zero_filled and len(wholes) == 2 and max(wholes) - min(wholes) == 1:
            # A minus in place of the first digit.
            return rf"(?:-\d{{{most - 1}}}|\d{{{most}}})"
        if "+" in signs:
            return "[+-]?" + digits
        if signs == {""} and (self.zero_filled or not may_be_negative):
            return digits
        return "-?" + digits


def decimal_mark(lines: Sequence[str]) -> str:
    """The decimal mark these lines use: a point, unless commas cannot be anything else."""
    if sum(bool(re.search(r"\d\.\d", line)) for line in lines) * 2 >= len(lines):
        return "."
    pairs = [match for line in lines if (match := re.search(r"(\d+),(\d+)(,\d)?", line)) is not None]
    if len(pairs) * 2 < len(lines) or any(match[3] for match in pairs):
        return "."
    lefts = [match[1] for match in pairs]
    if {*lefts} <= ANGLES or _run_on(lefts):
        return "."
    return ","


def _run_on(texts: Sequence[str]) -> bool:
    steps = [int(late) - int(early) for early, late in pairwise(texts)]
    return len(steps) > 3 and sum(step == 1 for step in steps) >= 0.9 * len(steps)
