"""Where a simulated gauge is plugged in: a pseudo-terminal or a TCP port.

Both behave like a serial line: nothing blocks the gauge, and bytes that nobody listens to are lost.
Pseudo-terminals exist on Linux and macOS; TCP works everywhere.
"""

import contextlib
import errno
import os
import select
import socket
import sys
from pathlib import Path
from typing import Protocol

RECEIVE_BYTES = 4096


class WireError(OSError):
    """The place where the gauge was to be plugged in cannot be had; the message says what to do."""


class Wire(Protocol):
    """One port. `listening` is whether somebody has it open, as of the last `receive`."""

    address: str
    listening: bool

    def plug(self) -> None:
        """Makes the port appear. Raises WireError."""

    def unplug(self) -> None:
        """Makes it vanish, as if the cable were drawn; does nothing if it is gone already."""

    def waitables(self) -> list[int]:
        """File descriptors that become readable when there is something to `receive`."""

    def receive(self) -> bytes:
        """What the host has sent, perhaps nothing. Never blocks."""

    def send(self, data: bytes) -> None:
        """Sends what fits; the rest is lost. Never blocks."""


class PtyWire:
    """A pseudo-terminal under a symbolic link that stays the same across `unplug` and `plug`.

    We keep no end of the host's side open: a hang-up then tells that nobody listens.
    """

    def __init__(self, link: Path) -> None:
        self.link = link.absolute()
        self.address = f"serial:{self.link}"
        self.listening = False
        self._master: int | None = None
        self._device = ""

    def plug(self) -> None:
        if not hasattr(os, "openpty"):
            raise WireError("this system has no pseudo-terminals; use --tcp PORT instead of --link")
        if self.link.exists() and not self.link.is_symlink():
            raise WireError(f"{self.link} exists and is not a link; choose another path for --link")
        self._master, host_side = os.openpty()
        self._device = os.ttyname(host_side)
        os.close(host_side)
        self._make_raw(self._master)
        os.set_blocking(self._master, False)
        self._place_link()

    def _place_link(self) -> None:
        # Made beside and moved into place, so that the link is never seen half-made or missing.
        beside = self.link.with_name(f".{self.link.name}.{os.getpid()}")
        try:
            beside.symlink_to(self._device)
            beside.replace(self.link)
        except OSError as error:
            raise WireError(f"cannot make the link {self.link}: {error.strerror}; choose another") from error

    def _make_raw(self, master: int) -> None:
        """Raw settings, whatever the last listener left behind; they are shared by both ends."""
        import termios
        import tty

        tty.setraw(master, termios.TCSANOW)

    def _forget_unread(self) -> None:
        """Drops what the last listener did not read."""
        import termios

        # Busy means that a new listener was quicker and wants the port for itself.
        with contextlib.suppress(OSError):
            host_side = os.open(self._device, os.O_RDWR | os.O_NOCTTY)
            termios.tcflush(host_side, termios.TCIFLUSH)
            os.close(host_side)

    def unplug(self) -> None:
        if self._master is None:
            return
        if self.link.is_symlink() and os.readlink(self.link) == self._device:
            self.link.unlink()
        os.close(self._master)
        self._master = None
        self.listening = False

    def waitables(self) -> list[int]:
        # A hung-up terminal counts as readable all the time; waiting on it would spin.
        return [self._master] if self._master is not None and self.listening else []

    def receive(self) -> bytes:
        if self._master is None:
            return b""
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        hung_up = any(event & select.POLLHUP for _, event in poll.poll(0))
        if hung_up:
            self._make_raw(self._master)
            if self.listening:
                self._forget_unread()
        self.listening = not hung_up
        try:
            return b"" if hung_up else os.read(self._master, RECEIVE_BYTES)
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EIO):
                raise
            return b""

    def send(self, data: bytes) -> None:
        if self._master is None or not self.listening:
            return
        try:
            os.write(self._master, data)
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EIO):
                raise


class TcpWire:
    """A TCP port on this machine for one listener at a time; a second one is turned away."""

    def __init__(self, port: int) -> None:
        self.address = ""
        self.listening = False
        self._port = port
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None

    def plug(self) -> None:
        server = socket.socket()
        if sys.platform != "win32":  # there it would let two programs share the port
            server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            server.bind(("127.0.0.1", self._port))
            server.listen()
        except OSError as error:
            server.close()
            raise WireError(f"cannot listen on port {self._port}: {error.strerror}; try another") from error
        server.setblocking(False)
        self._server = server
        self._port = server.getsockname()[1]  # port 0 asks for any; a re-plug must find the same again
        self.address = f"tcp://127.0.0.1:{self._port}"

    def unplug(self) -> None:
        self._hang_up()
        if self._server is not None:
            self._server.close()
            self._server = None

    def _hang_up(self) -> None:
        self.listening = False
        if self._client is not None:
            self._client.close()
            self._client = None

    def waitables(self) -> list[int]:
        return [one.fileno() for one in (self._server, self._client) if one is not None]

    def receive(self) -> bytes:
        received = self._read()
        # Only now, so that a listener who left just before does not keep the next one out.
        self._accept()
        return received

    def _read(self) -> bytes:
        if self._client is None:
            return b""
        try:
            received = self._client.recv(RECEIVE_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            received = b""
        if not received:
            self._hang_up()
        return received

    def _accept(self) -> None:
        if self._server is None:
            return
        try:
            client, _ = self._server.accept()
        except BlockingIOError:
            return
        if self._client is not None:
            client.close()
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client, self.listening = client, True

    def send(self, data: bytes) -> None:
        if self._client is None:
            return
        try:
            self._client.send(data)
        except BlockingIOError:
            return
        except OSError:
            self._hang_up()
