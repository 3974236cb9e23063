"""Small figures as inline SVG: sized and coloured by the page, with words for those who cannot see them.

A published folder holds thousands of pulls; a plotting library takes a twentieth of a second for each. What
is drawn here are lines, dots and words on two axes. Looks are CSS classes (`figures.css`), told apart by
shape and dash first.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from markupsafe import Markup, escape
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Anchor = Literal["start", "middle", "end"]
MOST_POINTS = 240
"""A line is thinned to about so many points; a figure is hardly wider in pixels."""


class Canvas:
    """Collects the parts of one figure, in pixels from its top left corner."""

    def __init__(self, width: float, height: float, label: str) -> None:
        self._head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" class="drawn" '
            f'role="img" aria-label="{escape(label)}">'
        )
        self._parts: list[str] = []

    def line(self, x1: float, y1: float, x2: float, y2: float, look: str) -> None:
        self._parts.append(
            f'<line x1="{_px(x1)}" y1="{_px(y1)}" x2="{_px(x2)}" y2="{_px(y2)}" class="{look}"/>'
        )

    def path(self, x: Iterable[float], y: Iterable[float], look: str) -> None:
        points = " ".join(f"{_px(one)},{_px(other)}" for one, other in zip(x, y, strict=True))
        self._parts.append(f'<polyline points="{points}" class="{look}"/>')

    def box(self, x: float, y: float, width: float, height: float, look: str) -> None:
        size = f'width="{_px(width)}" height="{_px(height)}"'
        self._parts.append(f'<rect x="{_px(x)}" y="{_px(y)}" {size} class="{look}"/>')

    def dot(self, x: float, y: float, look: str, *, radius: float = 3.5) -> None:
        self._parts.append(f'<circle cx="{_px(x)}" cy="{_px(y)}" r="{radius:g}" class="{look}"/>')

    def cross(self, x: float, y: float, look: str, *, size: float = 4.0) -> None:
        self.line(x - size, y - size, x + size, y + size, look)
        self.line(x - size, y + size, x + size, y - size, look)

    def words(self, x: float, y: float, said: str, look: str = "said", anchor: Anchor = "start") -> None:
        self._parts.append(
            f'<text x="{_px(x)}" y="{_px(y)}" class="{look}" text-anchor="{anchor}">{escape(said)}</text>'
        )

    def done(self) -> Markup:
        return Markup(self._head + "".join(self._parts) + "</svg>")


def _px(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


@dataclass(frozen=True, slots=True)
class Axis:
    """Maps values from `low` to `high` onto pixels from `start` to `stop`."""

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.stop - self.start)

    def along(self, values: Floats) -> Floats:
        """Pixels of many values, shape (n,)."""
        share = (values - self.low) / (self.high - self.low)
        return np.asarray(self.start + share * (self.stop - self.start), dtype=np.float64)

    def ticks(self, most: int = 5) -> list[float]:
        """Round values inside the axis."""
        found = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(self.low, self.high)
        slack = 1e-9 * (self.high - self.low)
        return [float(one) + 0.0 for one in found if self.low - slack <= one <= self.high + slack]


def tick_words(ticks: Sequence[float]) -> list[str]:
    """All with as many decimals as their distance needs."""
    least = min((b - a for a, b in pairwise(ticks)), default=1.0)
    places = next((n for n in range(7) if abs(round(least, n) - least) < 1e-9 * least), 6)
    return [f"{0.0 if abs(one) < least / 2 else one:.{places}f}" for one in ticks]


def across(canvas: Canvas, axis: Axis, *, top: float, bottom: float, title: str, most: int = 5) -> None:
    """A horizontal axis below `bottom`, with grid lines up to `top`."""
    ticks = axis.ticks(most)
    for tick, said in zip(ticks, tick_words(ticks), strict=True):
        canvas.line(axis.at(tick), top, axis.at(tick), bottom, "grid")
        canvas.words(axis.at(tick), bottom + 13, said, "tick", "middle")
    canvas.line(axis.start, bottom, axis.stop, bottom, "axis")
    canvas.words((axis.start + axis.stop) / 2, bottom + 28, title, "title", "middle")


def upwards(canvas: Canvas, axis: Axis, *, left: float, right: float, title: str, most: int = 5) -> None:
    """A vertical axis at `left`, with grid lines to `right` and its title above."""
    ticks = axis.ticks(most)
    for tick, said in zip(ticks, tick_words(ticks), strict=True):
        canvas.line(left, axis.at(tick), right, axis.at(tick), "grid")
        canvas.words(left - 4, axis.at(tick) + 3.5, said, "tick", "end")
    canvas.line(left, axis.start, left, axis.stop, "axis")
    canvas.words(2, axis.stop - 6, title, "title")


def thinned(x: Floats, y: Floats, *, most: int = MOST_POINTS) -> tuple[Floats, Floats]:
    """A line with fewer points that looks the same: of each stretch its lowest and its highest point.

    Args:
        x, y: shape (n,).
    """
    count = len(x)
    if count <= most:
        return x, y
    edges = np.linspace(0, count, most // 2 + 1).astype(np.intp)
    kept = {0, count - 1}
    for begin, end in pairwise(edges):
        kept.update((begin + int(y[begin:end].argmin()), begin + int(y[begin:end].argmax())))
    order = np.array(sorted(kept), dtype=np.intp)
    return x[order], y[order]
