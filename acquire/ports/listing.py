"""Finds serial ports: which are there, which of them is meant, and whether it can be opened."""

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import serial.tools.list_ports

from acquire.address import SerialPath, UsbAddress
from acquire.errors import PortBusy, PortLost, TransportError
from acquire.ports.wire import open_serial_port


class SystemPort(Protocol):
    """What is used of the operating system's entry for a port."""

    @property
    def device(self) -> str: ...
    @property
    def description(self) -> str: ...
    @property
    def serial_number(self) -> str | None: ...


SystemPorts = Callable[[], Iterable[SystemPort]]


def system_ports() -> list[SystemPort]:
    return list(serial.tools.list_ports.comports())


@dataclass(frozen=True, slots=True)
class PortInfo:
    """One serial port of this machine, for `panelwright ports`.

    `state` is "free", "busy", "no permission or not usable: why", or "not tried"; `address` is what to
    write into the bench file so that the port is found again after it was plugged in elsewhere.
    """

    device: str
    description: str
    usb_serial_number: str | None
    state: str
    address: str


def list_ports(*, probe: bool = True, ports: SystemPorts = system_ports) -> list[PortInfo]:
    """The serial ports of this machine, sorted by device.

    Args:
        probe: whether to open each free port for a moment to see if it can be had. Opening moves the
            port's control lines, which some devices take as a reset; without it the state is "not tried".
        ports: where the list comes from.
    """
    found = sorted(ports(), key=lambda port: port.device)
    numbers = [port.serial_number for port in found]
    return [
        PortInfo(
            device=port.device,
            description="" if port.description in ("n/a", port.device) else port.description,
            usb_serial_number=port.serial_number or None,
            state=_state(port.device) if probe else "not tried",
            address=_address(port, numbers),
        )
        for port in found
    ]


def resolve(address: SerialPath | UsbAddress, *, ports: SystemPorts = system_ports) -> str:
    """The device that an address means right now.

    Raises:
        PortLost: no port has that USB serial number (a path is not looked up: opening it will tell).
        TransportError: more than one port has it.
    """
    if isinstance(address, SerialPath):
        return address.path
    wanted = address.serial_number
    devices = sorted(port.device for port in ports() if port.serial_number == wanted)
    if not devices:
        raise PortLost(f"no port with USB serial number {wanted} is connected", hint="Plug it in.")
    if len(devices) > 1:
        raise TransportError(
            f"{len(devices)} ports have USB serial number {wanted}: {', '.join(devices)}",
            hint="Name the one that is meant by its path.",
        )
    return devices[0]


class Adapter:
    """The USB adapter that was first seen where a gauge is plugged in."""

    def __init__(self, ports: SystemPorts) -> None:
        self._ports = ports
        self._first: str | None = None

    def must_be_the_same(self, device: str) -> None:
        """Raises TransportError if another adapter than at first is plugged in there: another gauge."""
        real = os.path.realpath(device)
        numbers = [one.serial_number for one in self._ports() if os.path.realpath(one.device) == real]
        number = next((one for one in numbers if one), None)
        if number is None:
            return
        if self._first is None:
            self._first = number
        if number != self._first:
            raise TransportError(
                f"{device} is another adapter now, USB serial number {number} and not {self._first}: "
                "were gauges swapped?",
                hint=f"Plug the right one in, or name it by its number: serial:usb={self._first}.",
            )


def _state(device: str) -> str:
    try:
        open_serial_port(device, None).close()
    except PortBusy:
        return "busy"
    except TransportError as error:
        return str(error)
    return "free"


def _address(port: SystemPort, numbers: list[str | None]) -> str:
    # Some adapters share one serial number (several ports in one housing, or careless makers).
    if port.serial_number and numbers.count(port.serial_number) == 1:
        return str(UsbAddress(port.serial_number))
    return str(SerialPath(port.device))
