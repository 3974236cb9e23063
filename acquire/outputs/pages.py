"""What all written pages share: the template engine, how a file gets its place, the word simulated."""

import os
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from acquire.bench import Bench
from acquire.errors import PanelwrightError, RecordingError
from acquire.home import Home
from acquire.model import StreamStart
from acquire.recordings import read_header

TEMPLATES = Path(__file__).parent / "templates"
_MADE_UP = ("simulated", "invented")
_ID = re.compile(r'\b(id="|xlink:href="#|url\(#)')


def render(template: str, **content: object) -> str:
    """A template of this package with its content; everything is escaped, and nothing may be missing."""
    return _environment().get_template(template).render(content)


@cache
def _environment() -> Environment:
    # Kept: reading a template anew takes longer than filling it.
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def style(*names: str) -> Markup:
    """Style sheets, to stand inside the page."""
    return Markup("\n".join((TEMPLATES / name).read_text(encoding="utf-8") for name in names))


def inline_svg(svg: str, name: str, alt: str) -> Markup:
    """A drawing by matplotlib alone, sized by the page, with ids of its own and words for those who cannot
    see it."""
    drawing = svg[svg.index("<svg") :]
    head, body = drawing.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    assert box is not None, "matplotlib writes a viewBox"
    body = _ID.sub(lambda found: f"{found[1]}{name}-", body)
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {box[0]} '
        f'role="img" aria-label="{escape(alt)}">{body}'
    )


def put(page: Path, text: str, *, hint: str) -> None:
    """Writes a page; what stands there is replaced at once, so that nobody ever reads half of one.

    Raises:
        PanelwrightError: it cannot be written.
    """
    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        half = page.with_suffix(".part")
        half.write_text(text, encoding="utf-8")
        os.replace(half, page)
    except OSError as error:
        raise PanelwrightError(f"{page} cannot be written: {error.strerror}", hint=hint) from error


def said_simulated(home: Home, bench: Bench, streams: Iterable[StreamStart]) -> list[str]:
    """What says that this is no real test: the bench's name, or scenarios in the recordings' headers."""
    said = [f"the bench is called “{bench.name}”"] if _made_up(bench.name) else []
    scenarios = set()
    for start in streams:
        try:
            scenario = read_header(home.recordings / start.recording).scenario
        except RecordingError:
            continue  # a missing or damaged recording is for `verify` to report
        if scenario is not None and _made_up(scenario):
            scenarios.add(scenario)
    return said + [f"recordings are marked “{scenario}”" for scenario in sorted(scenarios)]


def _made_up(text: str) -> bool:
    return any(word in text.lower() for word in _MADE_UP)
