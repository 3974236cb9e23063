"""The `[scpi]` table of a description: what to ask, and how the reply is laid out."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.description import Table, Wire

Command = Annotated[str, Field(pattern=r"^[!-~][ -~]*$", max_length=200)]
"""Printable ASCII, as IEEE 488.2 program messages are."""

ReplyField = Literal["value", "unit", "skip"]
_ONE_VALUE: tuple[ReplyField, ...] = ("value",)


class ScpiSettings(Table):
    """A gauge that is asked in SCPI."""

    query: Command
    """What brings a value, such as "MEAS:FORC?"."""
    fields: Annotated[list[ReplyField], Field(min_length=1)] = Field(default_factory=lambda: [*_ONE_VALUE])
    """What stands in the reply, from left to right."""
    separator: Literal[",", ";", " "] = ","
    channels: list[str] = Field(default_factory=list)
    """Names of the values, where there are several."""
    units: dict[str, str] = Field(default_factory=dict)
    """Unit in the reply -> unit of this package. Needed if there is a field for it."""
    serial_number: str | None = None
    """Values are good only if the identity has this serial number."""
    error_query: Command = "SYST:ERR?"
    errors_every_n: Annotated[int, Field(ge=0, le=1000)] = 10
    """The error queue is asked after so many values, and after every reply that has no good number; 0: only
    after those."""
    request_end: Wire = b"\n"
    terminator: Annotated[Wire, Field(min_length=1, max_length=2)] = b"\n"
    max_reply_bytes: Annotated[int, Field(ge=80, le=4096)] = 256

    @model_validator(mode="after")
    def _fits(self) -> Self:
        values_n = self.fields.count("value")
        if values_n == 0:
            raise ValueError('fields: one of them must be "value"')
        if self.fields.count("unit") > 1:
            raise ValueError('fields: at most one can be "unit"')
        if ("unit" in self.fields) != bool(self.units):
            raise ValueError('a "unit" among the fields and the table of units go together')
        if len(self.channels) != (values_n if values_n > 1 else len(self.channels[:1])):
            raise ValueError(f"channels: {values_n} values need as many names, not {len(self.channels)}")
        if len(set(self.channels)) < len(self.channels):
            raise ValueError("channels: every name must differ")
        if self.error_query == self.query or "*IDN?" in (self.error_query, self.query):
            raise ValueError("query and error_query must differ, and neither is *IDN?")
        if len(self.terminator) == 2 and self.terminator[0] == self.terminator[1]:
            raise ValueError("terminator: two equal bytes do not say where a reply ends; use one of them")
        return self
