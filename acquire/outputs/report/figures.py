"""Pulls as drawings: line, marks and words that survive grey print and colour-blind eyes."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from markupsafe import Markup

from acquire.model import Reading
from acquire.outputs.drawing import Axis, Canvas, across, thinned, upwards
from acquire.outputs.report.traces import PullTrace

WIDTH, HEIGHT = 370, 250
HEADROOM = 1.22
_LEFT, _RIGHT, _TOP, _BOTTOM = 38, 366, 22, 214


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

    @property
    def axes(self) -> tuple[Axis, Axis]:
        """Of time and of force."""
        from_s, to_s = (self.from_s, self.to_s) if self.to_s > self.from_s else (-1.0, 1.0)
        top_n = self.top_n if self.top_n > 0 else 1.0
        return Axis(from_s, to_s, _LEFT, _RIGHT), Axis(-0.08 * top_n, HEADROOM * top_n, _BOTTOM, _TOP)


def draw_pull(trace: PullTrace, frame: Frame, *, alt: str) -> Markup:
    """One pull as inline SVG.

    Args:
        frame: what the axes show.
        alt: what a person who cannot see it is told.
    """
    canvas, time, force = _begin(frame, alt)
    _draw_line(canvas, trace, time, force, "trace")
    _mark_sliding(canvas, trace, time, force)
    canvas.dot(time.at(0.0), force.at(trace.reading.value), "broke", radius=4)
    canvas.words(
        min(time.at(0.0), _RIGHT - 45),
        force.at(trace.reading.value) - 9,
        f"break {trace.reading.value:.3g} N",
        "broke-said",
        "middle",
    )
    return canvas.done()


def draw_pulls(traces: Sequence[PullTrace], frame: Frame, *, alt: str) -> Markup:
    """Several pulls over each other, at least one, with the mean of their breaks."""
    canvas, time, force = _begin(frame, alt)
    for trace in traces:
        _draw_line(canvas, trace, time, force, "many")
    for trace in traces:
        canvas.dot(time.at(0.0), force.at(trace.reading.value), "broke", radius=3)
    mean_n = float(np.mean([trace.reading.value for trace in traces]))
    canvas.line(_LEFT, force.at(mean_n), _RIGHT, force.at(mean_n), "level")
    said = f"break {mean_n:.3g} N" if len(traces) == 1 else f"{len(traces)} breaks, mean {mean_n:.3g} N"
    canvas.words(_RIGHT - 2, force.at(mean_n) - 5, said, "broke-said", "end")
    return canvas.done()


def words_of_pull(reading: Reading, what: str) -> str:
    """What a person who cannot see the drawing of a pull is told; `what` names the panel."""
    sliding_n = reading.details.get("sliding_n")
    slides = f", then slides at {sliding_n:.3g} N" if isinstance(sliding_n, int | float) else ""
    return (
        f"Force over time of one pull, {what}: from rest it rises to a break at "
        f"{reading.value:.3g} N{slides}, and is let go."
    )


def _begin(frame: Frame, alt: str) -> tuple[Canvas, Axis, Axis]:
    canvas = Canvas(WIDTH, HEIGHT, alt)
    time, force = frame.axes
    across(canvas, time, top=_TOP, bottom=_BOTTOM, title="time from the break, s")
    upwards(canvas, force, left=_LEFT, right=_RIGHT, title="force above rest, N")
    canvas.line(_LEFT, force.at(0.0), _RIGHT, force.at(0.0), "rest")
    return canvas, time, force


def _draw_line(canvas: Canvas, trace: PullTrace, time: Axis, force: Axis, look: str) -> None:
    t_s, force_n = thinned(trace.t_s, trace.force_n)
    canvas.path(time.along(t_s), force.along(force_n), look)


def _mark_sliding(canvas: Canvas, trace: PullTrace, time: Axis, force: Axis) -> None:
    sliding_n, end_s = trace.reading.details.get("sliding_n"), trace.reading.details.get("t_end_s")
    if not isinstance(sliding_n, int | float) or not isinstance(end_s, int | float):
        return
    stop_s = end_s - trace.reading.t_mono_ns / 1e9
    canvas.line(time.at(0.0), force.at(sliding_n), time.at(stop_s), force.at(sliding_n), "level")
    middle = (time.at(0.0) + time.at(stop_s)) / 2
    canvas.words(middle, force.at(sliding_n) + 14, f"sliding {sliding_n:.3g} N", anchor="middle")
