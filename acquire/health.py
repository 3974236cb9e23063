"""Notices what is wrong with what a gauge sends although its port is fine, and says it in plain words.

    events ──> GaugeStream ──damaged, unframed, values──> Health ──trouble──> told once, written down

It changes no value and drops none: a damaged line is no sample and a stuck value stays a sample, whatever is
said here. Times are the recording's microseconds.
"""

from collections import deque
from collections.abc import Mapping
from math import isnan, nan

import numpy as np

from acquire.ports.events import PortEvent
from acquire.stream import GaugeStream, Times
from drivers.base import SPOILING, Batch
from drivers.description import GaugeDescription
from drivers.registry import driver_class, make_driver

LASTS_US = 1_000_000
"""What is over sooner is an ordinary disturbance: counted, and told to nobody."""
DAMAGED_N = 5
DAMAGED_ON_EVENT_N = 2
"""Of a gauge that speaks at a key press or a stroke: nobody presses five times in vain."""
ECHOES_N = 3
ECHO_OVER_US = 3_000_000
STUCK_US = 30_000_000
STUCK_RUNS = 10
"""A value that never lasted a second is stuck after half a minute; a coarse gauge at rest has long runs."""
NEVER_MOVED_US = 60_000_000
KEPT_BYTES = 1024
_BEYOND_USE = SPOILING - {"unstable", "overload"}

ECHO = "sends our own requests back (echo): switch the echo off at the gauge or its adapter"


class Health:
    """Watches one gauge's stream.

    Args:
        stream: the gauge's; it has taken each event before this is told of it.
        port: its address, for the advice.
        others: the other gauges of the bench by name, to tell whose messages these might be.
    """

    def __init__(
        self, stream: GaugeStream, port: str, others: Mapping[str, GaugeDescription] | None = None
    ) -> None:
        self._stream = stream
        self._port = port
        self._others = dict(others or {})
        timing = stream.description.timing
        self._on_event = timing.mode == "on event"
        self._damaged_n = DAMAGED_ON_EVENT_N if self._on_event else DAMAGED_N
        self._requests: deque[bytes] = deque(maxlen=8)
        self._counted_n = 0
        self._samples_n = 0
        self._still = _Stillness()
        self._begin()

    @property
    def well(self) -> bool:
        """The last that came was understood."""
        return self._well

    def _begin(self) -> None:
        """The port was opened or lost: what was seen belongs to the past."""
        self._well = False
        self._echoes_us: deque[int] = deque(maxlen=ECHOES_N)
        self._useless_since_us: int | None = None
        self._useless = ""
        self._still = _Stillness()
        self._understood()

    def _understood(self) -> None:
        self._bad_n = self._bad_bytes = self._received = 0
        self._bad_since_us: int | None = None
        self._kept = b""
        self._whose: str | None = None

    def hear(self, event: PortEvent) -> None:
        """Takes an event that the stream has taken."""
        stream = self._stream
        new_n, self._counted_n = stream.damaged - self._counted_n, stream.damaged
        if event.kind == "sent":
            if event.data not in self._requests:
                self._requests.append(event.data)
            self._note_bad(new_n, 0, event.t_us)
        elif event.kind == "chunk":
            self._hear_chunk(event, new_n)
        else:
            self._begin()

    def _hear_chunk(self, event: PortEvent, new_n: int) -> None:
        stream = self._stream
        samples_n, self._samples_n = stream.samples - self._samples_n, stream.samples
        errors = list(stream.errors)[-new_n:] if new_n else []
        self._well = not new_n and (samples_n > 0 or stream.unframed_n == 0)
        if samples_n or self._well:
            self._understood()
        else:
            self._received += len(event.data)
            self._kept = (self._kept + event.data)[-KEPT_BYTES:]
            self._note_bad(new_n, sum(len(error.frame) for error in errors), event.t_us)
        self._echoes_us.extend(event.t_us for error in errors if self._is_echo(error.frame))
        if samples_n and stream.latest is not None and stream.description.quantity == "force":
            self._look_at_values(stream.latest, stream.latest_t_us)

    def _note_bad(self, count: int, size: int, t_us: int) -> None:
        self._bad_n += count
        self._bad_bytes += size
        if self._bad_since_us is None and (count or self._stream.unframed_n):
            self._bad_since_us = t_us

    def _is_echo(self, frame: bytes) -> bool:
        return any(
            frame.startswith(request) or frame == request.rstrip(b"\r\n") for request in self._requests
        )

    def _look_at_values(self, batch: Batch, t_us: Times) -> None:
        kinds = [batch.kinds[number] for number in batch.kind_index.tolist()[-1:]]
        bad = sorted(kinds[0].flags & _BEYOND_USE)
        if not bad:
            self._useless_since_us = None
        elif self._useless_since_us is None:
            self._useless_since_us = int(t_us[-1])
            # A fault has a second flag that says in words what is wrong.
            words = sorted(kinds[0].flags - SPOILING - {"low battery"})
            self._useless = ", ".join(words or bad)
        self._still.follow(batch.values, t_us, kinds[0].unit)

    def trouble(self, now_us: int, *, expecting: bool = False) -> str | None:
        """What a person should know, in words that stay the same while it lasts; None if all is well.

        Args:
            now_us: the time on the recording's axis.
            expecting: something is being measured, so values should change.
        """
        if len(self._echoes_us) == ECHOES_N and now_us - self._echoes_us[0] < ECHO_OVER_US:
            return ECHO
        if self._not_understood(now_us):
            return self._in_words()
        if self._useless_since_us is not None and now_us - self._useless_since_us > LASTS_US:
            return f"no value of it can be used: {self._useless}"
        return self._still.words(self._stream.description.resolution, expecting=expecting)

    def _not_understood(self, now_us: int) -> bool:
        since_us = self._bad_since_us
        if since_us is None or now_us - since_us < LASTS_US or not self._received:
            return False
        unframed_n = self._stream.unframed_n
        if self._bad_n >= self._damaged_n:
            # Lines that rightly carry no value may come between: they are not counted against the gauge.
            return self._stream.description.timing.mode == "poll" or (
                2 * (self._bad_bytes + unframed_n) >= self._received
            )
        # What is sent at a key press is whole at once.
        return unframed_n >= (1 if self._on_event else self._stream.longest_frame_bytes)

    def _in_words(self) -> str:
        if self._whose is None:
            self._whose = whose(self._kept, self._others) or ""
        if self._whose:
            return (
                f"what comes here is no line of this gauge but reads like gauge {self._whose!r}: "
                "are two gauges swapped between their ports?"
            )
        return (
            "bytes arrive but no line is understood: wrong speed, parity or description? "
            f"`panelwright identify {self._port}` finds out"
        )


class _Stillness:
    """Whether a force that used to move has stopped moving altogether."""

    def __init__(self) -> None:
        self._value = nan
        self._unit = ""
        self._since_us: int | None = None
        self._until_us = 0
        self._longest_us = 0
        self._changes_n = 0

    def follow(self, values: "np.typing.NDArray[np.float64]", t_us: Times, unit: str) -> None:
        changed = np.flatnonzero(values != np.concatenate(([self._value], values[:-1])))
        # A run ends with its last sample: that none came for a while is no evidence of stillness.
        ends = np.concatenate(([self._until_us], t_us))[changed]
        self._until_us, self._unit = int(t_us[-1]), unit
        if not len(changed):
            return
        if self._since_us is None:
            self._since_us = int(ends[0])
        else:
            self._changes_n += len(changed)
        starts = np.concatenate(([self._since_us], t_us[changed]))
        self._longest_us = max(self._longest_us, int((ends - starts[:-1]).max()))
        self._value, self._since_us = float(values[-1]), int(starts[-1])

    def words(self, resolution: float, *, expecting: bool) -> str | None:
        if self._since_us is None or isnan(self._value):
            return None
        lasts_us = self._until_us - self._since_us
        shown = f"{self._value:.{_decimals(resolution)}f} {self._unit}"
        if self._changes_n:
            limit_us = max(STUCK_US, STUCK_RUNS * self._longest_us)
            if lasts_us >= limit_us:
                return (
                    f"shows exactly {shown} for {limit_us / 1e6:.0f} s while it changed before: is it stuck?"
                )
        elif expecting and lasts_us >= NEVER_MOVED_US:
            return f"has shown nothing but {shown} since it was opened: is it stuck, or on hold?"
        return None


def _decimals(resolution: float) -> int:
    return next((places for places in range(6) if round(resolution * 10**places, 6) >= 1), 6)


def whose(data: bytes, others: Mapping[str, GaugeDescription]) -> str | None:
    """The first gauge whose driver reads good values out of `data`; None if none of them does.

    Gauges that are asked in a protocol of their own cannot be told by their replies alone.
    """
    for name, description in others.items():
        if driver_class(description.driver).asks_itself:
            continue
        batch = make_driver(description).feed(data)
        good_n = sum(sample.kind.good for sample in batch)
        # The first line may be cut.
        if good_n and len(batch.errors) <= 1 + good_n // 10:
            return name
    return None
