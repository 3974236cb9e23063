"""Shows lines with their parts marked, and what the description makes of them."""

import re

from acquire.identify.describe import whole_pattern
from acquire.identify.infer import Understood
from drivers.base import FrameError, Sample
from drivers.description import GaugeDescription
from drivers.registry import make_driver


def escape(data: bytes) -> str:
    """Bytes as people read them: printable ones as they are, the others as escapes."""
    return repr(data)[2:-1]


def sample_words(sample: Sample) -> str:
    """A sample in words: value, unit, channel, flags."""
    kind = sample.kind
    number = "no number" if sample.value != sample.value else f"{sample.value:g}"
    words = [number, "" if kind.unit == "1" else kind.unit]
    words += [f"at {kind.channel}" if kind.channel else "", ", ".join(sorted(kind.flags)).upper()]
    return " ".join(word for word in words if word)


def marked(understood: Understood, description: GaugeDescription, count: int) -> list[str]:
    """The last lines: bytes, named parts, and the value read from them."""
    pattern = re.compile(whole_pattern(understood).encode("ascii"))
    start, terminator = understood.frames.start, understood.frames.terminator
    driver = make_driver(description)
    driver.feed(terminator)  # whatever comes next begins a line
    rows = []
    for line in understood.heard.data.split(terminator)[:-1][-count:]:
        match = pattern.fullmatch(line.removeprefix(start))
        parts = {} if match is None else {name: part for name, part in match.groupdict().items() if part}
        said = " ".join(f"{name}={escape(part)}" for name, part in parts.items()) or "carries no value"
        batch = driver.feed(line + terminator)
        results = [sample_words(sample) for sample in batch] + [_why(error) for error in batch.errors]
        rows.append(f"{escape(line + terminator):32} {said}  ->  {'; '.join(results) or '-'}")
    return rows


def _why(error: FrameError) -> str:
    return f"DAMAGED: {error.why}"
