"""The bytes of each wire format, written from its description alone and never from the code that reads it.

Force formats say one value; gloss formats one measurement; wash formats one count. Polled formats name the
request they answer.
"""

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

NEWTON_PER_GF = 0.00980665
NEWTON_PER_LBF = 4.4482216152605
NEWTON_PER_KGF = 9.80665

Station = Literal["force", "gloss", "wash", "room", "bus"]


@dataclass(frozen=True, slots=True)
class Format:
    """What a port of this format does.

    `request` is None for one that speaks by itself, and for one that hears requests of its own kind.
    """

    station: Station
    request: bytes | None = None
    stream: bool = False
    """Sends without pause, so that a listener may come in the middle of a line."""


FORMATS = MappingProxyType(
    {
        "force-stream-n": Format("force", stream=True),
        "force-poll-gf": Format("force", request=b"D\r"),
        "force-unit-mode": Format("force", stream=True),
        "gloss-key": Format("gloss"),
        "gloss-poll": Format("gloss", request=b"READ?\n"),
        "wash-stroke": Format("wash"),
        "wash-poll": Format("wash", request=b"N?\r\n"),
        "contact-wash": Format("wash"),
        "scpi-force": Format("force"),
        "modbus-force": Format("force"),
        "modbus-climate": Format("room"),
        "modbus-panel": Format("room"),
        "balance-line": Format("room", stream=True),
        "irradiance-line": Format("room", request=b"E?\r"),
        "modbus-bus": Format("bus"),
    }
)


@dataclass(slots=True)
class ForceState:
    """What a force gauge prints besides the value."""

    unit: Literal["N", "kgf", "lbf"] = "N"
    peak_hold: bool = False
    battery_low: bool = False


@dataclass(frozen=True, slots=True)
class Shown:
    """One value of a force gauge, N, tension positive."""

    value_n: float
    overload: bool = False
    unsettled: bool = False


def force_stream_n(shown: Shown, state: ForceState) -> bytes:
    """`+012.34` in N, or `+OVER`; tension positive."""
    if shown.overload:
        return b"-OVER\r\n" if shown.value_n < 0 else b"+OVER\r\n"
    return b"%+07.2f\r\n" % (round(shown.value_n, 2) + 0.0)


def force_poll_gf(shown: Shown, state: ForceState) -> bytes:
    """`-01230 gf S` in steps of 10 gf; tension negative."""
    value_gf = -10 * round(shown.value_n / NEWTON_PER_GF / 10)
    if shown.overload:
        letter = b"O"
    elif state.battery_low:
        letter = b"B"
    else:
        letter = b"U" if shown.unsettled else b"S"
    return b"%+06d gf %s\r\n" % (value_gf, letter)


def force_unit_mode(shown: Shown, state: ForceState) -> bytes:
    """`LIV;+0012,345;N;-*hh`: decimal comma, checksum over everything before the asterisk."""
    newton_per_unit = {"N": 1.0, "kgf": NEWTON_PER_KGF, "lbf": NEWTON_PER_LBF}[state.unit]
    value = b"%+09.3f" % (round(shown.value_n / newton_per_unit, 3) + 0.0)
    flags = b"O" * shown.overload + b"L" * state.battery_low or b"-"
    mode = b"PEA" if state.peak_hold else b"LIV"
    body = b";".join([mode, value.replace(b".", b","), state.unit.encode(), flags])
    return b"%s*%02X\r\n" % (body, xor_checksum(body))


def xor_checksum(body: bytes) -> int:
    """All bytes exclusive-or'ed together, as NMEA 0183 does."""
    check = 0
    for byte in body:
        check ^= byte
    return check


FORCE: MappingProxyType[str, Callable[[Shown, ForceState], bytes]] = MappingProxyType(
    {
        "force-stream-n": force_stream_n,
        "force-poll-gf": force_poll_gf,
        "force-unit-mode": force_unit_mode,
    }
)


def gloss_key(angle_deg: int, value_gu: float) -> bytes:
    """`20 091.4 GU`"""
    return b"%2d %05.1f GU\r\n" % (angle_deg, value_gu)


def gloss_poll(angle_deg: int, value_gu: float, number: int) -> bytes:
    """`60;091,4;0017`"""
    value = b"%05.1f" % value_gu
    return b"%2d;%s;%04d\n" % (angle_deg, value.replace(b".", b","), number % 10_000)


GLOSS_NOTHING_NEW = b"NONE\n"
WASH_BANNER = b"READY\r\n"


def wash_stroke(count: int) -> bytes:
    """`S 000123`"""
    return b"S %06d\r\n" % (count % 1_000_000)


def wash_poll(count: int) -> bytes:
    """`N=000123`"""
    return b"N=%06d\r\n" % (count % 1_000_000)


class Requests:
    """Finds the one request that a polled gauge knows in what a host sends; it ignores anything else."""

    MAX_PENDING_BYTES = 64

    def __init__(self, request: bytes | None) -> None:
        self.request = request
        self._pending = b""

    def feed(self, received: bytes) -> int:
        """Returns how many requests these bytes completed."""
        if self.request is None:
            return 0
        pending = self._pending + received
        end = self.request[-1:]
        *lines, rest = pending.split(end)
        self._pending = rest[-self.MAX_PENDING_BYTES :]
        return sum((line + end).endswith(self.request) for line in lines)
