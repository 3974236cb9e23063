"""What a person can tell `panelwright identify` on the command line."""

from dataclasses import dataclass
from math import isfinite
from typing import Any

import click

MOST_REGISTERS_N = 500


@dataclass(frozen=True, slots=True)
class Said:
    """None and empty where nothing was said; `ask` is whether the person may be asked for it."""

    ask: bool
    unit: str | None = None
    range: tuple[float, float] | None = None
    resolution: float | None = None
    registers: tuple[str, ...] = ()
    ask_measure: bool = False


class _Range(click.ParamType[tuple[float, float]]):
    name = "LOW..HIGH"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float]:
        low, _, high = str(value).partition("..")
        try:
            limits = float(low), float(high)
        except ValueError:
            limits = (0.0, 0.0)
        if not (all(map(isfinite, limits)) and limits[0] < limits[1]):
            self.fail(f"{value!r} is no range; write it like -500..500", param, ctx)
        return limits


class _Unit(click.ParamType[str]):
    name = "unit"

    def convert(self, value: Any, param: Any, ctx: Any) -> str:
        # Loaded here: what checks descriptions takes long to start, and most commands never need it.
        from drivers.description import UNITS

        known = [unit for units in UNITS.values() for unit in units]
        if value not in known:
            self.fail(f"{value!r} is no unit that is known; known: {', '.join(known)}", param, ctx)
        return str(value)


class _Numbers(click.ParamType[list[int]]):
    """Whole numbers as `1-10`, `3` or `1,3`."""

    name = "1-10"

    def __init__(self, least: int, most: int, count: int) -> None:
        self._least, self._most, self._count = least, most, count

    def convert(self, value: Any, param: Any, ctx: Any) -> list[int]:
        numbers: list[int] = []
        for part in str(value).split(","):
            first, _, last = part.partition("-")
            if not (first.isdecimal() and (last or first).isdecimal()):
                self.fail(f"{value!r} is no list of numbers; write it like 1-10 or 1,3", param, ctx)
            low, high = int(first), int(last or first)
            if not (self._least <= low <= high <= self._most and high - low < self._count):
                self.fail(
                    f"{part!r} must rise, lie within {self._least} to {self._most} and name no more than "
                    f"{self._count}", param, ctx,
                )  # fmt: skip
            numbers += range(low, high + 1)
        return sorted(set(numbers))


UNIT = _Unit()
RANGE = _Range()
UNITS_ON_LINE = _Numbers(1, 247, 247)
REGISTERS = _Numbers(0, 65535, MOST_REGISTERS_N)
