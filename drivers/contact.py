"""Counts closings of a dry contact: a reed switch at a wash machine, a pedal.

A contact has no bytes, so the port that samples its line writes some, and they are all there is from then on:

    +0000012345\\n    the contact closed, 12345 ms after the port was opened
    -0000012391\\n    it opened
    +0000000000\\n or -0000000000\\n    how it stood when the port was opened; always the first line

The times are in the text because a driver has no clock: bounce is told from a second stroke by them alone,
live and replayed alike.
"""

import re
from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, Field

from drivers.base import Driver, FrameError, Kind, Sample
from drivers.description import CommonKeys, GaugeDescription, Table

_LINE = re.compile(rb"([+-])(\d{10})")


class ContactSettings(Table):
    """Which control line the contact is on, and what counts as a closing."""

    line: Literal["cts", "dsr", "dcd", "ri"]
    closed_when: Literal["on", "off"] = "on"
    """How the line stands while the contact is closed."""
    debounce_ms: Annotated[int, Field(ge=0, le=1000)] = 20
    """A closing counts if the contact had stood open at least this long; shorter is bounce."""
    max_per_s: Annotated[float, Field(gt=0, le=50)] = 5.0
    """A closing sooner after the one before is told as a fault and not counted."""
    sample_ms: Annotated[int, Field(ge=1, le=50)] = 5
    """How often the line is looked at."""


class ContactDriver(Driver):
    """Driver of the family "contact"; the value is the number of closings since the driver was made or reset.

    Raises:
        TypeError: the description is of another family.
    """

    settings_key = "contact"
    Settings: ClassVar[type[ContactSettings]] = ContactSettings
    max_frame_bytes = 32
    counts_from_zero = True

    def __init__(self, description: GaugeDescription) -> None:
        settings = description.settings_as(ContactSettings, "contact")
        self._debounce_ms = settings.debounce_ms
        self._shortest_ms = 1000.0 / settings.max_per_s
        self._good = Kind(description.quantity, description.unit)
        super().__init__(description)

    @classmethod
    def faults_in(cls, common: CommonKeys, settings: BaseModel) -> list[str]:
        found = []
        if common.quantity != "count":
            found.append(f'quantity: a contact counts, so it must be "count", not "{common.quantity}"')
        if common.timing.mode != "on event":
            found.append(f'timing.mode: a contact speaks "on event", not "{common.timing.mode}"')
        if common.timing.max_silence_s is not None:
            found.append(
                "timing.max_silence_s: an open contact is silent for as long as it likes; leave it out"
            )
        return found

    def begin(self) -> None:
        self._closed: bool | None = None
        self._changed_ms = 0
        self._counted_ms: int | None = None
        self._count = 0

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        stop = data.find(b"\n", start)
        return None if stop < 0 else (stop, stop + 1)

    def decode(self, frame: bytes) -> Sample | None:
        """Says what one change means, see `Driver.decode`."""
        found = _LINE.fullmatch(frame)
        if found is None:
            raise FrameError("not a change of a contact", frame)
        closed, at_ms = found[1] == b"+", int(found[2])
        if self._closed is None:
            if at_ms != 0:
                raise FrameError("how the contact stood at first is missing", frame)
            self._closed = closed
            return Sample(self._good, 0.0)
        if at_ms < self._changed_ms or closed == self._closed:
            raise FrameError("a change that cannot follow the one before", frame)
        stood_ms = at_ms - self._changed_ms
        self._closed, self._changed_ms = closed, at_ms
        if not closed or stood_ms < self._debounce_ms:
            return None
        if self._counted_ms is not None and at_ms - self._counted_ms < self._shortest_ms:
            why = (
                f"closed again after {at_ms - self._counted_ms} ms, faster than anything counted here can be"
            )
            raise FrameError(why, frame)
        self._counted_ms = at_ms
        self._count += 1
        return Sample(self._good, float(self._count))
