"""What the numbers in a unit's registers could be. Pure.

A register says neither its type nor its scale nor its unit. What can be told is which reading of the bytes
gives numbers that a gauge would give; the rest is for a person.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from math import isfinite
from typing import get_args

import numpy as np

from acquire.identify.facts import quantity_of
from acquire.identify.heard import CannotTell
from acquire.identify.registers import Block, Held
from drivers.modbus_settings import Order, RegisterType, RegisterValue

LEAST, MOST = 1e-4, 1e6
MOST_INT32 = 10_000_000
TIDY_DIGITS_N = 6
"""A gauge that rounds to its display step has no more; other bytes read as a float nearly always have."""
SHOWN_N = 12
_ORDERS: tuple[Order, ...] = get_args(Order)
_RARE = ("BADC", "DCBA")
_SPEC = re.compile(
    r"(?:(?P<function>[34])/)?(?P<address>\d{1,5}):(?P<type>[a-z]+\d+)(?::(?P<order>[A-D]{4}))?"
    r"(?:\*(?P<scale>-?[0-9.]+(?:[eE][+-]?\d+)?))?"
    r"(?:=(?P<unit>[^,\s]+)(?:,(?P<low>-?[0-9.]+)\.\.(?P<high>-?[0-9.]+))?)?"
)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read registers, with the numbers it gave, before any scale."""

    function: int
    address: int
    type: RegisterType
    order: Order
    numbers: tuple[float, ...]

    @property
    def name(self) -> str:
        """As a person writes it behind `--register`."""
        order = f":{self.order}" if self.wide else ""
        return f"{self.function}/{self.address}:{self.type}{order}"

    @property
    def wide(self) -> bool:
        return self.type in ("int32", "uint32", "float32")

    @property
    def changes(self) -> bool:
        return len(set(self.numbers)) > 1

    @property
    def exact(self) -> list[Decimal]:
        """A float as the shortest decimal that gives its 32 bits, as the driver reads it."""
        if self.type == "float32":
            return [Decimal(str(np.float32(one))) for one in self.numbers]
        return [Decimal(int(one)) for one in self.numbers]

    @property
    def roughness(self) -> float:
        """Mean step from one reading to the next, as a share of the largest: wrong readings jump."""
        largest = max(abs(one) for one in self.numbers)
        steps = [abs(late - early) for early, late in pairwise(self.numbers)]
        return sum(steps) / len(steps) / largest if steps and largest else 0.0

    @property
    def tidy(self) -> bool:
        return all(len(one.normalize().as_tuple().digits) <= TIDY_DIGITS_N for one in self.exact)


@dataclass(frozen=True, slots=True)
class Chosen:
    """A candidate, and what a person said of it. None where nothing was said.

    `guessed` if the order of its bytes is only the likeliest.
    """

    candidate: Candidate
    guessed: bool = False
    scale: float | None = None
    unit: str | None = None
    low: float | None = None
    high: float | None = None


def candidates(held: Held) -> list[Candidate]:
    """The plausible ways to read what a unit holds, the likeliest first."""
    found = [one for block in held.blocks for one in _of_block(block)]
    return sorted(found, key=_rank)[:SHOWN_N]


def _of_block(block: Block) -> list[Candidate]:
    out = []
    for place in range(block.count):
        address = block.first + place
        kinds: list[tuple[RegisterType, Order]] = [("int16", "ABCD"), ("uint16", "ABCD")]
        if place + 1 < block.count:
            wide: tuple[RegisterType, ...] = ("float32", "int32")
            kinds += [(type_, order) for type_ in wide for order in _ORDERS]
        read = [_candidate(block, address, *kind) for kind in kinds]
        out += [one for one in read if _plausible(one)]
    return out


def _candidate(block: Block, address: int, type_: RegisterType, order: Order) -> Candidate:
    value = RegisterValue(address=address, type=type_)
    start = 2 * (address - block.first)
    pieces = [data[start : start + 2 * value.registers_n] for data in block.rounds]
    return Candidate(
        block.function, address, type_, order, tuple(float(value.raw(piece, order)) for piece in pieces)
    )


def _plausible(one: Candidate) -> bool:
    if not any(one.numbers) or not all(map(isfinite, one.numbers)):
        return False
    if one.type == "float32":
        return all(number == 0 or LEAST <= abs(number) <= MOST for number in one.numbers)
    if one.type == "uint16":
        # Below that it is the int16 that is listed already.
        return any(number >= 0x8000 for number in one.numbers)
    return not one.wide or all(abs(number) <= MOST_INT32 for number in one.numbers)


def _rank(one: Candidate) -> tuple[bool, bool, bool, bool, bool, float, int, int]:
    """A float that is rounded and changes smoothly is no accident; whole numbers may be anything."""
    is_float = one.type == "float32"
    jumps = one.roughness > 0.5
    return (
        jumps,
        one.wide and one.order in _RARE,
        not (is_float and one.tidy and one.changes),
        not one.changes,
        not (is_float and one.tidy),
        round(one.roughness, 2),
        _ORDERS.index(one.order) + (4 if one.wide and not is_float else 0),
        one.address,
    )


def choose(spec: str, held: Held, likely: Sequence[Candidate]) -> Chosen:
    """What a person wrote: `10:float32`, `10:float32:CDAB`, `0:int16*0.1=degC,-40..85`, `4/10:float32`.

    Raises:
        CannotTell: it is no such text, or the unit does not hold that.
    """
    match = _SPEC.fullmatch(spec)
    if match is None or match["type"] not in get_args(RegisterType):
        raise CannotTell(
            f"--register {spec!r} cannot be read",
            f"Write ADDRESS:TYPE[:ORDER][*SCALE][=UNIT,LOW..HIGH], such as 10:float32:CDAB or "
            f"0:int16*0.1=degC,-40..85; types: {', '.join(get_args(RegisterType))}; "
            f"orders: {', '.join(_ORDERS)}",
        )
    address = int(match["address"])
    read = _read_as(spec, address, match, held, likely)
    guessed = read.wide and match["order"] is None
    try:
        scale, low, high = (
            None if match[name] is None else float(match[name]) for name in ("scale", "low", "high")
        )
        if match["unit"] is not None:
            quantity_of(match["unit"])
    except (ValueError, KeyError) as error:
        raise CannotTell(f"--register {spec!r}: {error} is no number or no unit that is known") from error
    return Chosen(read, guessed, scale, match["unit"], low, high)


def _read_as(
    spec: str, address: int, match: re.Match[str], held: Held, likely: Sequence[Candidate]
) -> Candidate:
    type_ = next(one for one in get_args(RegisterType) if one == match["type"])
    registers_n = RegisterValue(address=address, type=type_).registers_n
    blocks = [
        block
        for block in held.blocks
        if block.first <= address
        and address + registers_n <= block.first + block.count
        and match["function"] in (None, str(block.function))
    ]
    if not blocks:
        raise CannotTell(
            f"--register {spec!r}: unit {held.unit} did not answer there",
            "It must lie within the registers listed above; --registers FIRST-LAST asks elsewhere",
        )
    orders = [order for order in _ORDERS if match["order"] in (None, order)]
    if not orders:
        raise CannotTell(f"--register {spec!r}: no such order", f"Orders: {', '.join(_ORDERS)}.")
    options = [_candidate(block, address, type_, order) for block in blocks for order in orders]
    if len(options) == 1 or registers_n == 1:
        return options[0]
    # Numbers below 2^31 are the same with and without a sign, and are listed with one.
    listed_type = "int32" if type_ == "uint32" else type_
    for one in likely:
        same = (
            candidate
            for candidate in options
            if (candidate.function, candidate.order) == (one.function, one.order)
        )
        if (one.address, one.type) == (address, listed_type):
            return next(same)
    raise CannotTell(
        f"--register {spec!r}: the order of its bytes cannot be told from what it holds now",
        f"Let it show a value other than 0, or write the order as its manual says, such as "
        f"{address}:{type_}:ABCD.",
    )
