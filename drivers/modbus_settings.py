"""The `[modbus]` table of a description: which unit on the line, and what its registers hold."""

import struct
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.description import UNITS, Quantity, Table

MOST_REGISTERS = 125
"""In one request of function 03 or 04 (application protocol V1.1b3, sections 6.3 and 6.4)."""

RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]

_CODE = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}
_BYTES = {"ABCD": (0, 1, 2, 3), "CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2), "DCBA": (3, 2, 1, 0)}


class RegisterValue(Table):
    """One value in one register or two.

    A value of the gauge's own quantity needs neither quantity, unit nor range; another one needs all three.
    """

    address: Annotated[int, Field(ge=0, le=65535)]
    """As it stands on the wire, from 0: one less than in tables that count registers from 1 (or 40001)."""
    type: RegisterType
    order: Order | None = None
    """Of the bytes, where it is not that of the whole gauge."""
    scale: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    offset: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    """Value = scale x number + offset."""
    missing: list[int] = Field(default_factory=list)
    """Numbers (before scaling) that say there is no value."""
    overload: list[int] = Field(default_factory=list)
    """Numbers (before scaling) that say the value is beyond the gauge."""
    channel: str | None = None
    quantity: Quantity | None = None
    unit: str | None = None
    range: Annotated[tuple[float, float], Field(strict=False)] | None = None

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.scale == 0:
            raise ValueError("a scale of 0 would make every value the same")
        own = [self.quantity, self.unit, self.range]
        if any(own) and not all(own):
            raise ValueError("quantity, unit and range go together: give all three or none")
        if self.quantity is not None and self.unit not in UNITS[self.quantity]:
            known = ", ".join(UNITS[self.quantity])
            raise ValueError(f"{self.unit!r} is not a unit of {self.quantity}; known: {known}")
        if self.range is not None and not self.range[0] < self.range[1]:
            raise ValueError("range must be [lowest, highest]")
        if self.address + self.registers_n > 65536:
            raise ValueError("the value would reach beyond the last register, 65535")
        return self

    @property
    def registers_n(self) -> int:
        return 1 if self.type in ("int16", "uint16") else 2

    def raw(self, data: bytes, default_order: Order) -> float | int:
        """The number in the registers' bytes, as they stand on the wire."""
        places: tuple[int, ...] = _BYTES[self.order or default_order]
        if self.registers_n == 1:
            # A single register has only two bytes to swap.
            places = (0, 1) if places[0] < places[1] else (1, 0)
        number: float | int = struct.unpack(">" + _CODE[self.type], bytes(data[place] for place in places))[0]
        return number


class ModbusSettings(Table):
    """A gauge that holds its values in registers."""

    unit: Annotated[int, Field(ge=1, le=247)]
    """Its address on the line, set on the gauge."""
    function: Literal[3, 4] = 3
    """3 reads holding registers, 4 input registers."""
    order: Order = "ABCD"
    """Of the bytes of a value: "ABCD" high word first, "CDAB" low word first; "BADC" and "DCBA" the same
    with the bytes of each word swapped."""
    max_gap: Annotated[int, Field(ge=0, le=MOST_REGISTERS)] = 8
    """So many registers in between are read in vain rather than asked for with a request of their own."""
    values: Annotated[list[RegisterValue], Field(min_length=1)]

    @model_validator(mode="after")
    def _apart(self) -> Self:
        names = [(value.quantity, value.channel) for value in self.values]
        if len(set(names)) < len(names):
            raise ValueError("two values have the same quantity and channel; give them channels to differ")
        return self

    def blocks(self) -> list[tuple[int, int]]:
        """Registers to read, as (first address, count), in as few requests as `max_gap` allows."""
        found: list[tuple[int, int]] = []
        for value in sorted(self.values, key=lambda one: one.address):
            stop = value.address + value.registers_n
            if found:
                first, count = found[-1]
                joined = max(first + count, stop) - first
                if value.address <= first + count + self.max_gap and joined <= MOST_REGISTERS:
                    found[-1] = (first, joined)
                    continue
            found.append((value.address, stop - value.address))
        return found
