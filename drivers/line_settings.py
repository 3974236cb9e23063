"""The `[line]` table of a description: how an ASCII gauge writes its lines."""

import re
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from drivers.description import UNITS, Table, Wire

Flag = Literal["overload", "unstable", "low battery", "out of range", "fault"]

GROUPS = ("value", "unit", "flags", "mode", "channel", "number", "check")
_TABLE_OF = {"unit": "units", "flags": "flags", "mode": "modes", "channel": "channels", "check": "checksum"}
_ALL_UNITS = [unit for units in UNITS.values() for unit in units]


def _compiled(pattern: str) -> re.Pattern[bytes]:
    try:
        return re.compile(pattern.encode("ascii"))
    except UnicodeEncodeError:
        raise ValueError("a pattern is plain ASCII; write other bytes as \\x..") from None
    except re.error as error:
        raise ValueError(f"is not a regular expression: {error}") from None


class Checksum(Table):
    """Two hexadecimal digits, captured as `check`, over everything in front of `separator`.

    "xor8" is the exclusive or of all bytes (as in NMEA 0183), "sum8" their sum modulo 256. The start byte
    is not covered.
    """

    kind: Literal["xor8", "sum8"]
    separator: Wire = b"*"


class LineSettings(Table):
    """How one line looks and what its parts mean.

    `pattern` must match a whole line (without start and terminator). Its named parts: `value` a signed
    decimal; `unit`, `flags`, `mode` and `channel` words looked up in the tables below; `number` the running
    number of a measurement; `check` the checksum. A word that is in no table makes the line damaged, but a
    unit that is in no table makes a sample flagged "wrong unit".
    """

    terminator: Annotated[Wire, Field(min_length=1, max_length=2)]
    start: Annotated[Wire, Field(max_length=1)] = b""
    """A byte every line begins with, if the gauge sends one."""
    first_line: Literal["whole", "may be cut"]
    """Whether the first line after opening the port can be trusted to be complete."""
    max_line_bytes: Annotated[int, Field(ge=8, le=4096)] = 128
    decimal: Literal[".", ","] = "."
    units: dict[str, str] = Field(default_factory=dict)
    """Unit on the line -> unit of this package. Needed if the pattern has a `unit`."""
    flags: dict[str, list[Flag]] = Field(default_factory=dict)
    """Word on the line -> what it says of the value; an empty list for a word that says nothing bad."""
    modes: dict[str, str] = Field(default_factory=dict)
    """Word on the line -> "" if values are good in that mode, else a sentence why they are not."""
    channels: list[str] = Field(default_factory=list)
    checksum: Checksum | None = None
    idle: list[str] = Field(default_factory=list)
    """Patterns of whole lines that rightly carry no value: a banner, "nothing new"."""
    pattern: str

    @field_validator("terminator")
    @classmethod
    def _two_bytes_differ(cls, terminator: bytes) -> bytes:
        # "\r\r" in "\r\r\r" could end a line at two places; one that cannot overlap itself ends at one.
        if len(terminator) == 2 and terminator[0] == terminator[1]:
            raise ValueError("two equal bytes do not say where a line ends; use one of them")
        return terminator

    @field_validator("units")
    @classmethod
    def _known_units(cls, units: dict[str, str]) -> dict[str, str]:
        for word, unit in units.items():
            if unit not in _ALL_UNITS:
                raise ValueError(f"{word!r} stands for {unit!r}, no known unit: {', '.join(_ALL_UNITS)}")
        return units

    @field_validator("idle")
    @classmethod
    def _idle_compile(cls, idle: list[str]) -> list[str]:
        for pattern in idle:
            _compiled(pattern)
        return idle

    @field_validator("pattern")
    @classmethod
    def _pattern_fits_tables(cls, pattern: str, info: ValidationInfo) -> str:
        named = set(_compiled(pattern).groupindex)
        if strangers := sorted(named - set(GROUPS)):
            raise ValueError(f"named parts can be {', '.join(GROUPS)}; not {', '.join(strangers)}")
        if "value" not in named:
            raise ValueError("has no part (?P<value>...)")
        for group, table in _TABLE_OF.items():
            if table in info.data and (group in named) != bool(info.data[table]):
                has, lacks = ("pattern", f"`{table}`") if group in named else (f"`{table}`", "pattern")
                raise ValueError(f"the {has} speaks of a {group}, but there is none in the {lacks}")
        return pattern

    @property
    def line(self) -> re.Pattern[bytes]:
        return _compiled(self.pattern)

    @property
    def idle_lines(self) -> tuple[re.Pattern[bytes], ...]:
        return tuple(_compiled(pattern) for pattern in self.idle)
