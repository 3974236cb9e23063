"""A transparent frame of 1920 × 1080 to lay over video, with a dark plate behind all that is written on it.

Coordinates are pixels from the upper left corner. Only fonts that come with matplotlib are used, so that a
card looks the same wherever it is made.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from io import BytesIO
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import FT2Font
from matplotlib.patches import FancyBboxPatch

WIDTH_PX, HEIGHT_PX = 1920, 1080
_DPI = 96
_PX_PER_POINT = _DPI / 72

PLATE, PLATE_OPACITY = "#0F151B", 0.88
"""Dark and nearly opaque: white on it stays legible over white."""
WRITING, QUIET, FAINT = "#FFFFFF", "#D3DBE2", "#7C8791"
MARK, SPAN, WARNING = "#56B4E9", "#FFFFFF", "#E69F00"
"""The colours are of the palette of Okabe and Ito; nothing is told by colour alone."""

_FAMILY = "DejaVu Sans"
_UNIT_PX = 1000
_UNSHOWN = "\N{REPLACEMENT CHARACTER}"
Weight = Literal["normal", "bold"]
Align = Literal["left", "center", "right"]


@contextmanager
def styled() -> Iterator[None]:
    """Fonts and settings for everything that is drawn here."""
    with mpl.rc_context(
        {
            "font.family": _FAMILY,
            "svg.fonttype": "path",
            "svg.hashsalt": "panelwright",
            "text.parse_math": False,  # a product may have dollar signs in its name
        }
    ):
        yield


class Frame:
    """A picture being made; use it inside `styled`."""

    def __init__(self) -> None:
        self._figure = Figure(figsize=(WIDTH_PX / _DPI, HEIGHT_PX / _DPI), dpi=_DPI)
        self._axes = self._figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self._axes.set_xlim(0, WIDTH_PX)
        self._axes.set_ylim(HEIGHT_PX, 0)
        self._axes.axis("off")

    def plate(
        self,
        left: float,
        top: float,
        right: float,
        bottom: float,
        *,
        colour: str = PLATE,
        opacity: float = PLATE_OPACITY,
        radius: float = 18,
    ) -> None:
        """What stands behind writing."""
        shape = FancyBboxPatch(
            (left + radius, top + radius),
            right - left - 2 * radius,
            bottom - top - 2 * radius,
            boxstyle=f"round,pad={radius},rounding_size={radius}",
            facecolor=colour,
            edgecolor="none",
            alpha=opacity,
        )
        self._axes.add_patch(shape)

    def write(
        self,
        text: str,
        x: float,
        baseline: float,
        size_px: float,
        *,
        weight: Weight = "normal",
        colour: str = WRITING,
        align: Align = "left",
    ) -> None:
        """One line of text."""
        self._axes.text(
            x,
            baseline,
            shown(text),
            fontsize=size_px / _PX_PER_POINT,
            fontweight=weight,
            color=colour,
            ha=align,
            va="baseline",
        )

    def line(
        self, x: tuple[float, float], y: tuple[float, float], *, colour: str = QUIET, width_px: float = 2
    ) -> None:
        """A straight line between two points, given as their x and their y."""
        self._axes.plot(x, y, color=colour, linewidth=width_px / _PX_PER_POINT, solid_capstyle="butt")

    def bar(self, left: float, right: float, y: float, height_px: float, *, colour: str = MARK) -> None:
        """A horizontal bar."""
        self._axes.barh(y, right - left, height=height_px, left=left, color=colour, zorder=3)

    def dot(self, x: float, y: float, size_px: float, *, colour: str = MARK) -> None:
        self._axes.plot(
            [x],
            [y],
            marker="o",
            markersize=size_px / _PX_PER_POINT,
            color=colour,
            markeredgecolor=PLATE,
            zorder=4,
        )

    def picture(self, form: Literal["png", "svg"], title: str) -> bytes:
        """The picture as the content of a file, everything beside the plates transparent.

        Args:
            title: what it shows, for those who cannot see it.
        """
        out = BytesIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        told = nothing if form == "svg" else {"Description": title, "Software": None}
        self._figure.savefig(out, format=form, dpi=_DPI, transparent=True, metadata=told)
        return out.getvalue() if form == "png" else _in_pixels(out.getvalue().decode(), title)


def _in_pixels(svg: str, title: str) -> bytes:
    """The drawing sized in pixels, with words for those who cannot see it."""
    head, inside = svg[svg.index("<svg") :].split(">", 1)
    box = next(part for part in head.split("\n") if "viewBox" in part)
    view = box[box.index("viewBox") :].split('"')[1]
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" version="1.1" '
        f'width="{WIDTH_PX}" height="{HEIGHT_PX}" viewBox="{view}" role="img" '
        f"aria-label={quoteattr(title)}><title>{escape(title)}</title>{inside}"
    ).encode()


def shown(text: str) -> str:
    """What the font can show of a text; what it cannot stands as one and the same sign."""
    return "".join(
        " " if not one.isprintable() else one if _has_glyph(ord(one)) else _UNSHOWN for one in text
    )


@cache
def _has_glyph(code: int) -> bool:
    return bool(_font("normal").get_char_index(code))


@cache
def _font(weight: Weight) -> FT2Font:
    return get_font(findfont(FontProperties(family=_FAMILY, weight=weight)))


@cache
def _advance(one: str, weight: Weight) -> float:
    """How far writing moves on for one sign, as a share of its size; kerning apart."""
    font = _font(weight)
    font.set_size(_UNIT_PX, 72)
    return font.load_char(ord(one)).linearHoriAdvance / 65536 / _UNIT_PX


def width_px(text: str, size_px: float, weight: Weight = "normal") -> float:
    """How wide a line of text is, to a few hundredths."""
    return size_px * sum(_advance(one, weight) for one in shown(text))


def wrapped(text: str, size_px: float, room_px: float, lines_n: int, weight: Weight = "normal") -> list[str]:
    """A text in at most `lines_n` lines no wider than `room_px`; what does not fit ends in an ellipsis."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and width_px(longer, size_px, weight) > room_px:
            lines.append(word)
        else:
            lines[-1] = longer
    kept = lines[:lines_n]
    if len(lines) > lines_n:
        kept[-1] += "…"
    return [_cut(line, size_px, room_px, weight) for line in kept]


def _cut(line: str, size_px: float, room_px: float, weight: Weight) -> str:
    while len(line) > 1 and width_px(line, size_px, weight) > room_px:
        line = line.removesuffix("…")[:-1].rstrip() + "…"
    return line
