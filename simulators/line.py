"""What happens between gauge and host: noise, echo, wrong settings, a slow line. On request and seeded.

A pseudo-terminal has neither speed nor parity: it hands on every byte whatever both ends were set to. So the
bytes that a mismatch would give are worked out here, bit by bit, as a receiver samples them.
"""

from dataclasses import dataclass
from random import Random
from typing import Literal

NOISE_BYTES_PER_S = 960.0
"""As a line of 9600 baud would carry."""
XON, XOFF = 0x11, 0x13
MOST_HELD_BYTES = 65536

Mismatch = Literal["speed", "parity"]


def misread(data: bytes, *, ratio: float = 1.0, bits: int = 8, even_parity: bool = False) -> bytes:
    """What a receiver set to eight bits, no parity makes of bytes that were sent another way.

    Args:
        data: what was sent, each byte right behind the one before.
        ratio: the receiver's speed over the sender's.
        bits: data bits of the sender.
        even_parity: whether the sender adds a parity bit.

    Returns:
        One byte for each start bit the receiver believes in; 0 where it then sees no stop bit.
    """
    levels: list[int] = []
    for byte in data:
        sent = [byte >> place & 1 for place in range(bits)]
        levels += [0, *sent, *([sum(sent) & 1] if even_parity else []), 1]

    def level(t: float) -> int:
        return levels[int(t)] if t < len(levels) else 1

    out = bytearray()
    at = 0
    while (edge := _next_edge(levels, at)) is not None:
        sampled = [level(edge + (1.5 + place) / ratio) for place in range(8)]
        stop = edge + 9.5 / ratio
        out.append(sum(bit << place for place, bit in enumerate(sampled)) if level(stop) else 0)
        at = int(stop) + (0 if level(stop) else 1)
    return bytes(out)


def _next_edge(levels: list[int], at: int) -> int | None:
    """Where the line next falls from `at` on; a line that is low there has to rise first."""
    try:
        first_high = levels.index(1, at) if at and not levels[at - 1] else at
        return levels.index(0, first_high)
    except (ValueError, IndexError):
        return None


@dataclass(slots=True)
class Line:
    """Stands behind the gauge's own faults, at the plug. Times are simulated seconds."""

    rng: Random
    bytes_per_s: float | None = None
    """The line carries no more; None: as many as come."""
    echo: bool = False
    """What the host sends comes back to it."""
    mismatch: Mismatch | None = None
    bits: int = 7
    """Data bits of a gauge whose parity is not that of the host."""
    flow_p: float = 0.0
    """Chance of each byte to be followed by an XON or XOFF."""
    noise_until_s: float = 0.0
    """Nothing but random bytes until then."""
    stall_until_s: float = 0.0
    """Everything is held back until then, and comes in one burst."""
    held: bytes = b""
    _last_s: float = 0.0

    @property
    def idle(self) -> bool:
        """Nothing to do, now or soon."""
        plain = self.bytes_per_s is None and not (self.echo or self.mismatch or self.flow_p)
        return plain and not (self.held or self.noise_until_s or self.stall_until_s)

    def clear(self) -> None:
        """No fault any more; a slow line stays slow."""
        self.echo, self.mismatch, self.flow_p = False, None, 0.0
        self.noise_until_s = self.stall_until_s = 0.0

    def heard(self, received: bytes) -> bytes:
        """What the gauge makes of the host's bytes: with the wrong speed nothing it knows."""
        return misread(received, ratio=0.5) if self.mismatch == "speed" else received

    def out(self, data: bytes, received: bytes, t_s: float) -> bytes:
        """What reaches the host at `t_s`: `data` of the gauge, behind an echo of what was `received`."""
        since_s, self._last_s = max(0.0, t_s - self._last_s), t_s
        if self.echo:
            data = received + data
        if self.mismatch == "speed":
            data = misread(data, ratio=2.0)
        elif self.mismatch == "parity":
            data = misread(data, bits=self.bits, even_parity=True)
        if self.flow_p:
            data = self._with_flow_bytes(data)
        if t_s < self.noise_until_s:
            data = self.rng.randbytes(round(NOISE_BYTES_PER_S * since_s))
        else:
            self.noise_until_s = 0.0
        return self._let_through(data, since_s, t_s)

    def _with_flow_bytes(self, data: bytes) -> bytes:
        out = bytearray()
        for byte in data:
            out.append(byte)
            if self.rng.random() < self.flow_p:
                out.append(self.rng.choice((XON, XOFF)))
        return bytes(out)

    def _let_through(self, data: bytes, since_s: float, t_s: float) -> bytes:
        self.held = (self.held + data)[-MOST_HELD_BYTES:]
        if t_s < self.stall_until_s:
            return b""
        self.stall_until_s = 0.0
        room = len(self.held) if self.bytes_per_s is None else round(self.bytes_per_s * since_s)
        going, self.held = self.held[:room], self.held[room:]
        return going
