"""Both readers of recordings brought to one form, so that they can be compared."""

from collections.abc import Iterator
from pathlib import Path

from acquire.errors import RecordingError
from acquire.recordings import Columns, Line, read_columns, read_recording

Outcome = tuple[list[Line], str | None, str | None]
"""The lines up to the first damaged one, what the error said from "line" on, and what was cut off."""


def from_lines(path: Path) -> Outcome:
    found: list[Line] = []
    _, lines = read_recording(path)
    try:
        found.extend(lines)
    except RecordingError as error:
        return found, _words(error), lines.cut
    return found, None, lines.cut


def from_columns(path: Path, block_bytes: int = 1 << 19) -> Outcome:
    found: list[Line] = []
    blocks = read_columns(path, block_bytes=block_bytes)
    try:
        for columns in blocks:
            found.extend(_lines(columns))
    except RecordingError as error:
        return found, _words(error), blocks.cut
    return found, None, blocks.cut


def _lines(columns: Columns) -> Iterator[Line]:
    begin = 0
    number = columns.first_number
    for t_us, end in zip(columns.t_us.tolist(), columns.ends.tolist(), strict=True):
        yield Line(t_us, "chunk", columns.data[begin:end], "", number)
        begin = end
        number += 1
    if columns.control is not None:
        yield columns.control


def _words(error: RecordingError) -> str:
    return str(error).partition(", ")[2]
