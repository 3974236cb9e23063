"""The gauge's side of Modbus RTU, by hand: it hears requests for registers and answers or refuses them."""

from collections.abc import Callable, Mapping

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
MOST_REGISTERS = 125

Registers = Callable[[], Mapping[int, int]]
"""All registers there are at this moment, 16 bits each, by their address from 0."""


def check_bytes(body: bytes) -> bytes:
    """CRC-16 with polynomial 0xA001 (reflected), start 0xFFFF, low byte first; one bit after the other."""
    crc = 0xFFFF
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return bytes([crc & 0xFF, crc >> 8])


class Unit:
    """One gauge on the line.

    Args:
        number: its unit id.
        function: the one function it knows, 3 or 4.
        registers: what it holds.
    """

    def __init__(self, number: int, function: int, registers: Registers) -> None:
        self.number = number
        self.function = function
        self.refuse_with: int | None = None
        """Exception to answer everything with, until set back to None."""
        self._registers = registers

    def answer(self, request: bytes) -> bytes:
        """The reply to a request for this unit, whose check bytes are right."""
        function = request[1]
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        held = self._registers()
        code = self.refuse_with
        if code is None and function != self.function:
            code = ILLEGAL_FUNCTION
        elif code is None and not 1 <= count <= MOST_REGISTERS:
            code = ILLEGAL_VALUE
        elif code is None and not (first in held and first + count - 1 in held):
            code = ILLEGAL_ADDRESS
        if code is not None:
            body = bytes([self.number, function | 0x80, code])
        else:
            # Addresses between those in use exist and hold nothing.
            values = [held.get(address, 0) for address in range(first, first + count)]
            body = bytes([self.number, function, 2 * count]) + b"".join(
                value.to_bytes(2, "big") for value in values
            )
        return body + check_bytes(body)


class RequestEar:
    """Finds requests in what a master sends, also behind noise. Requests to read are 8 bytes long."""

    LENGTH = 8

    def __init__(self) -> None:
        self._pending = b""

    def feed(self, received: bytes) -> list[bytes]:
        """The requests that these bytes completed."""
        pending = self._pending + received
        found = []
        start = 0
        while start + self.LENGTH <= len(pending):
            frame = pending[start : start + self.LENGTH]
            if check_bytes(frame[:-2]) == frame[-2:]:
                found.append(frame)
                start += self.LENGTH
            else:
                start += 1
        self._pending = pending[start:]
        return found


def two_registers(data: bytes, *, low_first: bool = False) -> tuple[int, int]:
    """Four bytes, high byte first, as two registers."""
    high, low = int.from_bytes(data[:2], "big"), int.from_bytes(data[2:], "big")
    return (low, high) if low_first else (high, low)
