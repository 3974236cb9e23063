"""Listens to a port at each plausible speed until what comes looks like lines. Sends nothing."""

import re
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise

from acquire.clock import Clock
from acquire.errors import PortLost
from acquire.identify.framing import find_terminator, shape
from acquire.identify.heard import CannotTell, Heard
from acquire.ports.wire import Wire
from drivers.description import SerialSettings

BAUDRATES = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200, 921600, 230400)
"""Common ones first. Parity is not tried out: it is read from bytes that were received without it."""

GOOD = 0.9
FAIR = 0.6
LOOK_S = 1.0
LOOK_BYTES = 300
QUIET_S = 0.3
LINES_N = 12
LISTEN_S = 4.0
EVENTS_N = 6
EVENT_WAIT_S = 30.0
LEAST_CHANGES_N = 3
PAUSE_S = 6.0
"""So long after the last of several events nobody presses a key any more."""

Open = Callable[[SerialSettings], Wire]
Tell = Callable[[str], None]
Chunks = list[tuple[int, bytes]]

_TEXT = frozenset({*range(0x20, 0x7F), 0x02, 0x03, 0x09, 0x0A, 0x0D, 0xB0, 0xB2})


def likeness(data: bytes) -> float:
    """How much bytes look like lines of text that resemble each other: 0 for noise, 1 for a clean stream."""
    if not data:
        return 0.0
    printable = sum(one in _TEXT for one in data) / len(data)
    try:
        end = find_terminator(Heard(((0, data),)))
    except CannotTell:
        return 0.3 * printable**2
    # Without the first and the last, which may be cut.
    lines = [line for line in data.split(end)[1:-1] if line] or [data.strip(end)]
    shapes = Counter(shape(line) for line in lines).most_common(4)
    alike = sum(count for _, count in shapes) / len(lines)
    return float(printable**3 * alike)


def seven_bits(data: bytes, baudrate: int) -> SerialSettings | None:
    """The setting if these bytes, received as eight bits, are seven bits and a parity bit of clean text."""
    if likeness(data) >= GOOD or likeness(bytes(one & 0x7F for one in data)) < GOOD:
        return None
    ones = {one.bit_count() % 2 for one in data}
    if len(ones) == 1:
        return SerialSettings(baudrate=baudrate, bytesize=7, parity="odd" if ones == {1} else "even")
    if all(one & 0x80 for one in data):
        return SerialSettings(baudrate=baudrate, bytesize=7, stopbits=2)
    return None


_CHANGE = re.compile(rb"([+-])(\d{10})")


def is_contact(data: bytes) -> bool:
    """Whether these are the changes of a dry contact: on and off by turns, each with its milliseconds.

    How it stands at first is said at 0 ms; where that was missed, it takes three changes to tell.
    """
    found = [_CHANGE.fullmatch(line) for line in data.split(b"\n")[:-1]]
    changes = [(one[1], int(one[2])) for one in found if one is not None]
    if len(changes) < len(found) or not changes or (changes[0][1] > 0 and len(changes) < LEAST_CHANGES_N):
        return False
    return all(early[0] != late[0] and early[1] <= late[1] > 0 for early, late in pairwise(changes))


def gather(wire: Wire, clock: Clock, enough: Callable[[Chunks, float], bool]) -> Chunks:
    """Reads until `enough(chunks, seconds since the start)`; times are µs since the start."""
    chunks: Chunks = []
    start_ns = clock.monotonic_ns()
    elapsed_s = 0.0
    while not enough(chunks, elapsed_s):
        data = wire.read(wait=True)
        elapsed_s = (clock.monotonic_ns() - start_ns) / 1e9
        if data:
            chunks.append((round(elapsed_s * 1e6), data))
    return chunks


def look(
    open_: Open, settings: SerialSettings, clock: Clock, seconds: float, *, until_quiet: bool = False
) -> bytes:
    """What comes at one setting, for a moment; `until_quiet`: one message is enough."""

    def enough(chunks: Chunks, elapsed_s: float) -> bool:
        if until_quiet and chunks and elapsed_s - chunks[-1][0] / 1e6 > QUIET_S:
            return True
        return elapsed_s >= seconds or _bytes_n(chunks) >= LOOK_BYTES

    wire = open_(settings)
    try:
        chunks = gather(wire, clock, enough)
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()
    return b"".join(data for _, data in chunks)


def find_setting(
    open_: Open, clock: Clock, tell: Tell, baudrates: Sequence[int] = BAUDRATES, *, wait_s: float = LISTEN_S
) -> SerialSettings | None:
    """The setting at which lines come; None if nothing comes at all.

    Raises:
        CannotTell: bytes come, but at no setting do they look like lines.
    """
    scores: dict[int, float] = {}
    sparse = False
    for baudrate in baudrates:
        setting = SerialSettings(baudrate=baudrate)
        tell(f"listening at {baudrate} baud" if len(baudrates) > 1 else "listening")
        # Whatever the speed, a gauge that speaks is heard as something: the first look decides if it does.
        data = look(open_, setting, clock, LOOK_S if scores and not sparse else wait_s, until_quiet=sparse)
        if not scores:
            if not data:
                return None
            sparse = len(data) < LOOK_BYTES
            if sparse and len(baudrates) > 1 and likeness(data) < GOOD:
                tell("it speaks now and then, but not at this speed: press its key once at each speed")
        seven = seven_bits(data, baudrate)
        if seven is not None:
            return seven
        scores[baudrate] = likeness(data)
        if scores[baudrate] >= GOOD:
            return setting
    best = max(scores, key=lambda baudrate: scores[baudrate])
    if scores[best] < FAIR:
        raise CannotTell("bytes come, but at no speed do they look like lines of text")
    return SerialSettings(baudrate=best)


def hear(open_: Open, settings: SerialSettings, clock: Clock, tell: Tell) -> Heard:
    """Listens at one setting long enough to see how the gauge speaks; nothing heard if it stays silent."""
    wire = open_(settings)
    told = False

    def enough(chunks: Chunks, elapsed_s: float) -> bool:
        nonlocal told
        lines_n = _ends_n(chunks)
        if elapsed_s < LISTEN_S:
            return False
        if is_contact(b"".join(data for _, data in chunks)):
            return True
        if lines_n >= LINES_N:
            return True
        if not told:
            told = True
            tell(f"lines come now and then: let the gauge send {EVENTS_N} or more (press its key)")
        silent_s = elapsed_s - chunks[-1][0] / 1e6 if chunks else 0.0
        return elapsed_s >= EVENT_WAIT_S or (lines_n >= EVENTS_N and silent_s >= PAUSE_S)

    try:
        # What waits in the system's buffer came at times nobody knows.
        waited = wire.read(wait=False)
        if is_contact(waited):
            return Heard(((0, waited),), settings)
        return Heard(tuple(gather(wire, clock, enough)), settings)
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()


def _bytes_n(chunks: Chunks) -> int:
    return sum(len(data) for _, data in chunks)


def _ends_n(chunks: Chunks) -> int:
    """How many messages there are: ends of lines, or pauses where no end is known."""
    data = b"".join(part for _, part in chunks)
    pauses = sum(late - early > 100_000 for (early, _), (late, _) in pairwise(chunks))
    return max(data.count(b"\n"), data.count(b"\r"), data.count(b"\x03"), pauses)
