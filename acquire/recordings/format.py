"""The text of a recording: what a header and a line may say, and how they are written."""

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainSerializer, StringConstraints, ValidationError

from acquire.model import Model
from drivers.keys import OneLine

MAX_CHUNK_BYTES = 1 << 20
MAX_LINE_BYTES = 3 * MAX_CHUNK_BYTES + 64

LineKind = Literal["open", "chunk", "sent", "lost", "closed"]
MarkKind = Literal["open", "lost", "closed"]

_UTC_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"
_EVENT = re.compile(rb"\+([0-9]{1,9})(?:\.([0-9]{1,6}))? ([<>!]) (.+)", re.DOTALL)
_HEX = re.compile(rb"(?:[0-9A-F]{2} )*[0-9A-F]{2}")
_MARK = re.compile(r"(open|lost|closed)(?: (\S(?:.*\S)?))?")
_MARK_KINDS: dict[str, MarkKind] = {"open": "open", "lost": "lost", "closed": "closed"}
_MAX_NOTE_CHARS = 300


def _read_utc(value: object) -> datetime:
    """Takes a UTC time with `Z`; pydantic alone would also take a bare number for one."""
    if isinstance(value, datetime) and value.tzinfo is not None:
        return value.astimezone(UTC)
    if isinstance(value, str) and value.endswith("Z"):
        return datetime.fromisoformat(value)
    raise ValueError("must be a UTC time such as 2031-05-04T08:00:00.000000Z")


Utc = Annotated[
    datetime, BeforeValidator(_read_utc), PlainSerializer(lambda value: value.strftime(_UTC_FORMAT))
]


class Header(Model):
    """What a recording says of itself.

    `driver` is the name of the gauge's description, `device` the gauge's name on the bench, and
    `start_utc` the moment its times count from; a `Recorder` fills it in if it is None.
    """

    format: Literal["panelwright-rec 1"] = "panelwright-rec 1"
    driver: OneLine
    description_sha256: Annotated[str, StringConstraints(pattern="^[0-9a-f]{64}$")] | None = None
    device: OneLine | None = None
    firmware: OneLine | None = None
    port: OneLine | None = None
    start_utc: Utc | None = Field(default=None)
    scenario: OneLine | None = None
    expect: Literal["readings", "nothing"] = "readings"

    def to_text(self) -> str:
        """The header's lines, each with its newline."""
        values = self.model_dump(exclude_none=True)
        return "".join(f"# {key.replace('_', '-')}: {value}\n" for key, value in values.items())


HEADER_KEYS = tuple(name.replace("_", "-") for name in Header.model_fields)


def check_key(key: str, seen: Mapping[str, Any]) -> None:
    """Raises ValueError unless `key` is a header key not seen before; names the nearest known one."""
    if key in seen:
        raise ValueError(f"header key {key!r} appears twice")
    if key not in HEADER_KEYS:
        near = difflib.get_close_matches(key, HEADER_KEYS, n=1)
        known = f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(HEADER_KEYS)}"
        raise ValueError(f"unknown header key {key!r}; {known}")


def make_header(values: Mapping[str, str]) -> Header:
    """Builds a header from its keys as written; raises ValueError naming every fault in it."""
    missing = [key for key in ("format", "driver", "start-utc") if key not in values]
    if missing:
        raise ValueError(f"the header lacks {', '.join(missing)}")
    try:
        return Header.model_validate({key.replace("-", "_"): value for key, value in values.items()})
    except ValidationError as error:
        faults = (
            f"{str(fault['loc'][0]).replace('_', '-')}: {fault['msg'].removeprefix('Value error, ')}"
            for fault in error.errors()
        )
        raise ValueError("header: " + "; ".join(faults)) from error


@dataclass(frozen=True, slots=True)
class Line:
    """One event of a recording: `data` for chunk and sent, `note` for open, lost and closed.

    `t_us` counts microseconds from the start of the recording; `number` is the line number in the file.
    """

    t_us: int
    kind: LineKind
    data: bytes
    note: str
    number: int


def tidy_note(note: str) -> str:
    """The note as it can stand in a recording: one short line, single blanks, printable."""
    words = " ".join(note.split())[:_MAX_NOTE_CHARS].rstrip()
    return "".join(char if char.isprintable() else "?" for char in words)


def format_time(t_us: int) -> str:
    seconds, micros = divmod(t_us, 1_000_000)
    return f"+{seconds}.{micros:06d}"


def format_bytes(t_us: int, sign: Literal["<", ">"], data: bytes) -> bytes:
    return f"{format_time(t_us)} {sign} {data.hex(' ').upper()}\n".encode("ascii")


def format_mark(t_us: int, kind: MarkKind, note: str) -> bytes:
    return f"{format_time(t_us)} ! {kind} {note}".rstrip(" ").encode() + b"\n"


def parse_line(text: bytes, number: int, earliest_us: int) -> Line:
    """Reads one event line (without its newline).

    Raises:
        ValueError: the line is not as `Recorder` writes it, or its time lies before `earliest_us`.
    """
    found = _EVENT.fullmatch(text)
    if found is None:
        raise ValueError(f"not an event line: {_shown(text)}")
    seconds, fraction, sign, rest = found.groups()
    t_us = int(seconds) * 1_000_000 + int((fraction or b"0").ljust(6, b"0"))
    if t_us < earliest_us:
        raise ValueError(f"time goes back from {format_time(earliest_us)} to {format_time(t_us)}")
    if sign == b"!":
        words = _decode(rest)
        mark = _MARK.fullmatch(words)
        if mark is None or not words.isprintable():
            raise ValueError(f"after '!' must come open, lost or closed, and a note: {_shown(rest)}")
        return Line(t_us, _MARK_KINDS[mark[1]], b"", mark[2] or "", number)
    if _HEX.fullmatch(rest) is None:
        raise ValueError(f"bytes must be pairs of 0-9 A-F, one blank between: {_shown(rest)}")
    return Line(t_us, "chunk" if sign == b"<" else "sent", bytes.fromhex(rest.decode()), "", number)


def _decode(text: bytes) -> str:
    try:
        return text.decode()
    except UnicodeDecodeError as error:
        raise ValueError(f"not UTF-8 text: {_shown(text)}") from error


def _shown(text: bytes) -> str:
    return repr(text[:60]) + (" ..." if len(text) > 60 else "")
