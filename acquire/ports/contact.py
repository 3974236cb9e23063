"""Samples a control line of a serial port and writes down its changes as text; see `drivers.contact`.

Only the sampling is done here; what counts as a closing is the driver's, so that a replay decides it again.
"""

import contextlib
from collections.abc import Callable

import serial

from acquire.errors import PortLost, TransportError
from acquire.ports.wire import COALESCE_S, READ_WAIT_S, Pause, open_serial_port
from drivers.contact import ContactSettings
from drivers.description import SerialSettings

_MOST_MS = 9_999_999_999


class ContactWire:
    """A contact on CTS, DSR, DCD or RI of a serial port.

    Args:
        device, settings: the port, and how its own control lines (which may feed the contact) are set.
        contact: which line, and how often to look.
        pause: waits.
        now_ns: the clock's monotonic time, which the changes are dated with.

    Raises:
        PortLost, PortBusy, TransportError: as for any serial port; also if it has no control lines, as
            pseudo-terminals have none.
    """

    def __init__(
        self,
        device: str,
        settings: SerialSettings,
        contact: ContactSettings,
        pause: Pause,
        now_ns: Callable[[], int],
    ) -> None:
        self.name = device
        self._contact = contact
        self._pause = pause
        self._now_ns = now_ns
        self._port = open_serial_port(device, settings)
        self._start_ns = now_ns()
        try:
            self._closed = self._look()
        except OSError as error:
            self._port.close()
            raise TransportError(
                f"{device} has no {contact.line.upper()} line", hint="Use a serial port with control lines."
            ) from error
        self._first = True

    def read(self, *, wait: bool, gather_s: float = COALESCE_S) -> bytes:
        """The changes seen since the last call; if `wait`, looks again and again for a moment."""
        found = []
        if self._first:
            self._first = False
            found.append(_told(self._closed, 0))
        looks_n = max(1, round(READ_WAIT_S * 1000 / self._contact.sample_ms)) if wait else 1
        for look in range(looks_n):
            if look:
                self._pause(self._contact.sample_ms / 1000)
            try:
                closed = self._look()
            except OSError as error:
                raise PortLost("unplugged") from error
            if closed != self._closed:
                self._closed = closed
                # The state at opening alone has time 0.
                found.append(_told(closed, max(1, (self._now_ns() - self._start_ns) // 1_000_000)))
        return b"".join(found)

    def write(self, data: bytes) -> None:
        raise PortLost("a contact is never asked anything")

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._port.close()

    def _look(self) -> bool:
        return bool(_LINES[self._contact.line](self._port)) == (self._contact.closed_when == "on")


_LINES: dict[str, Callable[[serial.Serial], bool]] = {
    "cts": lambda port: port.cts,
    "dsr": lambda port: port.dsr,
    "dcd": lambda port: port.cd,
    "ri": lambda port: port.ri,
}


def _told(closed: bool, at_ms: int) -> bytes:
    return b"%c%010d\n" % (b"+" if closed else b"-", min(at_ms, _MOST_MS))
