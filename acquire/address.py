"""The text that says where a gauge is connected."""

import re
from dataclasses import dataclass
from urllib.parse import urlsplit

from acquire.errors import ConfigError

_FORMS = (
    "Write serial:/dev/ttyUSB0, serial:COM3, serial:usb=SERIALNUMBER or tcp://127.0.0.1:4001 (none for a "
    "gauge whose values are typed); "
    "`panelwright ports` lists what is connected."
)
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:")
_WINDOWS_PORT = re.compile(r"(?:\\\\\.\\)?COM[1-9][0-9]{0,2}", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class SerialPath:
    """A serial port by the name the operating system gives it."""

    path: str

    def __str__(self) -> str:
        return f"serial:{self.path}"


@dataclass(frozen=True, slots=True)
class UsbAddress:
    """A serial port by the serial number of its USB adapter, wherever it is plugged in."""

    serial_number: str

    def __str__(self) -> str:
        return f"serial:usb={self.serial_number}"


@dataclass(frozen=True, slots=True)
class TcpAddress:
    """A TCP server that speaks as the gauge would."""

    host: str
    port: int

    def __str__(self) -> str:
        return f"tcp://[{self.host}]:{self.port}" if ":" in self.host else f"tcp://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class NoPort:
    """No port at all: a person reads the gauge and types its values."""

    def __str__(self) -> str:
        return "none"


Address = SerialPath | UsbAddress | TcpAddress | NoPort


def parse_address(text: str) -> Address:
    """Reads a port address; a bare path is taken as a serial port.

    Raises:
        ConfigError: it is none; the message says what is wrong, the hint what can be written.
    """
    if text == "none":
        return NoPort()
    scheme = _SCHEME.match(text)
    if scheme is None:
        return _serial(text, text)
    if scheme[0] == "serial:":
        return _serial(text.removeprefix("serial:"), text)
    if scheme[0] == "tcp:":
        return _tcp(text)
    raise _fault(text, f"{scheme[0]!r} is no kind of port")


def _serial(path: str, text: str) -> SerialPath | UsbAddress:
    if path != path.strip() or not path.isprintable():
        raise _fault(text, "it has blanks around it or characters that cannot be printed")
    if path.startswith("usb="):
        number = path.removeprefix("usb=")
        if not number:
            raise _fault(text, "the USB serial number is missing")
        return UsbAddress(number)
    if not (path.startswith(("/", "./", "../")) or _WINDOWS_PORT.fullmatch(path)):
        raise _fault(text, "a serial port is a path such as /dev/ttyUSB0, or COM1 to COM999")
    return SerialPath(path)


def _tcp(text: str) -> TcpAddress:
    try:
        parts = urlsplit(text)
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise _fault(text, str(error)) from error
    if not text.startswith("tcp://") or not host or any(char.isspace() for char in text):
        raise _fault(text, "the host is missing")
    if not port:
        raise _fault(text, "the port number (1 to 65535) is missing")
    if parts.path or parts.query or parts.fragment or "@" in parts.netloc:
        raise _fault(text, "nothing but host and port number may stand behind tcp://")
    return TcpAddress(host, port)


def _fault(text: str, why: str) -> ConfigError:
    return ConfigError(f"port address {text!r}: {why}", hint=_FORMS)
