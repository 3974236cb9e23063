"""Reads somebody's force trace from a text file with columns: CSV and its cousins.

What the world sends: commas, semicolons, tabs or blanks between columns; decimal commas; title and unit rows;
comments; empty cells; a clock that stands still for several rows because it was printed too coarsely, or that
starts again because two runs were joined. A cell that should be a number and is not, is one clear error.
"""

import csv
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acquire.errors import SourceError

Floats = NDArray[np.float64]

TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
FORCE_UNITS = ("N", "kN", "mN", "kgf", "gf", "lbf", "ozf")
COMMENTS = ("#", "%", "//")
MISSING = {"", "-", "--", "nan", "null", "none", "n/a", "na"}


@dataclass(frozen=True, slots=True)
class Trace:
    """A force trace: `t` in s on the file's own axis, `f` in the file's unit, both of shape (n,).

    `breaks` holds the indices where the clock went back: a new run starts there.
    """

    t: Floats
    f: Floats
    breaks: tuple[int, ...]
    missing: int
    """Rows left out because a cell was empty."""
    time_unit: str
    """Of the file's own axis: as asked for, else as its title row says, else s."""
    force_unit: str | None
    """As the title row says, if it does."""


def read_trace(
    path: Path,
    *,
    time_column: str | None = None,
    force_column: str | None = None,
    time_unit: str | None = None,
) -> Trace:
    """Reads two columns, each named by its title or its index from 0; by default the first two.

    A unit in a title, such as "Time (ms)" or "Force [gf]", or alone in a row below it, is taken at its word.

    Raises:
        SourceError: the file cannot be read as such; the message says file, line and column.
    """
    try:
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}", hint="check the file's name and folder") from error
    rows = list(_rows(text, path))
    if not rows:
        raise SourceError(f"{path}: no data in it", hint="a time and a force column are needed")
    _refuse_split_numbers(rows, path)
    decimal_comma = _decimal_comma(rows)
    first = _first_of_data(rows, decimal_comma)
    if first is None:
        raise SourceError(
            f"{path}: no row with two numbers in it",
            hint="a time column (numbers in s, ms or us, not dates) and a force column are needed",
        )
    heads = [cells for _, cells in rows[:first]]
    width = len(rows[first][1])
    time_at = _column(time_column, 0, heads, width, path)
    force_at = _column(force_column, 1 if time_at == 0 else 0, heads, width, path)
    t, f, missing = _numbers(rows[first:], (time_at, force_at), heads, decimal_comma, path)
    if len(t) < 2:
        raise SourceError(f"{path}: fewer than two samples", hint="a trace needs at least a rest and a pull")
    time_unit = time_unit or _unit(heads, time_at, TIME_UNITS) or "s"
    t = t * TIME_UNITS[time_unit]
    breaks = tuple(int(i) + 1 for i in np.flatnonzero(np.diff(t) < 0))
    force_unit = _unit(heads, force_at, FORCE_UNITS)
    return Trace(_spread(t, breaks), f, breaks, missing, time_unit, force_unit)


def _rows(text: str, path: Path) -> Iterator[tuple[int, list[str]]]:
    lines = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith(COMMENTS)
    ]
    delimiter = _delimiter([line for _, line in lines])
    if delimiter is None:
        return ((number, line.split()) for number, line in lines)
    cells: Iterable[list[str]] = csv.reader((line for _, line in lines), delimiter=delimiter)
    return ((number, [cell.strip() for cell in row]) for (number, _), row in zip(lines, cells, strict=False))


def _refuse_split_numbers(rows: list[tuple[int, list[str]]], path: Path) -> None:
    """A file whose commas mark decimals and columns alike: every number is torn in two."""
    titles = len(rows[0][1])
    sample = [cells for _, cells in rows[len(rows) // 2 :][:50]]
    whole = all(cell.lstrip("+-").isdecimal() for cells in sample for cell in cells)
    if titles > 1 and whole and all(len(cells) == 2 * titles for cells in sample):
        raise SourceError(
            f"{path}: {titles} titles, {2 * titles} columns: its commas mark decimals and columns alike",
            hint="save it with semicolons between the columns, or with decimal points",
        )


def _delimiter(lines: list[str]) -> str | None:
    """The separator that the later lines (data, not titles) have in common; None for blanks."""
    sample = lines[len(lines) // 2 :][:50]
    for candidate in (";", "\t", ","):
        counts = {line.count(candidate) for line in sample}
        if sample and min(counts) >= 1 and (candidate != "," or len(counts) == 1):
            return candidate
    return None


def _decimal_comma(rows: list[tuple[int, list[str]]]) -> bool:
    """True if numbers in the data are written 1,5 (possible only where commas do not separate columns)."""
    sample = rows[len(rows) // 2 :][:50]
    return any("," in cell and "." not in cell for _, cells in sample for cell in cells)


def _number(cell: str, decimal_comma: bool) -> float | None:
    """The value of a cell; None if it is empty. Raises ValueError for text."""
    if cell.lower() in MISSING:
        return None
    if "_" in cell:
        raise ValueError(cell)  # float() would take 1_0
    return float(cell.replace(",", ".") if decimal_comma else cell)


def _numeric(cells: list[str], decimal_comma: bool) -> bool:
    """True for a row that holds at least two numbers and no text: the data start here."""
    try:
        found = [_number(cell, decimal_comma) for cell in cells]
    except ValueError:
        # Text columns beside the numbers (a date, a note) are allowed.
        return sum(_is_number(cell, decimal_comma) for cell in cells) >= 2
    return sum(value is not None for value in found) >= min(2, len(cells))


def _is_number(cell: str, decimal_comma: bool) -> bool:
    try:
        return _number(cell, decimal_comma) is not None
    except ValueError:
        return False


def _first_of_data(rows: list[tuple[int, list[str]]], decimal_comma: bool) -> int | None:
    """Index of the first row of numbers as wide as most; above it stand titles, units and remarks.

    A row with text beside its numbers ("Range, 0, 50") is data only if the next row is.
    """
    usual = Counter(len(cells) for _, cells in rows).most_common(1)[0][0]
    numeric = [len(cells) >= usual and _numeric(cells, decimal_comma) for _, cells in rows]
    for at, (_, cells) in enumerate(rows):
        if numeric[at] and (
            all(_readable(cell, decimal_comma) for cell in cells) or all(numeric[at : at + 2])
        ):
            return at
    return None


def _column(asked: str | None, default: int, heads: list[list[str]], width: int, path: Path) -> int:
    if asked is None:
        at = default
    elif (titles := next((head for head in heads if asked in head), None)) is not None:
        return titles.index(asked)
    elif asked.isdecimal():
        at = int(asked)
    else:
        titles = _titles(heads)
        known = ", ".join(repr(title) for title in titles) or "none: the file has no title row"
        raise SourceError(f"{path}: no column {asked!r}; its columns are {known}", hint="or give an index")
    if at >= width:
        raise SourceError(
            f"{path}: no column {at}; the rows have {width} columns, counted from 0",
            hint="name them with --time-column and --force-column",
        )
    return at


def _unit(heads: list[list[str]], at: int, known: Iterable[str]) -> str | None:
    """The unit that the rows above the data give for a column; None if they give none, or two."""
    named = "|".join(known)
    found = set()
    for head in heads:
        cell = head[at] if at < len(head) else ""
        unit = re.fullmatch(rf"(?:.*[(\[/]\s*)?({named})\s*[)\]]?", cell)
        if unit is not None:
            found.add(unit[1])
    return found.pop() if len(found) == 1 else None


def _titles(heads: list[list[str]]) -> list[str]:
    """The row above the data that names the most columns in words; empty if there is none."""
    return max(heads, key=lambda head: sum(cell[:1].isalpha() for cell in head), default=[])


def _numbers(
    rows: list[tuple[int, list[str]]],
    columns: tuple[int, int],
    heads: list[list[str]],
    comma: bool,
    path: Path,
) -> tuple[Floats, Floats, int]:
    values: tuple[list[float], list[float]] = ([], [])
    missing = 0
    for line, cells in rows:
        try:
            t, f = (_number(cells[at], comma) if at < len(cells) else None for at in columns)
        except ValueError:
            bad = next(at for at in columns if at < len(cells) and not _readable(cells[at], comma))
            titles = _titles(heads)
            title = f" ({titles[bad]})" if bad < len(titles) else ""
            raise SourceError(
                f"{path}, line {line}, column {bad}{title}: {cells[bad]!r} is not a number",
                hint="mend or remove that line",
            ) from None
        if t is None or f is None or not (np.isfinite(t) and np.isfinite(f)):
            missing += 1
            continue
        values[0].append(t)
        values[1].append(f)
    return np.array(values[0]), np.array(values[1]), missing


def _readable(cell: str, comma: bool) -> bool:
    try:
        _number(cell, comma)
    except ValueError:
        return False
    return True


def _spread(t: Floats, breaks: tuple[int, ...]) -> Floats:
    """Shares a time printed on several rows evenly among them: a coarse clock, not samples at once."""
    if not len(t) or np.all(np.diff(t) != 0):
        return t
    spread = t.copy()
    for start, stop in zip((0, *breaks), (*breaks, len(t)), strict=True):
        run = t[start:stop]
        stamps, first, counts = np.unique(run, return_index=True, return_counts=True)
        if len(stamps) < 2:
            continue
        tick = float(np.median(np.diff(stamps)))
        room = np.append(np.minimum(np.diff(stamps), 2 * tick), tick)
        place = np.arange(len(run)) - np.repeat(first, counts)
        spread[start:stop] = run + place * np.repeat(room / counts, counts)
    return spread
