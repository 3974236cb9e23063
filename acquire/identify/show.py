"""Shows lines with their parts marked, and what the description makes of them."""

import re

from acquire.identify.describe import whole_pattern
from acquire.identify.infer import Understood
from acquire.watching import escape, in_words
from drivers.base import FrameError
from drivers.description import GaugeDescription
from drivers.registry import make_driver


def marked(understood: Understood, description: GaugeDescription, count: int) -> list[str]:
    """The last lines: bytes, named parts, and the value read from them."""
    pattern = re.compile(whole_pattern(understood).encode("ascii"))
    start, terminator = understood.frames.start, understood.frames.terminator
    driver = make_driver(description)
    driver.feed(terminator)  # whatever comes next begins a line
    rows = []
    lines = understood.heard.data.split(terminator)[1:-1]
    telling = [line for line in lines if pattern.fullmatch(line.removeprefix(start))]
    for line in telling[-count:]:
        match = pattern.fullmatch(line.removeprefix(start))
        parts = {} if match is None else {name: part for name, part in match.groupdict().items() if part}
        said = " ".join(f"{name}={escape(part)}" for name, part in parts.items()) or "carries no value"
        batch = driver.feed(line + terminator)
        results = [in_words(sample) for sample in batch] + [_why(error) for error in batch.errors]
        rows.append(f"{escape(line + terminator):32} {said}  ->  {'; '.join(results) or '-'}")
    return rows


def _why(error: FrameError) -> str:
    return f"DAMAGED: {error.why}"
