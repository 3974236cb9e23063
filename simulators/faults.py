"""Damage to the bytes on their way out: garbled, cut, repeated, silent. On request and seeded."""

from dataclasses import dataclass, field
from random import Random


@dataclass(frozen=True, slots=True)
class Damage:
    """One message that went out other than it should."""

    fault: str
    meant: bytes
    sent: bytes


@dataclass(slots=True)
class Faults:
    """Stands between gauge and wire, message by message. `damages` says what it did."""

    rng: Random
    garble_p: float = 0.0
    """Chance of each byte to be turned into another one, until set back to 0."""
    cuts_n: int = 0
    """How many of the next messages lose some of their bytes."""
    repeats_n: int = 0
    """How many of the next messages have some of their bytes sent twice."""
    silent_until_s: float = 0.0
    """Nothing is sent before this simulated time."""
    damages: list[Damage] = field(default_factory=list)

    @property
    def idle(self) -> bool:
        """Nothing to do to any message: the fast way past."""
        return not (self.garble_p or self.cuts_n or self.repeats_n or self.silent_until_s)

    def send(self, message: bytes, t_s: float) -> bytes:
        """What of a message leaves the gauge at simulated time `t_s`."""
        if t_s < self.silent_until_s:
            return self._note("silence", message, b"")
        self.silent_until_s = 0.0
        if self.cuts_n and len(message) > 1:
            self.cuts_n -= 1
            start, stop = self._span(len(message))
            return self._note("cut", message, message[:start] + message[stop:])
        if self.repeats_n and message:
            self.repeats_n -= 1
            start, stop = self._span(len(message))
            return self._note("repeat", message, message[:stop] + message[start:])
        return self._garbled(message) if self.garble_p else message

    def _span(self, length: int) -> tuple[int, int]:
        """A random stretch of at least one byte, never the whole message."""
        count = self.rng.randrange(1, max(2, length))
        start = self.rng.randrange(length - count + 1)
        return start, start + count

    def _garbled(self, message: bytes) -> bytes:
        out = bytearray(message)
        for at in range(len(out)):
            if self.rng.random() < self.garble_p:
                out[at] ^= self.rng.randrange(1, 256)
        return self._note("garble", message, bytes(out)) if out != message else message

    def _note(self, fault: str, meant: bytes, sent: bytes) -> bytes:
        self.damages.append(Damage(fault, meant, sent))
        return sent
