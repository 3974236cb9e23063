"""The first bench.toml of a new bench, from what its owner answers."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True)
class GaugeAnswer:
    """One gauge: a description of the gauges folder, where it is plugged in, how far a check may be off."""

    name: str
    description: str
    port: str | None
    """None: it is not plugged in yet."""
    tolerance: float
    """In N, GU or strokes."""


@dataclass(frozen=True, slots=True)
class ReferenceAnswer:
    """A check weight with its mass in g, or a tile with its gloss in GU at each angle."""

    name: str
    mass_g: float | None
    gloss_gu: dict[str, float]
    expanded_uncertainty: float
    certificate: str
    due: date


@dataclass(slots=True)
class BenchAnswers:
    """All that is asked."""

    name: str
    time_zone: str
    latitude_deg: float | None = None
    height_m: float | None = None
    gauges: list[GaugeAnswer] = field(default_factory=list)
    references: list[ReferenceAnswer] = field(default_factory=list)
    strokes: int | None = None
    """A hand count to prove the stroke counter against."""


def bench_text(answers: BenchAnswers) -> str:
    """The bench file that says so. It must still be read by `load_bench`, which knows what can be."""
    return "\n".join(_lines(answers)) + "\n"


def _lines(answers: BenchAnswers) -> Iterator[str]:
    yield "# Written by panelwright init from what you answered; edit it as you like."
    yield "# Each key is explained in the example that ships: panelwright init --yes writes that one.\n"
    yield 'format = "panelwright-bench 1"'
    yield f"name = {_text(answers.name)}"
    yield f"time_zone = {_text(answers.time_zone)}   # decides what today means"
    if answers.latitude_deg is not None:
        yield "\n[place]                # for the local gravity"
        yield f"latitude_deg = {answers.latitude_deg!r}"
        if answers.height_m is not None:
            yield f"height_m = {answers.height_m!r}"
    for gauge in answers.gauges:
        yield f"\n[gauges.{gauge.name}]"
        yield f"description = {_text(gauge.description)}"
        if gauge.port is None:
            # No two gauges may have one port, not even one that does not exist.
            yield f'port = "serial:usb=FILL-IN-{gauge.name.upper()}"   # see: panelwright ports'
        else:
            yield f"port = {_text(gauge.port)}"
        yield f"tolerance = {{ absolute = {gauge.tolerance!r} }}"
    for one in answers.references:
        yield f"\n[references.{one.name}]"
        yield from _reference(one)
    if answers.strokes is not None:
        yield f"\n[references.strokes-{answers.strokes}]"
        yield 'kind = "strokes"'
        yield f"strokes = {answers.strokes}"
    if not (answers.references or answers.strokes):
        yield "\n[references]"
    if not answers.gauges:
        yield "\n[gauges]"


def _reference(one: ReferenceAnswer) -> Iterator[str]:
    if one.mass_g is not None:
        yield 'kind = "weight"'
        yield f"mass_g = {one.mass_g!r}"
    else:
        yield 'kind = "tile"'
        pairs = ", ".join(f"{angle} = {value!r}" for angle, value in one.gloss_gu.items())
        yield f"gloss_gu = {{ {pairs} }}"
    yield f"expanded_uncertainty = {one.expanded_uncertainty!r}"
    yield "coverage_factor = 2.0"
    yield f"certificate = {_text(one.certificate)}"
    yield f"due = {one.due.isoformat()}"


def _text(text: str) -> str:
    """A TOML string: what JSON writes is one, but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
