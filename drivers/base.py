"""What every driver gives and the one loop that feeds it.

    chunk ──feed()──> waiting bytes ──split()──> frame ──decode()──> sample
                             └──────decode_bulk()──────────────────────┘

A driver is pure: it owns no port, no clock and no thread, and opens nothing. A protocol family writes
`split` (where does a frame end?) and `decode` (what does a frame say?). The loop here belongs to the base
class, so that every driver treats cut, joined and over-long messages alike: the outcome depends on the
bytes, never on how they were chunked. A family that must keep up with fast gauges or long replays adds
`decode_bulk`, which may only be quicker, never different.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Self, final

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from drivers.plan import Plan, Request, any_bytes

if TYPE_CHECKING:
    from drivers.description import CommonKeys, GaugeDescription

BLOCK_BYTES = 65536
"""Long chunks are worked through in blocks of this size: the columns of one stay in the processor's cache."""


class FrameError(ValueError):
    """One frame that could not be used: counted and kept, never the end of a session.

    `at` is the offset of the frame's end in the stream since the driver was made or reset.
    """

    def __init__(self, why: str, frame: bytes, at: int = 0) -> None:
        super().__init__(why, frame, at)
        self.why = why
        self.frame = frame
        self.at = at

    def __str__(self) -> str:
        return f"{self.why}: {self.frame!r} (ends at byte {self.at})"


class RequestError(ValueError):
    """A request was recorded that this gauge is never asked: the recording is of another gauge."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What a value is, shared by the many samples that are alike in everything but the value.

    `flags` holds what the gauge itself said of the value ("overload", "unstable", "low battery") and
    what the driver saw ("out of range", "wrong unit"). A value with any flag in `SPOILING` is never good.
    A "fault" comes with a second flag that says in words what is wrong.
    """

    quantity: str
    unit: str
    channel: str | None = None
    flags: frozenset[str] = frozenset()

    @property
    def good(self) -> bool:
        return not (self.flags & SPOILING)


SPOILING = frozenset({"overload", "unstable", "out of range", "wrong unit", "fault"})
"""Flags that take a value out of use. "low battery" is not among them: it warns."""


@dataclass(frozen=True, slots=True)
class Sample:
    """A decoded value, not yet accepted for anything. `end` is the stream offset just behind its frame.

    `value` is NaN where the gauge sent a flag in place of a number.
    """

    kind: Kind
    value: float
    end: int = 0


@dataclass(slots=True)
class Batch:
    """The samples of one feed as columns, in stream order; `kind_index[i]` points into `kinds`.

    Columns because a force gauge sends thousands of values a second, all of one kind. `errors` are in
    stream order too. `kinds` belongs to the driver and grows as new kinds turn up.
    """

    values: NDArray[np.float64]
    ends: NDArray[np.int64]
    kind_index: NDArray[np.int16]
    kinds: Sequence[Kind]
    errors: list[FrameError] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.values)

    def __iter__(self) -> Iterator[Sample]:
        for value, end, index in zip(
            self.values.tolist(), self.ends.tolist(), self.kind_index.tolist(), strict=True
        ):
            yield Sample(self.kinds[index], value, end)

    @classmethod
    def joined(cls, batches: Sequence[Self]) -> Self:
        """Consecutive batches of one driver as one."""
        return cls(
            np.concatenate([batch.values for batch in batches]),
            np.concatenate([batch.ends for batch in batches]),
            np.concatenate([batch.kind_index for batch in batches]),
            batches[-1].kinds,
            [error for batch in batches for error in batch.errors],
        )


class Driver(ABC):
    """Base of all drivers. One instance reads one stream; `reset` makes it ready for a new one."""

    settings_key: ClassVar[str]
    """Name of the family's own table in a description file."""
    Settings: ClassVar[type[BaseModel]]
    """What that table holds; a description that names this family is checked against it."""

    max_frame_bytes: int = 256
    """A frame this long or longer (without its terminator) is damaged: reported and skipped."""
    split_tail_bytes: int = 0
    """How many bytes at the end of a skipped run `split` must see again: those of a terminator but one, as it
    may be cut in two; at least a whole frame where frames are found by their content."""
    first_may_be_cut: bool = False
    """A stream may begin inside a frame: what comes before the first frame's end is not looked at."""
    bulk_from_bytes: int | None = None
    """From this many waiting bytes on, `decode_bulk` is tried first; None where the family has none."""
    asks_itself: ClassVar[bool] = False
    """The family makes its requests; a description then gives none and is always polled."""
    needs_port: ClassVar[bool] = True
    """False for what a person reads and types."""
    counts_from_zero: ClassVar[bool] = False
    """For counts: the first value after opening says where the count stands, not that something happened."""
    complaint: str | None = None
    """Why no value of this gauge is good for the time being, in words for a person; None if they are."""

    def __init__(self, description: "GaugeDescription") -> None:
        self.description = description
        self._kinds: list[Kind] = []
        self._number_of: dict[Kind, int] = {}
        self._asks: frozenset[bytes] | None = None
        self.reset()

    @final
    def reset(self) -> None:
        """Forgets half-received bytes: the stream was lost and starts anew at offset 0."""
        self._waiting = b""
        self._start = 0  # stream offset of the first waiting byte
        self._framed = 0  # stream offset behind the last frame that ended
        self._skipping = self.first_may_be_cut
        self.begin()

    @final
    def feed(self, chunk: bytes) -> Batch:
        """Takes bytes, returns the samples and frame errors they completed. Raises nothing.

        Any cutting of the same bytes into chunks gives the same samples, errors and offsets.
        """
        if len(chunk) <= BLOCK_BYTES:
            return self._feed_block(chunk)
        starts = range(0, len(chunk), BLOCK_BYTES)
        return Batch.joined([self._feed_block(chunk[start : start + BLOCK_BYTES]) for start in starts])

    def _feed_block(self, chunk: bytes) -> Batch:
        data = self._waiting + chunk if self._waiting else chunk
        used = self._skip(data) if self._skipping else 0
        bulk = None
        if self.bulk_from_bytes is not None and len(data) - used >= self.bulk_from_bytes:
            bulk = self.decode_bulk(data, used, self._start)
        if bulk is not None:
            batch, used = bulk
        else:
            batch, used = self._one_by_one(data, used)
        if not self._skipping:
            self._framed = self._start + used
        # Up to `split_tail_bytes` of what waits may belong to a terminator cut in two: not part of the frame.
        if len(data) - used - self.split_tail_bytes >= self.max_frame_bytes:
            batch.errors.append(self._overlong(data, used))
            self._skipping = True
            used = len(data) - self.split_tail_bytes
        self._waiting = data[used:]
        self._start += used
        return batch

    def _skip(self, data: bytes) -> int:
        """Leaves a frame whose beginning is not wanted; returns how much of `data` is done with."""
        found = self.split(data, 0)
        if found is None:
            return max(0, len(data) - self.split_tail_bytes)
        self._skipping = False
        return found[1]

    def _one_by_one(self, data: bytes, used: int) -> tuple[Batch, int]:
        frames: list[bytes] = []
        ends: list[int] = []
        overlong: list[FrameError] = []
        while not self._skipping and (found := self.split(data, used)) is not None:
            stop, next_start = found
            if next_start <= used:
                raise RuntimeError(f"{type(self).__name__}.split({used}) gave {found}: it must move on")
            if stop - used >= self.max_frame_bytes:
                overlong.append(self._overlong(data, used))
            else:
                frames.append(data[used:stop])
                ends.append(self._start + next_start)
            used = next_start
        batch = self.decode_all(frames, ends)
        if overlong:
            batch.errors = sorted([*batch.errors, *overlong], key=lambda error: error.at)
        return batch, used

    def _overlong(self, data: bytes, used: int) -> FrameError:
        """Placed at the byte where the cap was reached, so that chunking cannot move it."""
        stop = used + self.max_frame_bytes
        why = f"no end of message within {self.max_frame_bytes} bytes; skipped to the next one"
        return FrameError(why, data[used:stop], self._start + stop)

    @property
    def waiting_n(self) -> int:
        """How many received bytes wait for the rest of their frame."""
        return len(self._waiting)

    @property
    def unframed_n(self) -> int:
        """How many bytes came since the last frame ended; more than any frame has are no frame at all."""
        return self._start + len(self._waiting) - self._framed

    def drop_waiting(self, why: str) -> list[FrameError]:
        """Gives up the bytes that wait, for a family that knows that no frame can begin with them."""
        dropped, self._waiting = self._waiting, b""
        self._start += len(dropped)
        self._skipping = False
        return [FrameError(why, dropped, self._start)] if dropped else []

    def kind_number(self, kind: Kind) -> int:
        """The index of `kind` in this driver's `kinds`, added on first use.

        Families keep the number of kinds small whatever the bytes say: kinds are never forgotten.
        """
        number = self._number_of.get(kind)
        if number is None:
            number = self._number_of[kind] = len(self._kinds)
            self._kinds.append(kind)
        return number

    def batch(
        self, values: list[float], ends: list[int], numbers: list[int], errors: list[FrameError]
    ) -> Batch:
        """The lists as columns."""
        return Batch(
            np.array(values, dtype=np.float64),
            np.array(ends, dtype=np.int64),
            np.array(numbers, dtype=np.int16),
            self._kinds,
            errors,
        )

    def decode_all(self, frames: Sequence[bytes], ends: Sequence[int]) -> Batch:
        """Decodes frames one by one; a family may override it with something faster that gives the same.

        Args:
            frames: complete frames in stream order.
            ends: the stream offset just behind each.
        """
        values: list[float] = []
        kept: list[int] = []
        numbers: list[int] = []
        errors: list[FrameError] = []
        for frame, end in zip(frames, ends, strict=True):
            try:
                said = self.decode(frame)
            except FrameError as error:
                errors.append(FrameError(error.why, error.frame, end))
                continue
            for sample in (said,) if isinstance(said, Sample) else said or ():
                values.append(sample.value)
                kept.append(end)
                numbers.append(self.kind_number(sample.kind))
        return self.batch(values, kept, numbers, errors)

    def decode_bulk(self, data: bytes, start: int, origin: int) -> tuple[Batch, int] | None:
        """Decodes all complete frames at once, giving exactly what the one-by-one way gives.

        Args:
            data: what waits; `start` is where its first frame begins.
            start: offset into `data`.
            origin: stream offset of `data[0]`.

        Returns:
            The batch and the offset into `data` behind the last complete frame, or None to leave these
            bytes to the one-by-one way (always, if one of the frames is over-long).
        """
        return None

    @final
    def sent(self, data: bytes) -> list[FrameError]:
        """Takes note of bytes that were sent to the gauge, in order with what it is fed.

        Returns:
            What that makes known of earlier requests: a reply that never came.

        Raises:
            RequestError: the gauge is asked, but never that.
        """
        if self._asks is None:
            plan = self.plan()
            self._asks = frozenset() if plan is None else plan.known
        if self._asks and data not in self._asks and not self.is_foreign(data):
            said = " or ".join(repr(request) for request in sorted(self._asks))
            raise RequestError(f"{data!r} was sent, but {self.description.name} sends {said}")
        return self.asked(data)

    @classmethod
    def faults_in(cls, common: "CommonKeys", settings: BaseModel) -> list[str]:
        """What is wrong between the family's table and the rest of a description, each with its key."""
        return []

    def plan(self) -> Plan | None:
        """What the gauge is asked, and when; None if it speaks by itself."""
        request = self.description.timing.request
        if request is None:
            return None
        return Plan((Request(request, self.missing),), byte_s=self.description.serial.byte_s)

    def missing(self, received: bytes) -> int:
        """About how many bytes of a reply are still to come; see `drivers.plan.Missing`."""
        return any_bytes(received)

    def asked(self, data: bytes) -> list[FrameError]:
        """A request went out, one of the plan's or a foreign one; see `sent`."""
        return []

    def is_foreign(self, data: bytes) -> bool:
        """Whether this is a request to another gauge on the same line."""
        return False

    def begin(self) -> None:  # noqa: B027  a hook: most families keep no state of their own
        """Called by `reset`: forget whatever the family remembers of the old stream."""

    @abstractmethod
    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        """Finds the end of the frame that begins at `start`.

        Returns:
            (where the frame stops, where the next one starts), as offsets into `data`, or None if the
            frame is not complete yet. The second number is greater than `start`.
        """

    @abstractmethod
    def decode(self, frame: bytes) -> Sample | Sequence[Sample] | None:
        """Says what one frame means: one value or several, which are then all of one moment.

        None for a frame that rightly carries no value (a banner, an echo).

        Raises:
            FrameError: the frame is damaged or not understood. Nothing else may escape.
        """
