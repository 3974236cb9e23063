"""Reads a recording in bulk: received bytes and their times as columns, for replay at full speed.

A block of text is taken apart with numpy. Lines exactly as `Recorder` writes a received chunk are handled
together; every other line (marks, sent bytes, hand-written forms, damage) goes through the same
`parse_line` as in the line reader, so both readers agree by construction.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acquire.errors import RecordingError
from acquire.recordings.format import MAX_LINE_BYTES, Header, Line
from acquire.recordings.reader import Tail, note_cut, open_recording, parse_or_raise

Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

_MAX_SECOND_DIGITS = 9

_NIBBLE = np.full(256, 255, dtype=np.uint8)
_NIBBLE[np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)] = np.arange(16, dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class Columns:
    """A run of received chunks and the line that ended it.

    `data` is the chunks' bytes joined; chunk i ends at `ends[i]` in it and was read at `t_us[i]`
    (both int64, one entry per chunk; microseconds from the start of the recording). `control` is the
    mark or sent line behind the run, None if the run ended only because the block was full.
    `first_number` is the line number of the first chunk (of `control`, if there is no chunk).
    """

    data: bytes
    t_us: NDArray[np.int64]
    ends: NDArray[np.int64]
    control: Line | None
    first_number: int


class ColumnBlocks(Iterator[Columns]):
    """The columns of a recording in order, its header, and, at the end, whether its last line was cut."""

    def __init__(self, header: Header, blocks: Iterator[Columns], tail: Tail) -> None:
        self.header = header
        self._blocks = blocks
        self._tail = tail

    def __next__(self) -> Columns:
        return next(self._blocks)

    @property
    def cut(self) -> str | None:
        """As `Lines.cut`."""
        return self._tail.cut


def read_columns(path: Path, *, block_bytes: int = 1 << 19) -> ColumnBlocks:
    """Reads the same as `read_recording`, in columns, `block_bytes` of the file at a time.

    Raises:
        RecordingError: as `read_recording`, with the same words at the same line.
    """
    if block_bytes < 1:
        raise ValueError(f"a block has at least one byte, not {block_bytes}")
    file, header, number = open_recording(path)
    tail = Tail()
    return ColumnBlocks(header, _blocks(path, file, number, tail, block_bytes), tail)


def _blocks(
    path: Path, file: io.BufferedReader, number: int, tail: Tail, block_bytes: int
) -> Iterator[Columns]:
    t_us = 0
    rest = b""
    with file:
        while piece := file.read(block_bytes):
            cut_at = piece.rfind(b"\n") + 1
            if cut_at == 0:
                rest += piece
                if len(rest) >= MAX_LINE_BYTES:
                    break
                continue
            text, rest = rest + piece[:cut_at], piece[cut_at:]
            block = _Block(path, text, number, t_us)
            yield from block.columns()
            number += block.lines_n
            t_us = block.t_us
        if rest:
            note_cut(path, number, rest, tail)


class _Block:
    """Whole lines of text; `t_us` moves on to the time of the last line handed out."""

    def __init__(self, path: Path, text: bytes, number: int, t_us: int) -> None:
        self._path = path
        self._text = text
        self._number = number
        self.t_us = t_us
        codes = np.frombuffer(text, dtype=np.uint8)
        # Line i is text[starts[i]:stops[i]], its newline at stops[i].
        self._stops = np.flatnonzero(codes == ord("\n"))
        self._starts = np.concatenate(([0], self._stops[:-1] + 1))
        self.lines_n = len(self._stops)
        self._rows = _find_rows(codes, self._starts, self._stops)

    def columns(self) -> Iterator[Columns]:
        done = 0
        for odd in np.flatnonzero(~self._rows.plain).tolist():
            yield from self._run(done, odd)
            done = odd + 1
        if done < self.lines_n:
            yield from self._run(done, self.lines_n)

    def _run(self, first: int, odd: int) -> Iterator[Columns]:
        """Hands out the plain lines from `first` up to `odd`, and `odd` itself, which is not plain."""
        odd = self._first_step_back(first, odd)
        run = self._rows.columns(first, odd, self._number + first)
        if odd > first:
            self.t_us = int(run.t_us[-1])
        if odd == self.lines_n:
            yield run
            return
        text = self._text[self._starts[odd] : self._stops[odd]]
        try:
            line = parse_or_raise(self._path, text, self._number + odd, self.t_us)
        except RecordingError:
            if odd > first:
                yield run
            raise
        self.t_us = line.t_us
        if line.kind != "chunk":
            yield replace(run, control=line)
            return
        if odd > first:
            yield run
        yield _single(line)

    def _first_step_back(self, first: int, stop: int) -> int:
        """The first line in the range whose time lies before that of the line ahead of it, else `stop`."""
        times = self._rows.t_us[first:stop]
        if len(times) == 0:
            return stop
        if times[0] < self.t_us:
            return first
        back = np.flatnonzero(times[1:] < times[:-1])
        return first + 1 + int(back[0]) if len(back) else stop


@dataclass(frozen=True, slots=True)
class _Rows:
    """What the lines of a block hold, one entry per line; only entries where `plain` is set mean anything."""

    plain: NDArray[np.bool_]
    t_us: NDArray[np.int64]
    stops: NDArray[np.int64]
    """Where the line's bytes end in `data`; they begin where those of the line ahead end."""
    data: bytes

    def columns(self, first: int, stop: int, number: int) -> Columns:
        begin = int(self.stops[first - 1]) if first else 0
        end = int(self.stops[stop - 1]) if stop else 0
        ends = self.stops[first:stop] - begin
        return Columns(self.data[begin:end], self.t_us[first:stop], ends, None, number)


def _single(line: Line) -> Columns:
    times = np.array([line.t_us], dtype=np.int64)
    return Columns(line.data, times, np.array([len(line.data)], dtype=np.int64), None, line.number)


def _find_rows(codes: Codes, starts: Places, stops: Places) -> _Rows:
    """Takes all lines apart that read exactly `+S.UUUUUU < HH HH ...`, as `Recorder` writes them."""
    signs = _find_signs(codes, starts, stops)
    digits_n = signs - starts - 9
    payload = stops - signs - 1  # three characters a byte, counting the newline
    plain = (digits_n >= 1) & (digits_n <= _MAX_SECOND_DIGITS) & (payload >= 3) & (payload % 3 == 0)
    plain &= codes[starts] == ord("+")
    for back, char in ((8, "."), (1, " "), (-1, " ")):
        plain &= codes.take(signs - back, mode="clip") == ord(char)
    t_us = _read_times(codes, signs, digits_n, plain)
    bytes_n = np.where(plain, payload // 3, 0)
    byte_stops = np.cumsum(bytes_n)
    return _Rows(plain, t_us, byte_stops, _read_hex(codes, signs + 2, bytes_n, byte_stops, plain))


def _find_signs(codes: Codes, starts: Places, stops: Places) -> Places:
    """Where each line has its first '<'; its start, if it has none."""
    signs = np.flatnonzero(codes == ord("<"))
    if len(signs) == len(starts) and bool(np.all((signs > starts) & (signs < stops))):
        return signs
    if len(signs) == 0:
        return starts
    found = signs.take(np.searchsorted(signs, starts), mode="clip")
    return np.where((found > starts) & (found < stops), found, starts)


def _read_times(codes: Codes, signs: Places, digits_n: Places, plain: NDArray[np.bool_]) -> Places:
    """Microseconds of each line; clears `plain` where a digit is none."""
    t_us = np.zeros(len(signs), dtype=np.int64)
    seconds_digits = int(digits_n.max(where=plain, initial=0))
    # Behind the sign's blank: six digits, the point, then the digits of the seconds, from the right.
    places = [2, 3, 4, 5, 6, 7, *range(9, 9 + seconds_digits)]
    for power, back in enumerate(places):
        digits = codes.take(signs - back, mode="clip") - ord("0")
        present = digits_n > back - 9 if back > 9 else plain
        plain &= (digits <= 9) | ~present
        t_us += np.where(present, digits, 0) * np.int64(10**power)
    return t_us


def _read_hex(
    codes: Codes, begins: Places, bytes_n: Places, byte_stops: Places, plain: NDArray[np.bool_]
) -> bytes:
    """The bytes of all lines joined; clears `plain` where they are not hex pairs, one blank between."""
    total = int(byte_stops[-1])
    places = np.repeat(begins - 3 * (byte_stops - bytes_n), bytes_n) + 3 * np.arange(total)
    high = _NIBBLE[codes[places]]
    low = _NIBBLE[codes[places + 1]]
    parted = codes[places + 2] == ord(" ")
    parted[byte_stops[bytes_n > 0] - 1] = True  # the newline
    bad = np.flatnonzero(((high | low) > 15) | ~parted)
    plain[np.searchsorted(byte_stops, bad, side="right")] = False
    return (high << 4 | low).tobytes()
