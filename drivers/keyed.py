"""Values that a person reads off a gauge without a port and types in.

What was typed is recorded like the bytes of any gauge: one line for each entry, the value as it was typed.
Where the description asks for double entry, two lines that say the same make one value.
"""

import re
from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, Field

from drivers.base import Driver, FrameError, Kind, Sample
from drivers.description import CommonKeys, GaugeDescription, Table


class KeyedSettings(Table):
    """How values are typed. Bounds, unit and resolution are those of the description."""

    decimal: Literal[".", ","] = "."
    decimals_n: Annotated[int, Field(ge=0, le=6)]
    """Digits behind the decimal sign, exactly as many as the display has."""
    double_entry: bool = False
    channel: str | None = None
    """Of every value, such as the angle of a glossmeter."""


class KeyedDriver(Driver):
    """Driver of the family "keyed".

    Raises:
        TypeError: the description is of another family.
    """

    settings_key = "keyed"
    Settings: ClassVar[type[KeyedSettings]] = KeyedSettings
    needs_port = False
    max_frame_bytes = 64

    def __init__(self, description: GaugeDescription) -> None:
        settings = description.settings_as(KeyedSettings, "keyed")
        self._settings = settings
        fraction = f"{re.escape(settings.decimal)}\\d{{{settings.decimals_n}}}" if settings.decimals_n else ""
        self._number = re.compile(rf"[+-]?\d{{1,9}}{fraction}".encode())
        self._good = Kind(description.quantity, description.unit, settings.channel)
        super().__init__(description)

    @classmethod
    def faults_in(cls, common: CommonKeys, settings: BaseModel) -> list[str]:
        if common.quantity == "count":
            return ["quantity: strokes are counted by a counter or a contact; they are not typed in"]
        return []

    @property
    def example(self) -> str:
        """How a value is typed, for a person."""
        return f"{0:.{self._settings.decimals_n}f}".replace(".", self._settings.decimal)

    def begin(self) -> None:
        self._first: bytes | None = None

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        stop = data.find(b"\n", start)
        return None if stop < 0 else (stop, stop + 1)

    def decode(self, frame: bytes) -> Sample | None:
        """Says what one entry means, see `Driver.decode`."""
        first, self._first = self._first, None
        if self._number.fullmatch(frame) is None:
            raise FrameError(f"not a number as the display shows it, such as {self.example}", frame)
        value = float(frame.replace(b",", b".")) + 0.0
        if self._settings.double_entry and first is None:
            self._first = frame
            return None
        if first is not None and first != frame:
            raise FrameError(f"the two entries differ: {first.decode()} and {frame.decode()}", frame)
        low, high = self.description.range
        if not low <= value <= high:
            unit = self.description.unit
            raise FrameError(f"{value:g} {unit} is not within {low:g} to {high:g} {unit}", frame)
        return Sample(self._good, value)
