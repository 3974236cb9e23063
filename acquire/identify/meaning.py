"""What a gauge measures: quantity, unit, range and resolution, and which of these a person must confirm."""

from dataclasses import dataclass
from typing import Literal

from acquire.identify.layout import Layout
from acquire.identify.numbers import Column
from acquire.identify.pattern import LinePattern
from acquire.identify.words import LABEL_WORDS, UNIT_WORDS, Meaning

STEPS = (10, 5, 2)
DISTINCT_N = 8
_ONE_UNIT = {"gloss": "GU", "count": "1", "temperature": "degC", "humidity": "%"}
_DEFAULT_UNIT = {"force": "N", "mass": "g", "irradiance": "W/m2", **_ONE_UNIT}


@dataclass(frozen=True, slots=True)
class Measured:
    """`low`, `high` and `resolution` in `unit`. `meanings` lists what the printed unit can stand for."""

    quantity: str
    unit: str
    unit_word: str
    meanings: tuple[Meaning, ...]
    resolution: float
    low: float
    high: float
    may_be_negative: bool
    tension: Literal["positive", "negative"]
    """Sign of a pull on the wire; nobody can hear it, so "positive" until a person says otherwise."""
    asks: tuple[str, ...]
    notes: tuple[str, ...]


def measured(layout: Layout, value: int, line: LinePattern) -> Measured:
    """Works out the quantity from unit, angle, label and the way the numbers go, in this order."""
    column = layout.columns[value]
    asks: list[str] = []
    notes: list[str] = []
    word = line.unit_words[0] if line.unit_words else ""
    meanings = UNIT_WORDS.get(word, ())
    if meanings:
        quantity, unit = _by_label(meanings, line.label)
        if len(meanings) > 1:
            others = " or ".join(f"{kind} in {name}" for kind, name in meanings)
            asks.append(f"unit {word!r} can mean {others}; {quantity} is assumed")
    else:
        quantity = _guess(column, line)
        unit = _DEFAULT_UNIT[quantity]
        asks.append(f"no unit is printed; {quantity} in {unit} is assumed")
    may_be_negative = column.signed or quantity in ("force", "temperature", "mass")
    low, high = _range(column, quantity, may_be_negative)
    if not (column.zero_filled or column.padded):
        notes.append("the width of the number varies; its range is assumed, see the gauge's label")
    if quantity == "force":
        asks.append("pull the hook: if the shown value becomes negative, tension is negative")
    return Measured(
        quantity,
        unit,
        word,
        meanings,
        _resolution(column),
        low,
        high,
        may_be_negative,
        "positive",
        tuple(asks),
        tuple(notes),
    )


def _by_label(meanings: tuple[Meaning, ...], label: str) -> Meaning:
    wanted = LABEL_WORDS.get(label.upper())
    return next((one for one in meanings if one[0] == wanted), meanings[0])


def _guess(column: Column, line: LinePattern) -> str:
    if line.channels:
        return "gloss"
    labelled = LABEL_WORDS.get(line.label.upper())
    whole = not column.has_decimals and not column.signed
    if labelled is not None and not (labelled == "count" and not whole):
        return labelled
    return "count" if whole else "force"


def _resolution(column: Column) -> float:
    """One step of the last digit, or ten, five, two of them if the values never do less."""
    decimals = column.decimals_n[1]
    steps = {round(value * 10**decimals) for value in column.values}
    step = 1
    if len(steps) >= DISTINCT_N:
        step = next((size for size in STEPS if all(one % size == 0 for one in steps)), 1)
    return float(f"{step}e-{decimals}")


def _range(column: Column, quantity: str, may_be_negative: bool) -> tuple[float, float]:
    decimals = column.decimals_n[1]
    digits = column.whole_digits_n()
    top = float(f"{'9' * digits}.{'9' * decimals or '0'}")
    if quantity == "humidity":
        top = min(top, 100.0)
    return (-top if may_be_negative else 0.0), top
