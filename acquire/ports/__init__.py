"""Ports: who owns a serial port or a TCP connection, and how it is found, opened, lost and found again.

parse_address ─> resolve ─> wire (bytes in and out) ─> PortOwner ─PortEvent→ deliver
                                                          └─lines→ recording, first
"""

from acquire.address import Address, SerialPath, TcpAddress, UsbAddress, parse_address
from acquire.ports.events import PortEvent, replay_events
from acquire.ports.listing import PortInfo, list_ports, resolve
from acquire.ports.owner import PortOwner
from acquire.ports.watch import Poll

__all__ = [
    "Address",
    "Poll",
    "PortEvent",
    "PortInfo",
    "PortOwner",
    "SerialPath",
    "TcpAddress",
    "UsbAddress",
    "list_ports",
    "parse_address",
    "replay_events",
    "resolve",
]
