"""What a wire makes of a port that fails in the middle, and of the system's many ways to say no."""

import errno
import socket
import sys
import threading

import pytest
import serial

from acquire.address import TcpAddress
from acquire.errors import PortBusy, PortLost, TransportError
from acquire.ports import wire
from drivers.description import SerialSettings


class FailingPort:
    """Opens, gives one byte, and is gone when asked for more; takes no bytes at all."""

    def __init__(self) -> None:
        self.is_open = False
        self.before_open: dict[str, object] = {}
        self._first = [b"A"]

    def open(self) -> None:
        self.before_open = {key: value for key, value in vars(self).items() if not key.startswith("_")}
        self.is_open = True

    def read(self, size: int) -> bytes:
        return self._first.pop() if self._first else b""

    @property
    def in_waiting(self) -> int:
        raise OSError(errno.EIO, "Input/output error")

    def write(self, data: bytes) -> None:
        if data == b"stuck":
            raise serial.SerialTimeoutException("Write timeout")
        raise serial.SerialException("write failed")

    def close(self) -> None:
        self.is_open = False


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> FailingPort:
    port = FailingPort()
    monkeypatch.setattr(serial, "Serial", lambda: port)
    return port


def test_lines_and_settings_are_set_before_the_port_is_opened(port: FailingPort) -> None:
    settings = SerialSettings(
        baudrate=9600, bytesize=7, parity="even", stopbits=2, flow_control="rtscts", dtr=False, rts=True
    )
    wire.SerialWire("COM3", settings, lambda seconds: None)
    expected = {
        "port": "COM3",
        "exclusive": True,
        "baudrate": 9600,
        "bytesize": 7,
        "parity": "E",
        "stopbits": 2,
        "xonxoff": False,
        "rtscts": True,
        "dtr": False,
        "rts": True,
        "is_open": False,
    }
    assert {key: port.before_open[key] for key in expected} == expected


def test_a_byte_read_just_before_the_loss_is_not_lost(port: FailingPort) -> None:
    opened = wire.SerialWire("COM3", SerialSettings(baudrate=9600), lambda seconds: None)
    assert opened.read(wait=True) == b"A"
    with pytest.raises(PortLost, match=r"^unplugged$"):
        opened.read(wait=True)


def test_writing_to_a_port_that_is_gone_or_stuck_is_a_loss(port: FailingPort) -> None:
    opened = wire.SerialWire("COM3", SerialSettings(baudrate=9600), lambda seconds: None)
    with pytest.raises(PortLost, match=r"^unplugged$"):
        opened.write(b"D\r")
    with pytest.raises(PortLost, match=r"takes no bytes: a request was stuck for 0\.5 s"):
        opened.write(b"stuck")


@pytest.mark.parametrize(
    ("error", "kind", "words"),
    [
        (FileNotFoundError(errno.ENOENT, "x"), PortLost, "COM3 is not there"),
        (serial.SerialException(errno.ENXIO, "x"), PortLost, "COM3 is not there"),
        (serial.SerialException(errno.EAGAIN, "x"), PortBusy, "COM3 is in use by another program"),
        (OSError(errno.EBUSY, "x"), PortBusy, "COM3 is in use by another program"),
        (PermissionError(errno.EACCES, "x"), TransportError, "no permission to open COM3"),
        (ValueError("Invalid baud rate"), TransportError, "COM3 cannot be used: Invalid baud rate"),
    ],
)
def test_the_systems_refusals_in_plain_words(
    port: FailingPort,
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    kind: type[TransportError],
    words: str,
) -> None:
    def refuse() -> None:
        raise error

    monkeypatch.setattr(port, "open", refuse)
    with pytest.raises(TransportError) as caught:
        wire.open_serial_port("COM3", None)
    assert type(caught.value) is kind
    assert str(caught.value) == words
    assert caught.value.hint


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)", PortBusy),
        ("could not open port 'COM3': FileNotFoundError(2, 'The system cannot ...', None, 2)", PortLost),
    ],
)
def test_on_windows_the_refusal_is_only_in_the_text(
    port: FailingPort, monkeypatch: pytest.MonkeyPatch, text: str, kind: type[TransportError]
) -> None:
    def refuse() -> None:
        raise serial.SerialException(text)

    monkeypatch.setattr(port, "open", refuse)
    monkeypatch.setattr(sys, "platform", "win32")
    with pytest.raises(kind):
        wire.open_serial_port("COM3", None)


def test_a_tcp_server_that_reads_nothing_or_resets_is_a_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire, "WRITE_LIMIT_S", 0.05)
    with socket.create_server(("127.0.0.1", 0)) as server:
        opened = wire.TcpWire(TcpAddress("127.0.0.1", server.getsockname()[1]), threading.Event().wait)
        peer, _ = server.accept()
        assert opened.read(wait=False) == b""
        with pytest.raises(PortLost, match="takes no bytes"):
            opened.write(bytes(20_000_000))
        # Closing with bytes unread resets the connection.
        peer.close()
        with pytest.raises(PortLost, match="the connection broke"):
            opened.read(wait=True)
        with pytest.raises(PortLost, match="the connection broke"):
            opened.write(b"D\r")
        opened.close()
