"""Reads gauges that speak SCPI over a serial line: identity, a measuring query, an error queue (IEEE 488.2).

    *IDN? ──> who it is, held against the serial number expected
    query ──> numbers in NR1, NR2 or NR3; 9.91E37 is no value, ±9.9E37 is beyond the gauge
    SYST:ERR? ──> each error told; the value behind an error is not good

A reply does not say what it answers: it counts for the request in front of it.
"""

import re
from collections.abc import Sequence
from math import isclose, nan
from typing import ClassVar

from pydantic import BaseModel

from drivers.base import Driver, FrameError, Kind, Sample
from drivers.description import UNITS, CommonKeys, GaugeDescription
from drivers.pairing import Pairing
from drivers.plan import Plan, Request
from drivers.scpi_settings import ScpiSettings

_NUMBER = re.compile(rb"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[Ee][+-]?\d{1,3})?")
_ERROR = re.compile(rb'([+-]?\d{1,5}),\s*"([^"]{0,255})"(?:;.*)?')
NOT_A_NUMBER, INFINITY = 9.91e37, 9.9e37
"""What SCPI sends in place of a value. Single precision brings them apart by 1e-7; they differ by 1e-3."""
_SAME = 1e-5

MISSES_TOLD_N = 3
_QUERY_ERROR = range(-499, -399)
_COMMAND_ERROR = range(-199, -99)
_REST_OF_LINE = 32
UNKNOWN_UNIT = "?"


class ScpiDriver(Driver):
    """Driver of the family "scpi".

    Raises:
        TypeError: the description is of another family.
    """

    settings_key = "scpi"
    Settings: ClassVar[type[ScpiSettings]] = ScpiSettings
    asks_itself = True

    def __init__(self, description: GaugeDescription) -> None:
        settings = description.settings_as(ScpiSettings, "scpi")
        self._settings = settings
        self._terminator = settings.terminator
        self.max_frame_bytes = settings.max_reply_bytes
        self.split_tail_bytes = len(settings.terminator) - 1
        self._measure = settings.query.encode() + settings.request_end
        self._identify = b"*IDN?" + settings.request_end
        self._errors = settings.error_query.encode() + settings.request_end
        self._pairing = Pairing()
        super().__init__(description)

    @classmethod
    def faults_in(cls, common: CommonKeys, settings: BaseModel) -> list[str]:
        assert isinstance(settings, ScpiSettings)
        sizes = UNITS[common.quantity]
        found = [
            f"scpi.units: {word!r} stands for {unit!r}, no unit of {common.quantity}: {', '.join(sizes)}"
            for word, unit in settings.units.items()
            if unit not in sizes
        ]
        if common.quantity in ("force", "count") and settings.fields.count("value") > 1:
            found.append(f"scpi.fields: a gauge for {common.quantity} has one value of it")
        return found

    def begin(self) -> None:
        self._pairing.clear()
        self.identity: tuple[str, ...] | None = None
        """Maker, model, serial number and firmware, once told."""
        self._error: str | None = None
        expected = self._settings.serial_number
        self._refusal = None if expected is None else f"whether it is number {expected} is not known yet"
        self._stranger: str | None = None
        self.complaint = None

    def plan(self) -> Plan:
        settings = self._settings
        measure = Request(self._measure, self.missing, 1, self._ask_why)
        identify = Request(self._identify, self.missing, 0, self._ask_who)
        # A queue that is never asked by the clock is still asked when a reply gives reason to.
        errors = Request(self._errors, self.missing, settings.errors_every_n, self._ask_again)
        timed = (errors,) if settings.errors_every_n else ()
        return Plan(
            (identify, measure, *timed),
            byte_s=self.description.serial.byte_s,
            followed_by=frozenset({self._errors}),
        )

    def _ask_who(self, reply: bytes) -> Request | None:
        """Until an identity comes, not a rest of what was under way when the port was opened."""
        if _identity(reply.rstrip(b"\r\n")) is not None:
            return None
        return Request(self._identify, self.missing, 0, self._ask_who)

    def _ask_again(self, reply: bytes) -> Request | None:
        """Until the queue is empty."""
        found = _ERROR.fullmatch(reply.strip())
        return (
            Request(self._errors, self.missing, 1, self._ask_again)
            if found is not None and int(found[1]) != 0
            else None
        )

    def _ask_why(self, reply: bytes) -> Request | None:
        """A reply without good numbers may have an error behind it."""
        fields = reply.strip().split(self._settings.separator.encode())
        numbers = [
            field.strip()
            for field, meant in zip(fields, self._settings.fields, strict=False)
            if meant == "value"
        ]
        if len(fields) == len(self._settings.fields) and all(
            _NUMBER.fullmatch(number) and abs(float(number)) < INFINITY * (1 - _SAME) for number in numbers
        ):
            return None
        return Request(self._errors, self.missing, 1, self._ask_again)

    def missing(self, received: bytes) -> int:
        return 0 if self._terminator in received else _REST_OF_LINE

    def asked(self, data: bytes) -> list[FrameError]:
        # A late value is stale; a late identity or error says what a prompt one would have said.
        shape = "value" if data == self._measure else object()
        if not self._pairing.sent(data, shape):
            return []
        if self._pairing.unanswered_n == MISSES_TOLD_N:
            self.complaint = f"no reply to {MISSES_TOLD_N} requests; it is still asked"
        return [FrameError("no reply to the request before", data, self._start + len(self._waiting))]

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        stop = data.find(self._terminator, start)
        return None if stop < 0 else (stop, stop + len(self._terminator))

    def decode(self, frame: bytes) -> Sequence[Sample] | None:
        """Says what one reply means, see `Driver.decode`."""
        request = self._pairing.reply(frame)
        self.complaint = self._stranger
        if request == self._identify:
            self._meet(frame)
            return None
        if request == self._errors:
            self._note_error(frame)
            return None
        return self._values(frame)

    def _meet(self, frame: bytes) -> None:
        """The reply to *IDN?: four fields, at most 72 characters."""
        identity = _identity(frame)
        if identity is None:
            raise FrameError("not an identity: four fields with commas between, 72 characters at most", frame)
        self.identity = identity
        expected = self._settings.serial_number
        if expected in (None, self.identity[2]):
            self._refusal = self._stranger = self.complaint = None
            return
        self._refusal = f"it is not number {expected}"
        self._stranger = self.complaint = (
            f"it says it is number {self.identity[2]}, not {expected}: another gauge is plugged in"
        )
        raise FrameError(f"the gauge is not number {expected}", frame)

    def _note_error(self, frame: bytes) -> None:
        found = _ERROR.fullmatch(frame.strip())
        if found is None:
            raise FrameError("not an entry of an error queue", frame)
        code = int(found[1])
        if code == 0:
            return
        # An error in a command or a query says nothing about the measurement; all others may.
        if code not in _COMMAND_ERROR and code not in _QUERY_ERROR:
            self._error = "the gauge reported an error just before"
        raise FrameError(f"the gauge reports error {code}, {found[2].decode('latin-1')}", frame)

    def _values(self, frame: bytes) -> list[Sample]:
        settings = self._settings
        fields = [field.strip() for field in frame.split(settings.separator.encode())]
        error, self._error = self._error, None
        if len(fields) != len(settings.fields):
            raise FrameError(f"{len(settings.fields)} fields were expected, {len(fields)} came", frame)
        numbers = [field for field, meant in zip(fields, settings.fields, strict=True) if meant == "value"]
        word = next(
            (field for field, meant in zip(fields, settings.fields, strict=True) if meant == "unit"), None
        )
        if any(_NUMBER.fullmatch(number) is None for number in numbers):
            raise FrameError("a value is not a number", frame)
        flags = set[str]()
        for reason in (self._refusal, error):
            if reason is not None:
                flags |= {"fault", reason}
        unit, factor = self._unit(word)
        if factor is None:
            flags.add("wrong unit")
        channels: Sequence[str | None] = settings.channels or [None] * len(numbers)
        return [
            self._sample(float(number), unit, factor or 1.0, channel, flags)
            for number, channel in zip(numbers, channels, strict=True)
        ]

    def _unit(self, word: bytes | None) -> tuple[str, float | None]:
        """The unit's name, and how many of it make one of the description's; None if it is unexpected."""
        described = self.description.unit
        if word is None:
            return described, 1.0
        unit = self._settings.units.get(word.decode("latin-1"))
        if unit is None:
            return UNKNOWN_UNIT, None
        sizes = UNITS[self.description.quantity]
        return unit, sizes[described] / sizes[unit]

    def _sample(
        self, number: float, unit: str, factor: float, channel: str | None, flags: set[str]
    ) -> Sample:
        own = set(flags)
        if isclose(number, NOT_A_NUMBER, rel_tol=_SAME):
            own |= {"fault", "the gauge has no value"}
            number = nan
        elif abs(number) >= INFINITY * (1 - _SAME):
            own.add("overload")
            number = nan
        elif self.description.quantity == "force" and self.description.tension == "negative":
            number = -number
        low, high = self.description.range
        if number < low * factor or number > high * factor:
            own.add("out of range")
        return Sample(Kind(self.description.quantity, unit, channel, frozenset(own)), number + 0.0)


def _identity(reply: bytes) -> tuple[str, ...] | None:
    """The four fields of a reply to *IDN?; None if it is none."""
    fields = tuple(field.strip() for field in reply.decode("latin-1").split(","))
    return fields if len(fields) == 4 and len(reply) <= 72 and reply.isascii() else None
