"""What capture takes from a stream, before anybody has logged it."""

from dataclasses import dataclass, field
from typing import Literal

from acquire.model import Details, Quantity, Unit

Verdict = Literal["accepted", "refused"]


@dataclass(frozen=True, slots=True)
class Taken:
    """One value that capture found, accepted or refused; a pure function of the bytes received.

    `value` is in `unit`, the one its quantity is kept in. `t_us` counts microseconds from the start of the
    recording; `first_byte` and `last_byte` are stream offsets (half-open) since the `opening`-th opening of
    the port.
    """

    quantity: Quantity
    value: float
    unit: Unit
    t_us: int
    opening: int
    first_byte: int
    last_byte: int
    ordinal: int
    verdict: Verdict = "accepted"
    reasons: tuple[str, ...] = ()
    resolution: float = 0.0
    under_read: float = 0.0
    details: Details = field(default_factory=dict)
