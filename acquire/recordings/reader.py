"""Reads a recording line by line: strict about everything but a last line that was never finished."""

import io
from collections.abc import Iterator
from pathlib import Path

from acquire.errors import RecordingError
from acquire.recordings.format import MAX_LINE_BYTES, Header, Line, check_key, make_header, parse_line

_DAMAGE_HINT = (
    "The file was changed after it was recorded; restore it from a copy. Only a cut last line is forgiven."
)


class Tail:
    """What was found at the end of the file; filled in when its reader gets there."""

    cut: str | None = None


class Lines(Iterator[Line]):
    """The lines behind the header, in order. The file is open while lines are left to read.

    `cut` says so, once the last line was read, if the file ends in the middle of a line (its writer was
    killed); that line is left out even if what is there of it could be read. None: the file is whole.
    """

    def __init__(self, lines: Iterator[Line], tail: Tail) -> None:
        self._lines = lines
        self._tail = tail

    def __next__(self) -> Line:
        return next(self._lines)

    @property
    def cut(self) -> str | None:
        return self._tail.cut


def read_recording(path: Path) -> tuple[Header, Lines]:
    """Opens a recording and reads its header; the lines follow as they are asked for.

    Raises:
        RecordingError: the file cannot be read or its header is damaged; iterating raises it at the first
            damaged line, with the line number.
    """
    file, header, number = open_recording(path)
    tail = Tail()
    return header, Lines(_lines(path, file, number, tail), tail)


def read_header(path: Path) -> Header:
    """Reads only the header.

    Raises:
        RecordingError: the file cannot be read or its header is damaged.
    """
    file, header, _ = open_recording(path)
    file.close()
    return header


def open_recording(path: Path) -> tuple[io.BufferedReader, Header, int]:
    """Gives the file placed behind its header, the header, and the number of the line that comes next."""
    try:
        file = path.open("rb")
    except OSError as error:
        raise RecordingError(
            f"{path}: cannot be read: {error.strerror}", hint="Check the name and the permissions."
        ) from error
    try:
        header, number = _read_header(path, file)
    except BaseException:
        file.close()
        raise
    return file, header, number


def _read_header(path: Path, file: io.BufferedReader) -> tuple[Header, int]:
    values: dict[str, str] = {}
    number = 1
    try:
        while file.peek(1)[:1] == b"#":
            text = file.readline(MAX_LINE_BYTES)
            if not text.endswith(b"\n"):
                raise ValueError("the file ends inside its header")
            key, colon, value = text[1:-1].decode().strip(" ").partition(": ")
            if not colon:
                raise ValueError(f"a header line reads '# key: value', not {text[:60]!r}")
            check_key(key, values)
            if number == 1 and key != "format":
                raise ValueError("the first line must be '# format: panelwright-rec 1'")
            values[key] = value
            number += 1
        if not values:
            raise ValueError("not a recording: the first line must be '# format: panelwright-rec 1'")
        return make_header(values), number
    except UnicodeDecodeError as error:
        raise damage(path, number, "not UTF-8 text") from error
    except ValueError as error:
        raise damage(path, number, str(error)) from error


def _lines(path: Path, file: io.BufferedReader, number: int, tail: Tail) -> Iterator[Line]:
    t_us = 0
    with file:
        while text := file.readline(MAX_LINE_BYTES):
            if not text.endswith(b"\n"):
                note_cut(path, number, text, tail)
                return
            line = parse_or_raise(path, text[:-1], number, t_us)
            t_us = line.t_us
            yield line
            number += 1


def parse_or_raise(path: Path, text: bytes, number: int, earliest_us: int) -> Line:
    try:
        return parse_line(text, number, earliest_us)
    except ValueError as error:
        raise damage(path, number, str(error)) from error


def note_cut(path: Path, number: int, text: bytes, tail: Tail) -> None:
    """Forgives an unfinished last line, unless it is longer than any line can be."""
    if len(text) >= MAX_LINE_BYTES:
        raise damage(path, number, f"no end of line within {MAX_LINE_BYTES} bytes")
    tail.cut = f"line {number} is cut off after {len(text)} bytes; it was left out"


def damage(path: Path, number: int, why: str) -> RecordingError:
    return RecordingError(f"{path}, line {number}: {why}", hint=_DAMAGE_HINT)
