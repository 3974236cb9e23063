"""From bytes to an understanding of the line: the heart of identification. Pure."""

from dataclasses import dataclass, replace
from typing import Literal

from acquire.identify.framing import Check
from acquire.identify.heard import Heard
from acquire.identify.lines import Frames, frames_of, sort_lines
from acquire.identify.meaning import Measured, measured
from acquire.identify.pattern import LinePattern, line_pattern
from acquire.identify.rhythm import Rhythm, find_rhythm
from acquire.identify.words import UNIT_WORDS

FEW_LINES_N = 5


@dataclass(frozen=True, slots=True)
class Understood:
    """Everything a description says of a gauge, and what a person should look at.

    `asks` are points that the bytes cannot settle; `notes` say what was assumed or left out.
    """

    heard: Heard
    frames: Frames
    line: LinePattern
    measured: Measured
    rhythm: Rhythm
    asks: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def check(self) -> Check | None:
        return self.frames.check


def infer(heard: Heard) -> Understood:
    """Works out how a gauge speaks.

    Raises:
        CannotTell: too little was heard, or it cannot be put into a line description.
    """
    frames = frames_of(heard)
    sorted_lines = sort_lines(frames, spoke_by_itself=heard.request is None)
    layout = sorted_lines.layout
    value = sorted_lines.value
    polled = heard.request is not None
    line = line_pattern(layout, value, sorted_lines, polled=polled)
    found = measured(layout, value, line)
    if not found.may_be_negative:
        line = line_pattern(layout, value, sorted_lines, polled=polled, may_be_negative=False)
    per_event = found.quantity == "gloss" or (
        found.quantity == "count" and layout.columns[value].one_each_line
    )
    rhythm = find_rhythm(heard, sorted_lines.times_us, per_event=per_event)
    asks = [*found.asks, *line.asks]
    if len(layout.columns[value].texts) < FEW_LINES_N:
        asks.append(f"only {len(layout.columns[value].texts)} lines with a value were heard")
    if sorted_lines.unlike_n:
        asks.append(f"{sorted_lines.unlike_n} lines were like no other and are left out; damaged on the way?")
    if not rhythm.sure:
        asks.append("too few lines to tell a slow stream from lines on an event")
    return Understood(
        heard,
        frames,
        line,
        found,
        rhythm,
        tuple(asks),
        (*found.notes, *line.notes),
    )


def with_tension(understood: Understood, tension: Literal["positive", "negative"]) -> Understood:
    """The same gauge, after a person pulled it and saw the sign."""
    asks = tuple(ask for ask in understood.asks if "tension" not in ask)
    return replace(understood, measured=replace(understood.measured, tension=tension), asks=asks)


def with_unit(understood: Understood, quantity: str, unit: str) -> Understood:
    """The same gauge, after a person said what it measures. The range keeps its numbers."""
    found, line = understood.measured, understood.line
    units = {
        word: next((name for kind, name in UNIT_WORDS.get(word, ()) if kind == quantity), unit)
        for word in line.units
    }
    if line.units and quantity != found.quantity:
        unit = units.get(found.unit_word, unit)
    return replace(
        understood,
        line=replace(line, units=units),
        measured=replace(found, quantity=quantity, unit=unit),
        asks=tuple(ask for ask in understood.asks if not ask.startswith(("no unit ", "unit "))),
    )
