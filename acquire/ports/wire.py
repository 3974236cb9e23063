"""Bytes in and out of one opened serial port or TCP connection; used by its owner's thread alone."""

import contextlib
import errno
import os
import select
import socket
import sys
from collections.abc import Callable
from typing import Protocol

import serial

from acquire.address import TcpAddress
from acquire.errors import PortBusy, PortLost, TransportError
from drivers.description import SerialSettings

if sys.platform == "win32":
    _SETUP_ERRORS: tuple[type[Exception], ...] = (OSError, ValueError)
else:
    import termios

    # The serial library lets the terminal layer's own error through; it is no OSError.
    _SETUP_ERRORS = (OSError, ValueError, termios.error)

# These three are real time, however fast the clock runs: they suit the operating system, not the gauge.
READ_WAIT_S = 0.05
COALESCE_S = 0.01
WRITE_LIMIT_S = 0.5
CONNECT_LIMIT_S = 0.5

MAX_READ_BYTES = 1 << 16
_ENOUGH_BYTES = 1024  # no waiting for more: the system's buffer may hold as little as 4 kB

Pause = Callable[[float], object]
"""Waits so many seconds of real time, less if the owner is asked to stop."""

_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
PLAIN = {"bytesize": 8, "parity": "none"}
_ABSENT = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO, errno.ENOTDIR}
_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_FORBIDDEN = {errno.EACCES, errno.EPERM}


class Wire(Protocol):
    """An open connection. Every method but `close` raises PortLost, with a plain reason, once it is gone."""

    @property
    def name(self) -> str: ...

    def read(self, *, wait: bool, gather_s: float = COALESCE_S) -> bytes:
        """What has arrived. If `wait`, waits a moment for a first byte and `gather_s` for its followers."""

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


class SerialWire:
    """A serial port, opened exclusively."""

    def __init__(self, device: str, settings: SerialSettings, pause: Pause) -> None:
        self.name = device
        self._pause = pause
        self._lost: PortLost | None = None
        self._port = open_serial_port(device, settings)

    def read(self, *, wait: bool, gather_s: float = COALESCE_S) -> bytes:
        if self._lost is not None:
            raise self._lost
        head = b""
        try:
            if wait:
                head = self._port.read(1)
                if not head:
                    return b""
                if gather_s > 0 and self._port.in_waiting < _ENOUGH_BYTES:
                    self._pause(gather_s)
            return head + self._port.read(min(self._port.in_waiting, MAX_READ_BYTES))
        except OSError as error:
            lost = PortLost("unplugged")
            if not head:
                raise lost from error
            # What was read before the loss still counts; the loss is told at the next call.
            self._lost = lost
            return head

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise PortLost(f"takes no bytes: a request was stuck for {WRITE_LIMIT_S} s") from error
        except OSError as error:
            raise PortLost("unplugged") from error

    def close(self) -> None:
        # Some systems report the unplugging once more here; the port is closed all the same.
        with contextlib.suppress(OSError):
            self._port.close()


class TcpWire:
    """A TCP connection."""

    def __init__(self, address: TcpAddress, pause: Pause) -> None:
        self.name = str(address)
        self._pause = pause
        try:
            self._socket = socket.create_connection((address.host, address.port), CONNECT_LIMIT_S)
        except OSError as error:
            raise PortLost(f"{address}: nobody answers ({error.strerror or error})") from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.settimeout(WRITE_LIMIT_S)

    def read(self, *, wait: bool, gather_s: float = COALESCE_S) -> bytes:
        try:
            ready, _, _ = select.select([self._socket], [], [], READ_WAIT_S if wait else 0)
            if not ready:
                return b""
            if wait and gather_s > 0:
                self._pause(gather_s)
            data = self._socket.recv(MAX_READ_BYTES)
        except OSError as error:
            raise PortLost("the connection broke") from error
        if not data:
            raise PortLost("the other side closed the connection")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except TimeoutError as error:
            raise PortLost(f"takes no bytes: a request was stuck for {WRITE_LIMIT_S} s") from error
        except OSError as error:
            raise PortLost("the connection broke") from error

    def close(self) -> None:
        self._socket.close()


def open_serial_port(device: str, settings: SerialSettings | None) -> serial.Serial:
    """Opens a serial port exclusively; None for settings leaves both control lines low and speed at 9600.

    Raises:
        PortLost: it is not there.
        PortBusy: another program has it.
        TransportError: it may not be opened, is no serial port, or does not take the settings.
    """
    # Built closed, lines set, then opened: opening first would pulse DTR and RTS and reset some gauges.
    port = serial.Serial()
    port.port = device
    port.exclusive = True
    port.timeout = READ_WAIT_S
    port.write_timeout = WRITE_LIMIT_S
    try:
        if settings is None:
            port.dtr = port.rts = False
        else:
            _apply(port, settings)
        port.open()
    except _SETUP_ERRORS as error:
        if (
            settings is not None
            and settings.model_copy(update=PLAIN) != settings
            and _is_pseudo_terminal(device, error)
        ):
            return open_serial_port(device, settings.model_copy(update=PLAIN))
        raise _open_error(device, error) from error
    return port


def _is_pseudo_terminal(device: str, error: Exception) -> bool:
    """Whether it refuses a frame that it could not have anyway.

    A pseudo-terminal carries eight bits whatever is set. Asked for seven, it agrees and changes nothing;
    asked again, it answers that there is nothing to change.
    """
    return _error_number(error) == errno.EINVAL and os.path.realpath(device).startswith("/dev/pts/")


def _apply(port: serial.Serial, settings: SerialSettings) -> None:
    port.baudrate = settings.baudrate
    port.bytesize = settings.bytesize
    port.parity = _PARITIES[settings.parity]
    port.stopbits = settings.stopbits
    port.xonxoff = settings.flow_control == "xonxoff"
    port.rtscts = settings.flow_control == "rtscts"
    port.dtr = settings.dtr
    port.rts = settings.rts


def _open_error(device: str, error: Exception) -> TransportError:
    number = _error_number(error)
    # On Windows the serial library gives no number, only the name of the system's error in its text.
    words = str(error) if sys.platform == "win32" else ""
    if number in _ABSENT or "FileNotFoundError" in words:
        return PortLost(f"{device} is not there", hint="Plug it in.")
    if number in _BUSY or "PermissionError" in words:
        return PortBusy(f"{device} is in use by another program", hint="Close the other program.")
    if number in _FORBIDDEN:
        return TransportError(
            f"no permission to open {device}",
            hint="Ask for access to serial ports (on many systems: membership in the group that owns it).",
        )
    return TransportError(f"{device} cannot be used: {error}", hint="Is it a serial port that can do this?")


def _error_number(error: BaseException) -> int | None:
    """The system's number, which the serial library sometimes leaves in the error it caught."""
    number = error.errno if isinstance(error, OSError) else next(iter(error.args), None)
    if isinstance(number, int):
        return number
    return None if error.__context__ is None else _error_number(error.__context__)
