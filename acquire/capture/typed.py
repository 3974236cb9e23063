"""Values that a person typed in: each good entry is taken as it stands."""

import numpy as np
from numpy.typing import NDArray

from acquire.capture.taken import Taken
from acquire.model import UNIT_OF, Quantity
from drivers.base import Batch
from drivers.description import UNITS


class TypedCapture:
    """Gives one item for each entry that the driver accepted.

    Args:
        quantity, unit, resolution: of the description.
    """

    def __init__(self, quantity: Quantity, unit: str, resolution: float) -> None:
        self._quantity = quantity
        self._factor = UNITS[quantity][unit]
        self._resolution = resolution * self._factor
        self._end = 0

    def feed(self, t_us: NDArray[np.int64], batch: Batch) -> list[Taken]:
        """Takes samples with their times (µs, shape (n,)); returns one item for each."""
        found = []
        for at, sample in zip(t_us.tolist(), batch, strict=True):
            first, self._end = self._end, sample.end
            channel = sample.kind.channel
            found.append(
                Taken(
                    quantity=self._quantity,
                    value=sample.value * self._factor,
                    unit=UNIT_OF[self._quantity],
                    t_us=at,
                    opening=0,
                    first_byte=first,
                    last_byte=sample.end,
                    ordinal=0,
                    resolution=self._resolution,
                    details={
                        "typed_in": True,
                        "channel": channel,
                        "angle_deg": int(channel) if channel is not None and channel.isdecimal() else None,
                    },
                )
            )
        return found

    def interrupt(self, why: str) -> list[Taken]:
        """Typing has ended."""
        self._end = 0
        return []

    def finish(self) -> list[Taken]:
        return []
