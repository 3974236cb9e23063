"""What went over a line, in order, and what a driver makes of it: the ground of `drivers.contract`.

    recording (.rec) ──openings()──> talks ──converse(driver, talk, cut)──> samples, errors
                                                                   └──outcome()──> text of an expectation

A talk can be cut and damaged in many ways and told again. Nothing here knows more of recordings than their
text, so that a package with a driver of its own needs nothing but `drivers` to be tested.
"""

import json
import re
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from drivers.base import Driver, FrameError, Sample


@dataclass(frozen=True, slots=True)
class Sent:
    """Bytes that went to the gauge."""

    data: bytes


Talk = list[bytes | Sent]
"""What went over a line, in order; bytes alone came from the gauge, as the operating system cut them."""
Cutter = Callable[[list[bytes]], list[bytes]]
"""Cuts what was received between two requests another way."""

_HEADER = re.compile(r"# ([a-z0-9-]+): (.*)")
_NUMBERS = re.compile(r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-]?[0-9]{1,3})?")
_EVENT = re.compile(r"\+\d+(?:\.\d+)? ([<>!]) (.+)")


def joined(chunks: list[bytes]) -> list[bytes]:
    return [b"".join(chunks)]


def bytewise(chunks: list[bytes]) -> list[bytes]:
    return [bytes([byte]) for byte in b"".join(chunks)]


def cuts(data: bytes, chance: Random, longest: int = 40) -> list[bytes]:
    """The same bytes in pieces of random length."""
    pieces, start = [], 0
    while start < len(data):
        stop = start + chance.randint(1, longest)
        pieces.append(data[start:stop])
        start = stop
    return pieces


def at_random(chance: Random, longest: int = 40) -> Cutter:
    return lambda chunks: cuts(b"".join(chunks), chance, longest)


def read_header(path: Path) -> dict[str, str]:
    """The header of a recording, as written."""
    found = (_HEADER.fullmatch(line) for line in path.read_text(encoding="utf-8").splitlines())
    return {match[1]: match[2] for match in found if match is not None}


def openings(path: Path) -> list[Talk]:
    """What went over the line at each opening of the port, as recorded.

    Raises:
        ValueError: a line is not understood, the last one is cut, or bytes come before the port was opened.
    """
    text = path.read_text(encoding="utf-8")
    if not text.endswith("\n"):
        raise ValueError(f"{path}: its last line is cut")
    found: list[Talk] = []
    for number, line in enumerate(text.splitlines(), 1):
        event = _EVENT.fullmatch(line)
        if event is None:
            if not line.startswith("#"):
                raise ValueError(f"{path}, line {number}: neither a header nor an event: {line[:60]!r}")
        elif event[1] == "!":
            if event[2].startswith("open"):
                found.append([])
        elif not found:
            raise ValueError(f"{path}, line {number}: bytes before the port was opened")
        else:
            data = bytes.fromhex(event[2])
            found[-1].append(data if event[1] == "<" else Sent(data))
    return found


def received(talk: Talk) -> bytes:
    """All that came from the gauge."""
    return b"".join(item for item in talk if not isinstance(item, Sent))


def exchanges(talk: Talk) -> Iterator[tuple[bytes, bytes]]:
    """Each request with all that came until the next one."""
    asked: bytes | None = None
    heard = b""
    for item in [*talk, Sent(b"")]:
        if not isinstance(item, Sent):
            heard += item
            continue
        if asked is not None:
            yield asked, heard
        asked, heard = item.data, b""


def converse(
    driver: Driver, talk: Talk, cut: Cutter = list
) -> tuple[list[Sample], list[tuple[str, bytes, int]]]:
    """Samples, and errors as (why, frame, at); runs of bytes between requests are cut by `cut`.

    Raises:
        RequestError: the talk asks what this gauge is never asked.
    """
    samples: list[Sample] = []
    errors: list[FrameError] = []
    run: list[bytes] = []
    # A request without bytes ends the last run and is not sent.
    for item in [*talk, Sent(b"")]:
        if not isinstance(item, Sent):
            run.append(item)
            continue
        for chunk in cut(run):
            batch = driver.feed(chunk)
            samples += batch
            errors += batch.errors
        run = []
        if item.data:
            errors += driver.sent(item.data)
    return samples, [(error.why, error.frame, error.at) for error in errors]


def same(left: list[Sample], right: list[Sample]) -> bool:
    """Equal to the last bit; NaN equals NaN."""
    return [(s.kind, s.value.hex(), s.end) for s in left] == [(s.kind, s.value.hex(), s.end) for s in right]


def outcome(driver: Driver, talks: list[Talk], cut: Cutter = list) -> str:
    """What a recording gives, as the text of an expectation.

    One line of JSON for each sample and each damaged frame, in stream order within each opening.

    Raises:
        RequestError: the recording asks what this gauge is never asked.
    """
    rows: list[str] = []
    for number, talk in enumerate(talks):
        driver.reset()
        samples, errors = converse(driver, talk, cut)
        several = len({sample.kind.quantity for sample in samples}) > 1
        found: list[dict[str, object]] = [
            {
                "end": sample.end,
                "value": sample.value if sample.value == sample.value else None,
                **({"quantity": sample.kind.quantity} if several else {}),
                "unit": sample.kind.unit,
                "channel": sample.kind.channel,
                "flags": sorted(sample.kind.flags),
                "good": sample.kind.good,
            }
            for sample in samples
        ]
        found += [{"end": at, "damaged": why, "frame": frame.hex(" ").upper()} for why, frame, at in errors]
        found.sort(key=lambda row: int(str(row["end"])))
        rows += [json.dumps({"opening": number, **row}) for row in found]
    return "".join(f"{row}\n" for row in rows)


def damaged(talk: Talk, chance: Random) -> Talk:
    """The talk with bytes lost, repeated, foreign and noise in it; some replies missing, requests twice."""
    found: Talk = []
    for item in talk:
        lot = chance.random()
        if isinstance(item, Sent):
            found += [item] * (2 if lot < 0.05 else 1)
            continue
        if lot < 0.04:
            continue
        place = chance.randrange(len(item))
        if lot < 0.16:
            item = item[:place] + chance.randbytes(chance.randint(0, 2)) + item[place + 1 :]
        elif lot < 0.22:
            item = item[:place] + item[place : place + 1] + item[place:]
        elif lot < 0.26:
            item = chance.randbytes(chance.randint(1, 900)) + item
        if item:
            found.append(item)
    return found


def one_byte_off(chunk: bytes) -> list[bytes]:
    """The chunk with one byte lost, repeated, or one bit of it turned, at every place."""
    found = []
    for place, byte in enumerate(chunk):
        before, after = chunk[:place], chunk[place + 1 :]
        found += [before + after, before + bytes([byte, byte]) + after]
        found += [before + bytes([byte ^ 1 << bit]) + after for bit in range(8)]
    return [one for one in found if one not in (chunk, b"")]


def on_the_wire(
    driver: Driver, data: bytes, samples: Sequence[Sample], errors_at: Sequence[int]
) -> list[Sample]:
    """The good samples whose number, sign aside, is not written in their frame: made of something else.

    Args:
        driver: any driver of the gauge, for how long a frame may be.
        data: all that was fed.
        samples: what came of it.
        errors_at: where damaged frames ended.
    """
    ends = sorted({0, *errors_at, *(sample.end for sample in samples)})
    found = []
    for sample in samples:
        begin = max(sample.end - driver.max_frame_bytes - 3, ends[bisect_left(ends, sample.end) - 1])
        frame = data[begin : sample.end].decode("latin-1")
        numbers = {float(text) for one in (frame, frame.replace(",", ".")) for text in _NUMBERS.findall(one)}
        if sample.kind.good and abs(sample.value) not in numbers:
            found.append(sample)
    return found
