"""Figures of a published folder besides pulls: gloss strips, washing, ratings, standings."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from acquire.outputs.drawing import Axis, Canvas, across

WIDTH = 440
_ROW = 24
_TOP = 14
_FOOT = 36
_LETTER_PX = 6.3
MOST_NAME = 26


@dataclass(frozen=True, slots=True)
class Strip:
    """One row of dots: the readings of one panel before or after, or its rating."""

    name: str
    values: tuple[float, ...]
    """Those that count."""
    out: tuple[float, ...] = ()
    """Those that do not."""
    mean: float | None = None
    bare: bool = False


@dataclass(frozen=True, slots=True)
class Lane:
    """One panel under the wash machine, in strokes really counted."""

    name: str
    passed_at: tuple[int, ...]
    failed_at: tuple[int, ...]
    lasted: int
    """At the last inspection that was passed before any failure."""
    failed: int | None
    """At the first that was not; None: it never failed."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One row of standings: its figure and how far it may be off."""

    name: str
    value: float
    low: float
    high: float
    at_least: bool
    letters: str = ""


def strips(
    rows: Sequence[Strip], title: str, alt: str, *, scale: tuple[float, float] | None = None
) -> Markup:
    """Dots on one axis, a row for each strip, at least one with a value.

    Args:
        scale: ends of the axis; around the values if left out.
    """
    values = [value for row in rows for value in (*row.values, *row.out)]
    low, high = scale or _around(min(values), max(values))
    canvas, axis, bottom = _rows(len(rows), max(len(row.name) for row in rows), low, high, alt)
    across(canvas, axis, top=_TOP, bottom=bottom, title=title)
    for index, row in enumerate(rows):
        y = _TOP + (index + 0.5) * _ROW
        canvas.line(axis.start, y, axis.stop, y, "line")
        canvas.words(2, y + 4, _short(row.name))
        if row.mean is not None:
            canvas.line(axis.at(row.mean), y - 9, axis.at(row.mean), y + 9, "mean")
        for value in row.values:
            canvas.dot(axis.at(value), y, "bare" if row.bare else "taken")
        for value in row.out:
            canvas.cross(axis.at(value), y, "out")
    return canvas.done()


def lanes(rows: Sequence[Lane], stages: Sequence[int], alt: str) -> Markup:
    """How far each panel was washed; the dashed box is where it gave way. By the square root of strokes, so
    that early stages do not vanish beside late ones.

    Args:
        stages: strokes to mark on the axis.
    """
    most = max([*(at for row in rows for at in (*row.passed_at, *row.failed_at)), *stages, 1])
    canvas, axis, bottom = _rows(
        len(rows), max(len(row.name) for row in rows), 0.0, (1.04 * most) ** 0.5, alt
    )
    _stroke_ticks(canvas, axis, sorted({0, *stages}), bottom)
    for index, row in enumerate(rows):
        y = _TOP + (index + 0.5) * _ROW
        canvas.words(2, y + 4, _short(row.name))
        canvas.line(axis.start, y, axis.stop, y, "line")
        canvas.line(axis.start, y, axis.at(row.lasted**0.5), y, "lasted")
        if row.failed is not None:
            begin, end = axis.at(row.lasted**0.5), axis.at(row.failed**0.5)
            canvas.box(begin, y - 7, max(1.0, end - begin), 14, "between")
        for strokes in row.passed_at:
            canvas.dot(axis.at(strokes**0.5), y, "taken")
        for strokes in row.failed_at:
            canvas.cross(axis.at(strokes**0.5), y, "out")
    return canvas.done()


def bars(rows: Sequence[Bar], title: str, alt: str) -> Markup:
    """Points with their uncertainties, a row for each; an arrow where it is at least so much."""
    low, high = _around(min(row.low for row in rows), max(row.high for row in rows))
    name = max(len(f"{row.name} {row.letters}") for row in rows)
    canvas, axis, bottom = _rows(len(rows), name, low, high, alt)
    across(canvas, axis, top=_TOP, bottom=bottom, title=title)
    for index, row in enumerate(rows):
        y = _TOP + (index + 0.5) * _ROW
        canvas.words(2, y + 4, _short(row.name))
        canvas.words(axis.start - 8, y + 4, row.letters, "said strong", "end")
        canvas.line(axis.start, y, axis.stop, y, "line")
        canvas.line(axis.at(row.low), y, axis.at(row.high), y, "span")
        for end in (row.low, row.high):
            canvas.line(axis.at(end), y - 5, axis.at(end), y + 5, "span")
        canvas.dot(axis.at(row.value), y, "taken", radius=4)
        if row.at_least:
            tip = axis.at(row.high) + 12
            canvas.line(axis.at(row.high), y, tip, y, "span")
            canvas.path((tip - 5, tip, tip - 5), (y - 4, y, y + 4), "span")
    return canvas.done()


def _rows(count: int, name: int, low: float, high: float, alt: str) -> tuple[Canvas, Axis, float]:
    """A canvas with room for so many rows, its axis, and where the rows end."""
    bottom = _TOP + count * _ROW
    left = 16 + _LETTER_PX * min(name, MOST_NAME)
    return Canvas(WIDTH, bottom + _FOOT, alt), Axis(low, high, left, WIDTH - 18), bottom


def _stroke_ticks(canvas: Canvas, axis: Axis, strokes: Sequence[int], bottom: float) -> None:
    places = [axis.at(one**0.5) for one in strokes]
    said_to = float("-inf")
    for one, x in zip(strokes, places, strict=True):
        canvas.line(x, _TOP, x, bottom, "grid")
        half = 3.4 * len(str(one))
        if x - half > said_to:
            canvas.words(x, bottom + 13, str(one), "tick", "middle")
            said_to = x + half + 4
    canvas.line(axis.start, bottom, axis.stop, bottom, "axis")
    canvas.words(
        (axis.start + axis.stop) / 2, bottom + 28, "strokes counted (stages marked)", "title", "middle"
    )


def _around(low: float, high: float) -> tuple[float, float]:
    """An axis that holds both with room beside."""
    room = 0.08 * (high - low) or 0.5
    return low - room, high + room


def _short(name: str) -> str:
    return name if len(name) <= MOST_NAME else name[: MOST_NAME - 1] + "…"
