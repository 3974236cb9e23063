"""What was heard from a gauge: the evidence that everything here reasons from."""

from dataclasses import dataclass, field

from drivers.description import SerialSettings


class CannotTell(ValueError):
    """The bytes do not say enough, or say it in a way that no description can express.

    `hint` is what to do next; empty where nothing is known but to look at the cable.
    """

    def __init__(self, why: str, hint: str = "") -> None:
        super().__init__(why)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Heard:
    """Bytes as they were read, each with the time of the read in µs since listening began.

    `request` is what was sent to get each reply, None for a gauge that spoke by itself; `period_s` is how
    often it was sent, `reply_s` the longest wait for the end of a reply.
    """

    chunks: tuple[tuple[int, bytes], ...]
    serial: SerialSettings = field(default_factory=lambda: SerialSettings(baudrate=9600))
    request: bytes | None = None
    period_s: float = 0.1
    reply_s: float = 0.0

    @property
    def data(self) -> bytes:
        return b"".join(data for _, data in self.chunks)
