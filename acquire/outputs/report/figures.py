"""One pull as a drawing: line, marks and words that survive grey print and colour-blind eyes."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Self

import matplotlib as mpl
from markupsafe import Markup, escape
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from acquire.outputs.report.traces import PullTrace

# Told apart by shape and label first; the colours are of the palette of Okabe and Ito.
TRACE, BREAK, LEVEL = "#0072B2", "#B34700", "#222222"
SIZE_IN = (3.7, 2.6)
HEADROOM = 1.22

_ID = re.compile(r'\b(id="|xlink:href="#|url\(#)')


@dataclass(frozen=True, slots=True)
class Frame:
    """What the axes show; the same for all drawings of one trial, so that they can be compared."""

    from_s: float
    to_s: float
    top_n: float

    @classmethod
    def around(cls, traces: Sequence[PullTrace]) -> Self:
        """Holds all of the traces, at least one."""
        return cls(
            min(float(trace.t_s[0]) for trace in traces),
            max(float(trace.t_s[-1]) for trace in traces),
            max(float(trace.force_n.max()) for trace in traces),
        )


def draw_pull(trace: PullTrace, frame: Frame, *, name: str, alt: str) -> Markup:
    """The pull as inline SVG.

    Args:
        frame: what the axes show.
        name: makes the ids inside unique on the page.
        alt: what a person who cannot see it is told.
    """
    with mpl.rc_context(
        {
            "svg.fonttype": "none",
            "svg.hashsalt": "panelwright",
            "font.family": "sans-serif",
            "font.size": 8.5,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.linewidth": 0.6,
            "path.simplify": True,
        }
    ):
        figure = Figure(figsize=SIZE_IN, layout="constrained")
        axes = figure.add_subplot()
        axes.plot(trace.t_s, trace.force_n, color=TRACE, linewidth=1.1)
        _mark_rest(axes, frame)
        _mark_break(axes, trace)
        _mark_sliding(axes, trace)
        axes.set_xlabel("time from the break, s")
        axes.set_ylabel("force above rest, N")
        axes.set_xlim(frame.from_s, frame.to_s)
        axes.set_ylim(-0.08 * frame.top_n, HEADROOM * frame.top_n)
        axes.grid(visible=True, color="#dddddd", linewidth=0.5)
        text = StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(text, format="svg", metadata=nothing, transparent=True)
    return inline_svg(text.getvalue(), name, alt)


def _mark_rest(axes: Axes, frame: Frame) -> None:
    axes.axhline(0.0, color=LEVEL, linewidth=0.9, linestyle=":")
    axes.annotate("rest", (frame.from_s, 0.0), (2, 3), textcoords="offset points", color=LEVEL, va="bottom")


def _mark_break(axes: Axes, trace: PullTrace) -> None:
    value_n = trace.reading.value
    axes.plot([0.0], [value_n], marker="o", markersize=6, color=BREAK, fillstyle="none", zorder=3)
    axes.annotate(
        f"break {value_n:.3g} N",
        (0.0, value_n),
        (0, 6),
        textcoords="offset points",
        color=BREAK,
        ha="center",
        va="bottom",
    )


def _mark_sliding(axes: Axes, trace: PullTrace) -> None:
    sliding_n, end_s = trace.reading.details.get("sliding_n"), trace.reading.details.get("t_end_s")
    if not isinstance(sliding_n, int | float) or not isinstance(end_s, int | float):
        return
    stop_s = end_s - trace.reading.t_mono_ns / 1e9
    axes.hlines(sliding_n, 0.0, stop_s, color=LEVEL, linewidth=1.1, linestyles="--", zorder=3)
    axes.annotate(
        f"sliding {sliding_n:.3g} N",
        (stop_s, sliding_n),
        (-4, -7),
        textcoords="offset points",
        color=LEVEL,
        ha="right",
        va="top",
    )


def inline_svg(svg: str, name: str, alt: str) -> Markup:
    """Only the drawing, sized by the page, with ids of its own and words for those who cannot see it."""
    drawing = svg[svg.index("<svg") :]
    head, body = drawing.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    assert box is not None, "matplotlib writes a viewBox"
    body = _ID.sub(lambda found: f"{found[1]}{name}-", body)
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {box[0]} '
        f'role="img" aria-label="{escape(alt)}">{body}'
    )
