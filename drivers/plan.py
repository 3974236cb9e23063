"""What a gauge is asked, and when: data that a port's owner carries out, and a replay is held against.

driver.plan() ──> Plan ──> port owner: asks, waits for the end of the reply, asks the next
                               └─ every request recorded ──> driver.sent(), live and replayed
"""

from collections.abc import Callable
from dataclasses import dataclass

Missing = Callable[[bytes], int]
"""Says of the bytes received since a request about how many are to come; 0 only if the reply is whole."""


def any_bytes(received: bytes) -> int:
    """For gauges whose replies have no end that can be told: whatever comes is the reply."""
    return 0 if received else 1


@dataclass(frozen=True, slots=True)
class Request:
    """One question and how its answer ends."""

    data: bytes
    missing: Missing = any_bytes
    every_n: int = 1
    """Asked in every n-th round only; 0: once after the port was opened, before everything else."""
    follow: "Callable[[bytes], Request | None] | None" = None
    """What to ask right after this reply, given the bytes of it."""


@dataclass(frozen=True, slots=True)
class Plan:
    """The requests of one gauge. One round begins each period; its requests follow each other closely."""

    requests: tuple[Request, ...]
    gap_s: float = 0.0
    """Silence the line needs between a reply and the next request."""
    byte_s: float = 0.0
    """How long one byte takes on the line."""
    followed_by: frozenset[bytes] = frozenset()
    """What replies may make it ask besides."""

    @property
    def known(self) -> frozenset[bytes]:
        """Everything this plan can send."""
        return self.followed_by | {request.data for request in self.requests}
