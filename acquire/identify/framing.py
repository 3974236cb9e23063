"""Where lines end, what byte they begin with, and whether a checksum ends them."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

from acquire.identify.heard import CannotTell, Heard

_PLAIN = re.compile(rb"[A-Za-z0-9+\-.,]")
_USUAL_ENDS = [b"\r", b"\n", b"\x03", b"\x04", b"\x00"]
LEAST_PIECES_N = 5
CHECK_SHARE = 0.9
_CHECK = re.compile(rb"(?P<body>.*)(?P<check>[0-9A-Fa-f]{2})(?P<tail>[\x00-\x1f]?)", re.DOTALL)

Timed = tuple[int, bytes]


@dataclass(frozen=True, slots=True)
class Check:
    """A checksum: kind and the bytes between what it covers and its two digits."""

    kind: Literal["xor8", "sum8"]
    separator: bytes
    tail: bytes
    """What still follows the digits."""


def shape(line: bytes) -> bytes:
    """The line with each run of digits as one 9 and each run of letters as one a."""
    return re.sub(rb"[A-Za-z]+", b"a", re.sub(rb"[0-9]+", b"9", re.sub(rb" +", b" ", line)))


def find_terminator(heard: Heard) -> bytes:
    """The byte or two that end each line.

    Raises:
        CannotTell: nothing comes again and again where a line could end.
    """
    data = heard.data
    ends = [chunk[-1:] for _, chunk in heard.chunks if chunk]
    if data.count(b"\r\n") * 3 > max(data.count(b"\r"), data.count(b"\n")):
        # A gauge that writes LF, text, CR looks the same, but for how its messages end.
        if heard.request is not None and ends.count(b"\r") > 0.8 * len(ends):
            return b"\r"
        return b"\r\n"
    usual = [end for end in _USUAL_ENDS if end in data]
    if usual:
        return max(usual, key=lambda end: _ending(end, data, ends))
    return _unusual(data, ends)


def _ending(end: bytes, data: bytes, ends: Sequence[bytes]) -> tuple[float, int]:
    return ends.count(end) / len(ends), data.count(end)


def _unusual(data: bytes, ends: Sequence[bytes]) -> bytes:
    candidates = [end for end in {bytes([one]) for one in data} if not _PLAIN.fullmatch(end)]
    scored = []
    for end in candidates:
        pieces = data.split(end)[1:-1]
        if len(pieces) < LEAST_PIECES_N:
            continue
        alike = Counter(shape(piece) for piece in pieces).most_common(1)[0][1] / len(pieces)
        digits = sum(any(48 <= one <= 57 for one in piece) for piece in pieces) / len(pieces)
        scored.append((alike * digits + ends.count(end) / len(ends), end))
    if not scored or max(scored)[0] < 0.6:
        raise CannotTell("no byte comes again and again where a line could end")
    return max(scored)[1]


def cut(heard: Heard, terminator: bytes) -> tuple[list[Timed], bool]:
    """The complete lines, each with the time its end was read, and whether the first may be cut in front."""
    lines: list[Timed] = []
    waiting = b""
    for t_us, data in heard.chunks:
        *whole, waiting = (waiting + data).split(terminator)
        lines += [(t_us, line) for line in whole]
    return lines, heard.request is None


def find_start(lines: Iterable[bytes]) -> bytes:
    """The control byte that every line begins with, if there is one."""
    firsts = Counter(line[:1] for line in lines if line)
    first, count = firsts.most_common(1)[0]
    return first if first < b"\x20" and count >= CHECK_SHARE * firsts.total() else b""


def find_check(lines: Sequence[bytes]) -> tuple[Check | None, bool]:
    """A checksum that all lines agree on, and whether it leaves out the first byte of each.

    Chance agrees with one line in 256; four different lines are asked for.
    """
    found = [match for line in lines if (match := _CHECK.fullmatch(line)) is not None]
    if len(set(lines)) < 4 or len(found) < CHECK_SHARE * len(lines):
        return None, False
    for skips in (False, True):
        for width in (1, 0):
            for kind in ("xor8", "sum8"):
                check = _agreed(found, kind, width, skips, len(lines))
                if check is not None:
                    return check, skips
    return None, False


def _agreed(
    found: Sequence[re.Match[bytes]], kind: Literal["xor8", "sum8"], width: int, skips: bool, of_n: int
) -> Check | None:
    seen: Counter[tuple[bytes, bytes]] = Counter()
    for match in found:
        body = match["body"]
        covered = body[int(skips) : len(body) - width]
        value = reduce(xor, covered, 0) if kind == "xor8" else sum(covered) & 0xFF
        if b"%02X" % value == match["check"].upper():
            seen[body[len(body) - width :], match["tail"]] += 1
    if not seen:
        return None
    (separator, tail), count = seen.most_common(1)[0]
    return Check(kind, separator, tail) if count >= CHECK_SHARE * of_n else None
