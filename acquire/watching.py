"""What a person sees of one port: bytes, what was read from them and what was wrong, side by side.

Takes the same events as the service and decodes with the same drivers, but captures and keeps nothing.
"""

from collections import deque
from dataclasses import dataclass
from typing import Literal

from acquire.clock import Clock
from acquire.ports.events import PortEvent
from acquire.recordings import Recorder
from acquire.recordings.format import MarkKind
from drivers.base import Sample
from drivers.description import GaugeDescription
from drivers.registry import make_driver

KEPT_ROWS = 200
KEPT_FAULTS = 50
RATE_OVER_US = 2_000_000
TRACE_S = 10.0
HELD_US = 2_000_000
CALM_US = 500_000
"""On a screen, values that are like the one before are shown this often at most; faults always."""
_MOST_WAITING = 4096
_BLOCKS = " ▁▂▃▄▅▆▇█"


class Unrecorded(Recorder):
    """In place of a recording where nobody asked for one: gives the times, writes nothing."""

    def __init__(self, clock: Clock) -> None:
        self._now_ns = clock.monotonic_ns
        self._start_ns = clock.monotonic_ns()
        self.start_utc = clock.utc()

    def now_us(self) -> int:
        return (self._now_ns() - self._start_ns + 500) // 1000

    def chunk(self, data: bytes, t_us: int) -> None:
        """Writes nothing."""

    def sent(self, data: bytes, t_us: int) -> None:
        """Writes nothing."""

    def mark(self, kind: MarkKind, note: str, t_us: int) -> str:
        """Writes nothing."""
        return note

    def sync(self) -> None:
        """There is nothing to bring to the disk."""

    def close(self) -> None:
        """There is nothing to close."""


@dataclass(frozen=True, slots=True)
class Row:
    """One message and what became of it. `like` is equal for rows that say the same but for the number."""

    t_us: int
    kind: Literal["value", "fault", "mark", "sent", "other"]
    raw: str
    says: str
    like: str = ""


def escape(data: bytes) -> str:
    """Bytes as people read them: printable ones as they are, the others as escapes."""
    return repr(data)[2:-1]


def in_words(sample: Sample) -> str:
    """A sample: value, unit, channel, flags."""
    kind = sample.kind
    number = "no number" if sample.value != sample.value else f"{sample.value:.10g}"
    words = [number, "" if kind.unit == "1" else kind.unit]
    words += [f"at {kind.channel}" if kind.channel else "", ", ".join(sorted(kind.flags)).upper()]
    return " ".join(word for word in words if word)


class Watched:
    """Follows one port; without a description it shows bytes alone.

    Args:
        description: how the gauge speaks, if that is known.
    """

    def __init__(self, description: GaugeDescription | None) -> None:
        self.description = description
        self._driver = None if description is None else make_driver(description)
        settings = None if description is None else description.settings
        end = getattr(settings, "terminator", b"" if description is not None else b"\n")
        self._end: bytes = end
        self.rows: deque[Row] = deque(maxlen=KEPT_ROWS)
        self.faults: deque[Row] = deque(maxlen=KEPT_FAULTS)
        self.values_n = self.damaged_n = self.bytes_n = 0
        self.latest: Sample | None = None
        self.last_byte_us: int | None = None
        self.open = False
        self._waiting = b""
        self._base = 0
        self._trace: deque[tuple[int, float]] = deque(maxlen=100_000)
        self._times_us: deque[int] = deque(maxlen=100_000)

    def take(self, event: PortEvent) -> list[Row]:
        """Takes an event and gives the rows it makes; they are kept in `rows` too."""
        if event.kind == "chunk":
            rows = self._chunk(event)
        elif event.kind == "sent":
            rows = self._sent(event)
        else:
            rows = self._mark(event)
        self.rows += rows
        self.faults += [row for row in rows if row.kind == "fault"]
        return rows

    def _mark(self, event: PortEvent) -> list[Row]:
        rest = [self._other(event, self._waiting)] if self._waiting else []
        self._waiting, self._base = b"", 0
        self.open = event.kind == "open"
        if self.open and self._driver is not None:
            self._driver.reset()
        kind: Literal["mark", "fault"] = "fault" if event.kind == "lost" else "mark"
        return [*rest, Row(event.t_us, kind, "", f"{event.kind}: {event.note}" if event.note else event.kind)]

    def _sent(self, event: PortEvent) -> list[Row]:
        errors = [] if self._driver is None else self._driver.sent(event.data)
        self.damaged_n += len(errors)
        rows = [Row(event.t_us, "fault", escape(error.frame), error.why) for error in errors]
        return [*rows, Row(event.t_us, "sent", escape(event.data), "asked", "asked")]

    def _chunk(self, event: PortEvent) -> list[Row]:
        self._waiting += event.data
        self.bytes_n += len(event.data)
        self.last_byte_us = event.t_us
        if self._driver is None:
            return self._others(event, len(self._waiting) if not self._end else None)
        batch = self._driver.feed(event.data)
        told: dict[int, list[Row]] = {}
        for sample in batch:
            self._note(event.t_us, sample)
            words = in_words(sample)
            told.setdefault(sample.end, []).append(
                Row(event.t_us, "value", "", words, str((sample.kind, len(words.split()))))
            )
        for error in batch.errors:
            self.damaged_n += 1
            told.setdefault(error.at, []).append(Row(event.t_us, "fault", "", error.why))
        rows = [row for end in sorted(told) for row in self._with_bytes(event, end, told[end])]
        return rows + self._others(event, None)

    def _note(self, t_us: int, sample: Sample) -> None:
        self.values_n += 1
        self.latest = sample
        self._times_us.append(t_us)
        if sample.value == sample.value:
            self._trace.append((t_us, sample.value))

    def _with_bytes(self, event: PortEvent, end: int, rows: list[Row]) -> list[Row]:
        """The rows of one message, with its bytes on the first; messages in front that said nothing."""
        raw = self._waiting[: max(0, end - self._base)]
        self._waiting, self._base = self._waiting[len(raw) :], self._base + len(raw)
        front = b""
        if self._end:
            at = raw.removesuffix(self._end).rfind(self._end)
            front, raw = (b"", raw) if at < 0 else (raw[: at + len(self._end)], raw[at + len(self._end) :])
        shown = [self._other(event, front)] if front else []
        texts = [escape(raw), *("" for _ in rows[1:])]
        return shown + [
            Row(row.t_us, row.kind, text, row.says, row.like) for row, text in zip(rows, texts, strict=True)
        ]

    def _others(self, event: PortEvent, upto: int | None) -> list[Row]:
        """Whole messages at the end that carried no value; what piles up without an end is shown too."""
        if upto is None:
            at = self._waiting.rfind(self._end) if self._end else -1
            upto = at + len(self._end) if at >= 0 else 0
            if len(self._waiting) > _MOST_WAITING:
                upto = len(self._waiting)
        data, self._waiting = self._waiting[:upto], self._waiting[upto:]
        self._base += len(data)
        lines = data.splitlines(keepends=True) if self._driver is None else [data]
        return [self._other(event, line) for line in lines if line]

    def _other(self, event: PortEvent, data: bytes) -> Row:
        says = "" if self._driver is None else "no value"
        return Row(event.t_us, "other", escape(data[-80:]), says, says)

    def rate_hz(self, now_us: int) -> float:
        """Values a second, over the last two seconds."""
        while self._times_us and self._times_us[0] < now_us - RATE_OVER_US:
            self._times_us.popleft()
        return len(self._times_us) * 1e6 / RATE_OVER_US

    def silent_s(self, now_us: int) -> float | None:
        """Seconds since the last byte; None before the first."""
        return None if self.last_byte_us is None else max(0, now_us - self.last_byte_us) / 1e6

    def trace(self, now_us: int, width: int, height: int) -> tuple[list[str], float, float] | None:
        """The last seconds as rows of blocks, top row first, with the highest and the lowest value.

        Returns:
            None where there is no value in that time.
        """
        span_us = int(TRACE_S * 1e6)
        while self._trace and self._trace[0][0] < now_us - span_us:
            self._trace.popleft()
        if not self._trace:
            return None
        columns: list[float | None] = [None] * width
        last_place, last_us = -1, 0
        for t_us, value in self._trace:
            place = min(width - 1, max(0, (t_us - now_us + span_us) * width // span_us))
            if last_place >= 0 and t_us - last_us < HELD_US:
                # Slow gauges leave columns free: the display of the gauge stands still there, too.
                columns[last_place + 1 : place] = [columns[last_place]] * max(0, place - last_place - 1)
            last_place, last_us = place, t_us
            before = columns[place]
            # The value farthest from zero: a short peak is what one looks for.
            columns[place] = value if before is None or abs(value) > abs(before) else before
        low, high = min(v for _, v in self._trace), max(v for _, v in self._trace)
        step = (high - low) / (height * 8 - 1) if high > low else 1.0
        eighths = [0 if value is None else 1 + round((value - low) / step) for value in columns]
        rows = [
            "".join(_BLOCKS[min(8, max(0, one - 8 * row))] for one in eighths)
            for row in reversed(range(height))
        ]
        return rows, high, low


class Calm:
    """Leaves out rows that only repeat, so that a fast gauge can be read on a screen."""

    def __init__(self) -> None:
        self._like = ""
        self._t_us = -CALM_US
        self.skipped_n = 0

    def shows(self, row: Row) -> bool:
        """Whether this row is worth a line of the screen."""
        if row.kind == "sent":
            return False
        if row.kind in ("value", "other"):
            same = row.like == self._like
            if row.t_us - self._t_us < CALM_US and same:
                self.skipped_n += 1
                return False
            self._t_us, self._like = row.t_us, row.like
        return True
