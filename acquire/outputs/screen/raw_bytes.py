"""The bytes that one reading rests on, out of its recording."""

from dataclasses import dataclass
from pathlib import Path

from acquire.errors import RecordingError
from acquire.model import RawRef
from acquire.recordings import read_columns

ROW_BYTES = 16
PART_BYTES = 2048
"""So many are shown at once: a long pull of a fast gauge has hundreds of thousands."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of the bytes, as rows for people."""

    rows: str
    """In each: offset since the opening, hexadecimal, printable ASCII with a dot for all else."""
    number: int
    """From 1."""
    of: int


def bytes_of(folder: Path, raw: RawRef) -> bytes:
    """All bytes of a reading; of one that was typed in from a table, its line.

    Raises:
        RecordingError: the recording is missing or damaged, or does not hold them.
    """
    path = folder / raw.recording
    data = _recorded(path, raw) if path.suffix == ".rec" else _typed(path, raw)
    if len(data) != raw.last_byte - raw.first_byte:
        raise RecordingError(
            f"{raw.recording} holds {len(data)} of the {raw.last_byte - raw.first_byte} bytes",
            hint="restore it from a copy, then verify the bench",
        )
    return data


def _recorded(path: Path, raw: RawRef) -> bytes:
    opening, offset, found = -1, 0, bytearray()
    for block in read_columns(path):
        if max(0, opening) == raw.opening:
            found += block.data[max(0, raw.first_byte - offset) : max(0, raw.last_byte - offset)]
        offset += len(block.data)
        if offset >= raw.last_byte and opening >= raw.opening:
            break
        if block.control is not None and block.control.kind == "open":
            opening, offset = opening + 1, 0
            if opening > raw.opening:
                break
    return bytes(found)


def _typed(path: Path, raw: RawRef) -> bytes:
    try:
        return path.read_bytes()[raw.first_byte : raw.last_byte]
    except OSError as error:
        raise RecordingError(f"{path.name} cannot be read: {error.strerror}", hint="restore it") from error


def part_of(data: bytes, first_byte: int, number: int) -> Part:
    """One part of the bytes, in rows; a number beyond the last gives the last.

    Args:
        first_byte: offset of the first of `data` since the opening.
    """
    of = max(1, -(-len(data) // PART_BYTES))
    number = min(max(1, number), of)
    begin = (number - 1) * PART_BYTES
    shown = data[begin : begin + PART_BYTES]
    rows = (
        _row(shown[at : at + ROW_BYTES], first_byte + begin + at) for at in range(0, len(shown), ROW_BYTES)
    )
    return Part("\n".join(rows), number, of)


def _row(data: bytes, offset: int) -> str:
    text = "".join(chr(one) if 0x20 <= one < 0x7F else "." for one in data)
    return f"{offset:>9}  {data.hex(' ').upper():<{3 * ROW_BYTES - 1}}  {text}"
