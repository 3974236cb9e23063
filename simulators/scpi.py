"""The gauge's side of SCPI, by hand: identity, one measuring query, an error queue."""

from collections import deque
from collections.abc import Callable

NOT_A_NUMBER = "9.91E+37"
INFINITE = "9.9E+37"
QUEUE_LENGTH = 8


class Scpi:
    """Answers lines.

    Args:
        serial_number: what it says it is.
        query: its measuring query, in the short form.
        measure: the reply to it.
    """

    def __init__(self, serial_number: str, query: str, measure: Callable[[], str]) -> None:
        self.serial_number = serial_number
        self._query = query
        self._measure = measure
        self._errors: deque[tuple[int, str]] = deque()

    def complain(self, code: int, text: str) -> None:
        """Puts an error into the queue. A full one keeps its oldest entries and says that it overflowed."""
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append((code, text))
        else:
            self._errors[-1] = (-350, "Queue overflow")

    def answer(self, line: bytes) -> bytes:
        """The reply to one line; nothing for a command that is no query, or one it does not know."""
        command = line.decode("latin-1").strip().upper()
        if command == "*IDN?":
            return f"Invented works,Simulated indicator,{self.serial_number},0\n".encode()
        if command == self._query:
            return f"{self._measure()}\n".encode()
        if command in ("SYST:ERR?", "SYSTEM:ERROR?"):
            code, text = self._errors.popleft() if self._errors else (0, "No error")
            return f'{code},"{text}"\n'.encode()
        if command == "*CLS":
            self._errors.clear()
        elif command:
            self.complain(-113, "Undefined header")
        return b""


class LineEar:
    """Cuts what a host sends into lines."""

    MOST_BYTES = 256

    def __init__(self) -> None:
        self._pending = b""

    def feed(self, received: bytes) -> list[bytes]:
        """The lines that these bytes completed."""
        *lines, rest = (self._pending + received).split(b"\n")
        self._pending = rest[-self.MOST_BYTES :]
        return lines
