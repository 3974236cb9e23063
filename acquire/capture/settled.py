"""Settled values: a gauge that measures when its key is pressed and sends the result."""

import numpy as np
from numpy.typing import NDArray

from acquire.capture.taken import Taken
from drivers.base import Batch

ECHO_US = 200_000
"""No glossmeter measures twice in a fifth of a second: the same line again within it was sent twice."""


class SettledCapture:
    """Every good value is taken; a value with a spoiling flag, or a line sent twice, is refused and kept."""

    def __init__(self, resolution: float) -> None:
        self._resolution = resolution
        self._last: tuple[int, float, str | None] | None = None
        self._end = 0

    def feed(self, t_us: NDArray[np.int64], batch: Batch) -> list[Taken]:
        """Takes samples with their times (µs, shape (n,)); returns one item for each."""
        return [
            self._take(int(at), value, batch.kinds[number].channel, batch.kinds[number].flags, end)
            for at, value, end, number in zip(
                t_us.tolist(),
                batch.values.tolist(),
                batch.ends.tolist(),
                batch.kind_index.tolist(),
                strict=True,
            )
        ]

    def _take(self, t_us: int, value: float, channel: str | None, flags: frozenset[str], end: int) -> Taken:
        reasons = [f"the gauge reported: {flag}" for flag in sorted(flags - {"low battery"})]
        if self._last is not None:
            last_us, last_value, last_channel = self._last
            if (value, channel) == (last_value, last_channel) and t_us - last_us < ECHO_US:
                reasons.append("the same line twice within a fifth of a second: counted once")
        if not reasons:
            self._last = (t_us, value, channel)
        first, self._end = self._end, end
        return Taken(
            quantity="gloss",
            value=value,
            unit="GU",
            t_us=t_us,
            opening=0,
            first_byte=first,
            last_byte=end,
            ordinal=0,
            verdict="refused" if reasons else "accepted",
            reasons=tuple(reasons),
            resolution=self._resolution,
            details={
                "channel": channel,
                "angle_deg": int(channel) if channel is not None and channel.isdecimal() else None,
                "low_battery": "low battery" in flags,
            },
        )

    def interrupt(self, why: str) -> list[Taken]:
        """The port was lost: nothing was under way."""
        self._end = 0
        self._last = None
        return []

    def finish(self) -> list[Taken]:
        return []
