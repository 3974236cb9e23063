"""One gauge's stream: what its port tells, decoded, timed and captured.

The live service, replay and verification all run this very code on the same events, so the same bytes give
the same readings. It holds no clock and touches no disk.
"""

from collections import deque
from dataclasses import replace
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from acquire.capture.ambient import AMBIENT, AmbientCapture
from acquire.capture.counts import CountCapture
from acquire.capture.pulls import PullCapture, pull_settings
from acquire.capture.sample_clock import SampleClock
from acquire.capture.settled import SettledCapture
from acquire.capture.taken import Taken
from acquire.capture.typed import TypedCapture
from acquire.errors import RecordingError
from acquire.ports.events import PortEvent
from acquire.units import newtons_per
from drivers.base import Batch, Driver, FrameError, RequestError
from drivers.description import GaugeDescription
from drivers.registry import make_driver

Times = NDArray[np.int64]

KEPT_ERRORS = 32


class Capture(Protocol):
    """Turns timed samples into items; see `acquire.capture`."""

    def feed(self, t_us: Times, batch: Batch) -> list[Taken]: ...

    def interrupt(self, why: str) -> list[Taken]: ...

    def finish(self) -> list[Taken]: ...


class GaugeStream:
    """Takes the events of one port in order and gives what capture found.

    Args:
        description: the gauge.
        chosen: capture settings that override those derived from the gauge (see `PullSettings`); they
            belong to the stream for its whole life.
        place, places: of several gauges on one line, which this is. They share one recording, and number
            their items in turn, so that a number means one item.
    """

    def __init__(
        self,
        description: GaugeDescription,
        chosen: dict[str, float | None] | None = None,
        *,
        place: int = 0,
        places: int = 1,
    ) -> None:
        self.description = description
        self.chosen = dict(chosen or {})
        self.damaged = 0
        self.samples = 0
        self.errors: deque[FrameError] = deque(maxlen=KEPT_ERRORS)
        """The newest damaged frames, for a report."""
        self.latest: Batch | None = None
        self.latest_t_us: Times = np.empty(0, dtype=np.int64)
        self._driver = make_driver(description)
        self._capture = _capture_for(description, self._driver, self.chosen)
        self._opening = -1
        self._received = 0
        self.place, self.places = place, places
        self._ordinal = place
        timing = description.timing
        self._clock = SampleClock(timing.rate_hz) if timing.rate_hz else None
        self.t_source: Literal["line position", "host read"] = (
            "line position" if timing.rate_hz else "host read"
        )

    @property
    def opening(self) -> int:
        """How often the port had been opened before, in this recording."""
        return max(0, self._opening)

    @property
    def complaint(self) -> str | None:
        """Why no value of the gauge is good for the time being; None if they are."""
        return self._driver.complaint

    @property
    def unframed_n(self) -> int:
        """How many bytes came since the last whole message."""
        return self._driver.unframed_n

    @property
    def longest_frame_bytes(self) -> int:
        """A message this long is damaged."""
        return self._driver.max_frame_bytes

    @property
    def full_scale_n(self) -> float:
        """Largest force the gauge can show, in N.

        Raises:
            ValueError: it is no force gauge.
        """
        return self.description.range[1] * newtons_per(self.description.unit)

    def take(self, event: PortEvent) -> list[Taken]:
        """Takes the next event.

        Raises:
            RecordingError: a recording holds a request this description does not send.
        """
        if event.kind == "chunk":
            return self.take_chunks(event.data, np.array([event.t_us]), np.array([len(event.data)]))
        if event.kind == "sent":
            self._note_sent(event)
            return []
        if event.kind == "open":
            self._driver.reset()
            self._opening += 1
            self._received = 0
            if self._clock is not None:
                self._clock.restart(event.t_us)
            return []
        return self._number(self._capture.interrupt(event.note or "the port was closed"))

    def finish(self) -> list[Taken]:
        """The stream has ended for good."""
        return self._number(self._capture.finish())

    def take_chunks(self, data: bytes, t_us: Times, ends: Times) -> list[Taken]:
        """Takes many chunks at once, with the same outcome as one by one.

        Args:
            data: the chunks, joined.
            t_us: when each was read, shape (chunks,).
            ends: where each ends in `data`, shape (chunks,).
        """
        batch = self._own(self._driver.feed(data))
        if batch.errors:
            self.damaged += len(batch.errors)
            self.errors.extend(batch.errors)
        sample_t_us = self._times(batch.ends, t_us, ends + self._received)
        self._received += len(data)
        self.samples += len(batch)
        self.latest, self.latest_t_us = batch, sample_t_us
        return self._number(self._capture.feed(sample_t_us, batch)) if len(batch) or batch.errors else []

    def _own(self, batch: Batch) -> Batch:
        """Without the temperature that a force gauge tells beside its force; all of it for slow values."""
        quantity = self.description.quantity
        if quantity in AMBIENT or all(kind.quantity == quantity for kind in batch.kinds):
            return batch
        kept = np.array([kind.quantity == quantity for kind in batch.kinds])[batch.kind_index]
        return replace(
            batch, values=batch.values[kept], ends=batch.ends[kept], kind_index=batch.kind_index[kept]
        )

    def _times(self, sample_ends: Times, t_us: Times, chunk_ends: Times) -> Times:
        """When each sample was taken, as well as can be told; all offsets count from the opening.

        The operating system hands over several lines at once, or one burst in pieces. For a gauge of known
        rate a clock that counts samples runs on from chunk to chunk, and each chunk sets it a little.
        """
        if not len(sample_ends):
            return np.empty(0, dtype=np.int64)
        chunk = np.searchsorted(chunk_ends, sample_ends)
        # Chunk numbers only rise, so runs of the same one are found without sorting.
        first = np.append(0, np.flatnonzero(np.diff(chunk)) + 1)
        counts = np.diff(first, append=len(chunk))
        read_us = t_us[chunk[first]]
        if self._clock is None:
            return np.asarray(np.repeat(read_us, counts), dtype=np.int64)
        last_us, step_us = self._clock.take(read_us, counts)
        behind = np.repeat(first + counts, counts) - 1 - np.arange(len(sample_ends))
        back_us = np.round(behind * np.repeat(step_us, counts)).astype(np.int64)
        return np.asarray(np.repeat(last_us, counts) - back_us, dtype=np.int64)

    def _number(self, items: list[Taken]) -> list[Taken]:
        numbered = []
        for item in items:
            numbered.append(replace(item, ordinal=self._ordinal, opening=self.opening))
            self._ordinal += self.places
        return numbered

    def _note_sent(self, event: PortEvent) -> None:
        try:
            errors = self._driver.sent(event.data)
        except RequestError as error:
            raise RecordingError(
                f"at {event.t_us / 1e6:.6f} s {error}",
                hint="replay it with the description it was recorded with",
            ) from error
        self.damaged += len(errors)
        self.errors.extend(errors)


def _capture_for(description: GaugeDescription, driver: Driver, chosen: dict[str, float | None]) -> Capture:
    timing = description.timing
    if not driver.needs_port:
        return TypedCapture(description.quantity, description.unit, description.resolution)
    if description.quantity == "force":
        rate_hz = timing.rate_hz or (1.0 / timing.period_s if timing.period_s else 10.0)
        return PullCapture(
            pull_settings(
                rate_hz=rate_hz,
                resolution=description.resolution,
                full_scale=description.range[1],
                unit=description.unit,
                **chosen,
            )
        )
    if description.quantity == "gloss":
        return SettledCapture(description.resolution)
    if description.quantity in AMBIENT:
        return AmbientCapture(description.resolution, description.unit)
    return CountCapture(line_per_stroke=timing.mode == "on event" and not driver.counts_from_zero)
