"""Lines taken apart into numbers and the text between them."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from acquire.identify.heard import CannotTell
from acquire.identify.numbers import Column, Written
from acquire.identify.words import UNIT

_BEFORE = re.compile(r"(?P<base>.*?)(?P<pad> *)(?P<sign>[+-]?)(?P<apart> *)", re.DOTALL)
_HIDE = str.maketrans("0123456789", "\ue000\ue001\ue002\ue003\ue004\ue005\ue006\ue007\ue008\ue009")
_SHOW = {hidden: digit for digit, hidden in _HIDE.items()}

Parts = tuple[tuple[str, ...], tuple[str, ...]]
"""Texts around the numbers, one more than there are numbers; the numbers."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Lines of one make: `gaps[i]` are the texts in front of column i, one a line; the last, behind all."""

    gaps: tuple[tuple[str, ...], ...]
    columns: tuple[Column, ...]


def parts_of(line: str, decimal: str) -> Parts:
    """Texts and numbers of a line. Digits that belong to a unit ("cm2") are text."""
    hidden = UNIT.sub(lambda unit: unit[0].translate(_HIDE), line)
    pieces = re.split(rf"(\d+(?:{re.escape(decimal)}\d+)?)", hidden)
    return tuple(piece.translate(_SHOW) for piece in pieces[::2]), tuple(pieces[1::2])


def make_of(parts: Parts, decimal: str) -> tuple[bool, ...]:
    """What lines of one make have in common: how many numbers, and which have decimals."""
    return tuple(decimal in number for number in parts[1])


def lay_out(lines: Sequence[Parts], decimal: str) -> Layout:
    """Columns of lines of one make.

    Raises:
        CannotTell: a minus stands apart from its digits, or numbers have exponents.
    """
    gaps = [list(texts) for texts in zip(*(texts for texts, _ in lines), strict=True)]
    numbers = list(zip(*(numbers for _, numbers in lines), strict=True))
    _refuse_exponents(gaps)
    kept_gaps: list[tuple[str, ...]] = []
    columns: list[Column] = []
    joined = [""] * len(lines)
    for index, texts in enumerate(numbers):
        before = [front + gap for front, gap in zip(joined, gaps[index], strict=True)]
        if _belongs_to_a_name(before, texts) and len(numbers) > 1 and _others_vary(numbers, index):
            joined = [text + number for text, number in zip(before, texts, strict=True)]
            continue
        bases, written = _signs(before, texts)
        kept_gaps.append(tuple(bases))
        columns.append(Column(tuple(written), decimal))
        joined = [""] * len(lines)
    last = tuple(front + gap for front, gap in zip(joined, gaps[-1], strict=True))
    return Layout((*kept_gaps, last), tuple(columns))


def _refuse_exponents(gaps: Sequence[Sequence[str]]) -> None:
    for gap in gaps[1:-1]:
        if all(re.fullmatch(r"[Ee][+-]?", text) for text in gap):
            raise CannotTell("numbers with exponents (1.5E+01) are nothing a line description can read")


def _belongs_to_a_name(before: Sequence[str], numbers: Sequence[str]) -> bool:
    """As in "CH1": whole, always the same, close behind a letter."""
    return len(set(numbers)) == 1 and numbers[0].isdigit() and all(text[-1:].isalpha() for text in before)


def _others_vary(numbers: Sequence[tuple[str, ...]], index: int) -> bool:
    others = [texts for place, texts in enumerate(numbers) if place != index]
    return any(len(set(texts)) > 1 or not texts[0].isdigit() for texts in others)


def _signs(before: Sequence[str], numbers: Sequence[str]) -> tuple[list[str], list[Written]]:
    found = [_BEFORE.fullmatch(text) for text in before]
    matches = [match for match in found if match is not None]  # the pattern matches any text
    apart = any(match["sign"] and match["apart"] for match in matches)
    if apart and any(match["sign"] == "-" for match in matches):
        raise CannotTell(
            "a minus with blanks between it and the digits is nothing a line description can read"
        )
    # "60-91.4": a dash that is always there, behind a digit or letter, is a separator.
    dash = all(
        match["sign"] == "-" and match["base"][-1:].isalnum() and not match["pad"] for match in matches
    )
    bases, written = [], []
    for match, number in zip(matches, numbers, strict=True):
        if apart or dash:
            bases.append(match["base"] + match["pad"] + match["sign"])
            written.append(Written(match["apart"], "", number))
        else:
            bases.append(match["base"])
            written.append(Written(match["pad"] + match["apart"], match["sign"], number))
    pads = {one.pad for one in written}
    if pads in ({""}, {" "}):
        # Always as many blanks: they are text.
        bases = [base + one.pad for base, one in zip(bases, written, strict=True)]
        written = [Written("", one.sign, one.text) for one in written]
    return bases, written
