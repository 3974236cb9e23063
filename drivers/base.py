"""What every driver gives and the one loop that feeds it.

    chunk ──feed()──> buffer ──split()──> frame ──decode()──> sample

A driver is pure: it owns no port, no clock and no thread, and opens nothing. A protocol family writes
`split` (where does a frame end?) and `decode` (what does a frame say?). The loop here belongs to the base
class, so that every driver treats cut, joined and over-long messages alike: the outcome depends on the
bytes, never on how they were chunked.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import final

import numpy as np
from numpy.typing import NDArray


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


@dataclass(frozen=True, slots=True)
class Kind:
    """What a value is, shared by the many samples that are alike in everything but the value.

    `flags` holds what the gauge itself said of the value ("overload", "unstable", "low battery") and
    what the driver saw ("out of range", "wrong unit"). A value with any flag in `SPOILING` is never good.
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
    """A decoded value, not yet accepted for anything. `end` is the stream offset just behind its frame."""

    kind: Kind
    value: float
    end: int = 0


@dataclass(slots=True)
class Batch:
    """The samples of one feed as columns, in stream order; `kind_index[i]` points into `kinds`.

    Columns because a force gauge sends thousands of values a second, all of one kind.
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


class Driver(ABC):
    """Base of all drivers. One instance reads one stream; `reset` makes it ready for a new one."""

    max_frame_bytes: int = 256

    def __init__(self) -> None:
        self._kinds: list[Kind] = []
        self._index_of: dict[Kind, int] = {}
        self.reset()

    @final
    def reset(self) -> None:
        """Forgets half-received bytes: the stream was lost and starts anew at offset 0."""
        self._buffer = bytearray()
        self._start = 0  # stream offset of the buffer's first byte
        self._skipping = False  # inside the rest of an over-long frame
        self.begin()

    @final
    def feed(self, chunk: bytes) -> Batch:
        """Takes bytes, returns the samples and frame errors they completed. Raises nothing.

        Any cutting of the same bytes into chunks gives the same samples, errors and offsets.
        """
        frames: list[bytes] = []
        ends: list[int] = []
        errors: list[FrameError] = []
        self._buffer += chunk
        self._cut(frames, ends, errors)
        batch = self.decode_all(frames, ends)
        if errors:
            batch.errors = sorted([*batch.errors, *errors], key=lambda error: error.at)
        return batch

    def _cut(self, frames: list[bytes], ends: list[int], errors: list[FrameError]) -> None:
        used = 0
        buffer = self._buffer
        while True:
            found = self.split(buffer, used)
            if found is None:
                # Up to `split_tail_bytes` of what waits may belong to a terminator cut in two.
                pending = len(buffer) - used - self.split_tail_bytes
                # While an over-long frame is being skipped, no byte of it needs keeping.
                if pending >= self.max_frame_bytes:
                    if not self._skipping:
                        self._report_overlong(buffer, used, errors)
                    self._skipping = True
                    used = len(buffer) - self.split_tail_bytes
                break
            frame_stop, next_start = found
            if self._skipping:
                self._skipping = False
            elif frame_stop - used >= self.max_frame_bytes:
                self._report_overlong(buffer, used, errors)
            else:
                frames.append(bytes(buffer[used:frame_stop]))
                ends.append(self._start + next_start)
            used = next_start
        del buffer[:used]
        self._start += used

    def _report_overlong(self, buffer: bytearray, used: int, errors: list[FrameError]) -> None:
        """Reports at the byte where the cap was reached, so that chunking cannot move it."""
        cap = used + self.max_frame_bytes
        errors.append(
            FrameError(
                f"no end of message within {self.max_frame_bytes} bytes; skipped to the next one",
                bytes(buffer[used:cap]),
                self._start + cap,
            )
        )

    def kind_number(self, kind: Kind) -> int:
        """The index of `kind` in this driver's `kinds`, added on first use."""
        number = self._index_of.get(kind)
        if number is None:
            number = self._index_of[kind] = len(self._kinds)
            self._kinds.append(kind)
        return number

    def decode_all(self, frames: Sequence[bytes], ends: Sequence[int]) -> Batch:
        """Decodes frames one by one; a family may override it with something faster that gives the same."""
        values: list[float] = []
        kept: list[int] = []
        numbers: list[int] = []
        errors: list[FrameError] = []
        for frame, end in zip(frames, ends, strict=True):
            try:
                sample = self.decode(frame)
            except FrameError as error:
                errors.append(FrameError(error.why, error.frame, end))
                continue
            if sample is not None:
                values.append(sample.value)
                kept.append(end)
                numbers.append(self.kind_number(sample.kind))
        return Batch(
            np.array(values, dtype=np.float64),
            np.array(kept, dtype=np.int64),
            np.array(numbers, dtype=np.int16),
            self._kinds,
            errors,
        )

    split_tail_bytes: int = 0
    """How many bytes at the end of a skipped run `split` must see again (a terminator may be cut in two)."""

    def begin(self) -> None:  # noqa: B027  a hook: most families keep no state of their own
        """Called by `reset`: forget whatever the family remembers of the old stream."""

    @abstractmethod
    def split(self, buffer: bytearray, start: int) -> tuple[int, int] | None:
        """Finds the first frame at or behind `start`.

        Returns:
            (where the frame stops, where the next one starts), as offsets into `buffer`, or None if the
            frame is not complete yet. The second number is greater than `start`.
        """

    @abstractmethod
    def decode(self, frame: bytes) -> Sample | None:
        """Says what one frame means; None for a frame that rightly carries no value (a banner, an echo).

        Raises:
            FrameError: the frame is damaged or not understood. Nothing else may escape.
        """
