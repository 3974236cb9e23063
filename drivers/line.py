"""Reads ASCII gauges that send one value per line; everything about the gauge stands in its description.

    bytes ──terminator──> line ──pattern──> words ──tables──> kind
                                    └─────> value ──strict decimal, sign, range──> sample

A value is never good when the line is damaged, out of range, in an unexpected unit or flagged. What cannot
be seen in a line without checksum is a digit that became another digit, or a sign the other sign.
"""

import re
from collections.abc import Callable, Sequence
from functools import reduce
from math import isnan, nan
from operator import itemgetter, xor
from typing import ClassVar

from drivers.base import SPOILING, Batch, Driver, FrameError, Kind, Sample
from drivers.description import UNITS, GaugeDescription
from drivers.line_settings import LineSettings
from drivers.shapes import Meaning, NumericPart, ShapeReader, cut_lines, digits_are_alike

Words = tuple[bytes | None, ...]

_NUMBER = {".": re.compile(rb"[+-]?\d+(?:\.\d+)?"), ",": re.compile(rb"[+-]?\d+(?:,\d+)?")}
_WORD_GROUPS = ("unit", "flags", "mode", "channel")
UNKNOWN_UNIT = "?"
"""Unit of a sample whose unit is in no table: naming each would let garbage fill memory with kinds."""


_REST_OF_LINE = 32
"""A guess at the bytes still to come: it only says how long to wait before looking again."""


class LineDriver(Driver):
    """Driver of the family "line".

    Raises:
        TypeError: the description is of another family.
    """

    settings_key = "line"
    Settings: ClassVar[type[LineSettings]] = LineSettings

    def __init__(self, description: GaugeDescription) -> None:
        settings = description.settings_as(LineSettings, "line")
        self._line = settings
        self._terminator = settings.terminator
        self.max_frame_bytes = settings.max_line_bytes
        self.split_tail_bytes = len(settings.terminator) - 1
        self.first_may_be_cut = settings.first_line == "may be cut"
        self._negated = description.quantity == "force" and description.tension == "negative"
        self._number = _NUMBER[settings.decimal]
        self._comma = settings.decimal == ","
        self._read_pattern(settings.line)
        self._idle = settings.idle_lines
        self._meanings: dict[Words, Meaning] = {}
        super().__init__(description)
        self._shapes = ShapeReader(self._numeric_part, negated=self._negated)
        # Checksums and running numbers are digits that mean something line by line.
        if digits_are_alike(settings.pattern) and not {"check", "number"} & settings.line.groupindex.keys():
            self.bulk_from_bytes = 320

    def _read_pattern(self, pattern: re.Pattern[bytes]) -> None:
        self._match = pattern.fullmatch
        place = {name: index - 1 for name, index in pattern.groupindex.items()}
        self._value_place = place["value"]
        self._number_place = place.get("number")
        self._has_check = "check" in place
        self._word_groups = tuple(name for name in _WORD_GROUPS if name in place)
        self._words_of = _picker([place[name] for name in self._word_groups])

    def begin(self) -> None:
        self._last_number: bytes | None = None
        self._last_line = b""

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        stop = data.find(self._terminator, start)
        return None if stop < 0 else (stop, stop + len(self._terminator))

    def missing(self, received: bytes) -> int:
        return 0 if self._terminator in received else _REST_OF_LINE

    def decode(self, frame: bytes) -> Sample | None:
        """Says what one line means, see `Driver.decode`."""
        read = self._read(frame)
        return None if read is None else Sample(self._kinds[read[1]], read[0])

    def decode_all(self, frames: Sequence[bytes], ends: Sequence[int]) -> Batch:
        values: list[float] = []
        kept: list[int] = []
        numbers: list[int] = []
        errors: list[FrameError] = []
        for frame, end in zip(frames, ends, strict=True):
            try:
                read = self._read(frame)
            except FrameError as error:
                errors.append(FrameError(error.why, frame, end))
                continue
            if read is not None:
                values.append(read[0])
                numbers.append(read[1])
                kept.append(end)
        return self.batch(values, kept, numbers, errors)

    def decode_bulk(self, data: bytes, start: int, origin: int) -> tuple[Batch, int] | None:
        lines = cut_lines(data, start, self._terminator, self.max_frame_bytes)
        if lines is None:
            return None
        values, numbers = self._shapes.read(lines)
        ends = lines.nexts + origin
        errors: list[FrameError] = []
        for index in (numbers < 0).nonzero()[0].tolist():
            line = data[lines.starts[index] : lines.stops[index]]
            try:
                read = self._read(line)
            except FrameError as error:
                errors.append(FrameError(error.why, line, int(ends[index])))
                continue
            if read is not None:
                values[index], numbers[index] = read
        kept = numbers >= 0
        if not kept.all():
            values, ends, numbers = values[kept], ends[kept], numbers[kept]
        return Batch(values, ends, numbers, self._kinds, errors), int(lines.nexts[-1])

    def _read(self, line: bytes) -> tuple[float, int] | None:
        """The value and the number of its kind; None for a line that rightly carries none."""
        body = self._body(line)
        match = self._match(body)
        if match is None:
            if any(idle.fullmatch(body) for idle in self._idle):
                return None
            raise FrameError("the line does not follow the pattern", line)
        groups: Words = match.groups()
        if self._has_check:
            self._check(match)
        words = self._words_of(groups)
        meaning = self._meanings.get(words) or self._meaning(words, line)
        value = self._value(groups[self._value_place], meaning, line)
        if self._number_place is not None and self._asked_twice(groups[self._number_place], line):
            return None
        if meaning.low <= value <= meaning.high or isnan(value):
            return value, meaning.number
        return value, meaning.number_outside

    def _body(self, line: bytes) -> bytes:
        start = self._line.start
        if not start:
            return line
        if not line.startswith(start):
            raise FrameError(f"the line does not begin with {start!r}", line)
        return line[1:]

    def _value(self, text: bytes | None, meaning: Meaning, line: bytes) -> float:
        if text is None:
            if meaning.spoilt:
                return nan
            raise FrameError("the line has no number, and no flag that says why", line)
        # float() alone would also take "nan", "inf", "1_0" and "1e3".
        if self._number.fullmatch(text) is None:
            raise FrameError("the value is not a signed decimal", line)
        value = float(text.replace(b",", b".") if self._comma else text)
        # Adding zero makes -0.0 the 0.0 a person means.
        return (-value if self._negated else value) + 0.0

    def _check(self, match: re.Match[bytes]) -> None:
        checksum = self._line.checksum
        said = match["check"]
        if checksum is None or said is None:
            raise FrameError("the line has no checksum", match.string)
        stop = match.start("check") - len(checksum.separator)
        if stop < 0 or match.string[stop : match.start("check")] != checksum.separator:
            raise FrameError(f"no {checksum.separator!r} in front of the checksum", match.string)
        covered = match.string[:stop]
        found = reduce(xor, covered, 0) if checksum.kind == "xor8" else sum(covered) & 0xFF
        if said.upper() != b"%02X" % found:
            raise FrameError(f"checksum is {found:02X}, the line says {said!r}", match.string)

    def _asked_twice(self, number: bytes | None, line: bytes) -> bool:
        """True if this measurement was already delivered and is only repeated."""
        if number is None:
            return False
        if number == self._last_number:
            if line == self._last_line:
                return True
            raise FrameError("a running number came again with another line", line)
        self._last_number, self._last_line = number, line
        return False

    def _meaning(self, words: Words, line: bytes) -> Meaning:
        """Looks the words up in the description's tables, and remembers the answer."""
        said = dict(zip(self._word_groups, words, strict=True))
        flags = {*self._flags(said.get("flags"), line), *self._mode_flags(said.get("mode"), line)}
        channel = self._channel(said.get("channel"), line)
        unit, factor = self._unit(said.get("unit"))
        if factor is None:
            flags.add("wrong unit")
            factor = 1.0
        low, high = self.description.range
        quantity = self.description.quantity
        outside = Kind(quantity, unit, channel, frozenset({*flags, "out of range"}))
        meaning = Meaning(
            self.kind_number(Kind(quantity, unit, channel, frozenset(flags))),
            self.kind_number(outside),
            low * factor,
            high * factor,
            bool(flags & SPOILING),
        )
        if unit != UNKNOWN_UNIT:
            self._meanings[words] = meaning
        return meaning

    def _flags(self, word: bytes | None, line: bytes) -> Sequence[str]:
        if word is None:
            return ()
        found = self._line.flags.get(word.decode("latin-1"))
        if found is None:
            raise FrameError(f"flag {word!r} is not in the description", line)
        return found

    def _mode_flags(self, word: bytes | None, line: bytes) -> Sequence[str]:
        if word is None:
            return ()
        reason = self._line.modes.get(word.decode("latin-1"))
        if reason is None:
            raise FrameError(f"mode {word!r} is not in the description", line)
        return ("fault", reason) if reason else ()

    def _channel(self, word: bytes | None, line: bytes) -> str | None:
        if word is None:
            return None
        channel = word.decode("latin-1")
        if channel not in self._line.channels:
            raise FrameError(f"channel {word!r} is not in the description", line)
        return channel

    def _unit(self, word: bytes | None) -> tuple[str, float | None]:
        """The unit's name, and how many of it make one of the description's; None if it is unexpected."""
        described = self.description.unit
        if word is None:
            return described, 1.0
        unit = self._line.units.get(word.decode("latin-1"))
        sizes = UNITS[self.description.quantity]
        if unit is not None and unit in sizes:
            return unit, sizes[described] / sizes[unit]
        return UNKNOWN_UNIT, None

    def _numeric_part(self, line: bytes) -> NumericPart | None:
        """Where the value stands in lines of this shape, and what they mean; None if not that simple."""
        try:
            if self._read(line) is None:
                return None
        except FrameError:
            return None
        match = self._match(self._body(line))
        # A digit inside a word is not alike in all lines of the shape.
        if match is None or match["value"] is None:
            return None
        words = self._words_of(match.groups())
        if any(word and re.search(rb"\d", word) for word in words):
            return None
        first, last = (place + len(self._line.start) for place in match.span("value"))
        return NumericPart(first, last, self._meaning(words, line))


def _picker(places: list[int]) -> Callable[[Words], Words]:
    """Takes the items at `places` out of a tuple, as a tuple."""
    if not places:
        return lambda groups: ()
    if len(places) == 1:
        only = places[0]
        return lambda groups: (groups[only],)
    return itemgetter(*places)
