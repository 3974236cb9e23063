"""Asks a silent gauge the harmless requests of a file, one after the other, until it answers."""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

import config
from acquire.clock import Clock
from acquire.errors import ConfigError, PortLost
from acquire.identify.heard import CannotTell, Heard
from acquire.identify.listen import Chunks, Open, Tell, gather, likeness
from acquire.ports.wire import Wire
from drivers.description import SerialSettings, as_bytes
from drivers.keys import faults
from drivers.modbus import Expected, find_reply, read_request

REQUESTS_FILE = config.FOLDER / "requests.toml"
REPLY_S = 0.5
QUIET_S = 0.06
TRIES_N = 2
POLLS_N = 40
LEAST_VALUES_N = 5
POLL_LIMIT_S = 30.0
_REGISTERS = {3: "holding", 4: "input"}
_ILLEGAL_FUNCTION = 1
_REFUSALS = (b"ERR", b"NAK", b"UNKNOWN", b"\x15", b"?")


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class AskedFor(_Table):
    """One request of the file."""

    send: Annotated[bytes, BeforeValidator(as_bytes)]
    kind: Literal["line", "scpi", "modbus"]
    why: str


class Scpi(_Table):
    """What is asked of a gauge that has told its identity."""

    queries: list[str]


class Modbus(_Table):
    """Which units are asked for register 0, and how. Functions 3 and 4 read; no other can be named."""

    units: list[Annotated[int, Field(ge=1, le=247)]]
    functions: list[Literal[3, 4]]


class Requests(_Table):
    """The file of harmless requests."""

    request: list[AskedFor]
    scpi: Scpi
    modbus: Modbus

    def all(self) -> list[AskedFor]:
        """Every request, in the order they are sent."""
        registers = [
            AskedFor(
                send=read_request(unit, function, 0, 1),
                kind="modbus",
                why=f"unit {unit}, what is in {_REGISTERS[function]} register 0? (Modbus RTU)",
            )
            for unit in self.modbus.units
            for function in self.modbus.functions
        ]
        return [*self.request, *registers]


@dataclass(frozen=True, slots=True)
class Answer:
    """The request that was answered, at which setting, and the first reply."""

    request: AskedFor
    settings: SerialSettings
    reply: bytes


def load_requests(path: Path = REQUESTS_FILE) -> Requests:
    """Reads the file of requests.

    Raises:
        ConfigError: it is missing or faulty.
    """
    try:
        return Requests.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise ConfigError(f"{path} cannot be read: {error.strerror}", hint="check the path") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path} is not TOML: {error}", hint="mend the line that is named") from error
    except ValidationError as error:
        found = "\n".join(f"  {fault}" for fault in faults(error, Requests))
        raise ConfigError(f"{path} cannot be used:\n{found}", hint="mend these keys") from error


def settings_to_ask(baudrates: Sequence[int]) -> list[SerialSettings]:
    """The settings at which a silent gauge is asked: each speed, with the parities that are common."""
    return [
        *(SerialSettings(baudrate=baudrate) for baudrate in baudrates),
        *(SerialSettings(baudrate=baudrate, bytesize=7, parity="even") for baudrate in (9600, 19200, 4800)),
        *(SerialSettings(baudrate=baudrate, parity="even") for baudrate in (9600, 19200, 115200)),
    ]


def find_answer(
    open_: Open, clock: Clock, tell: Tell, requests: Requests, settings: Sequence[SerialSettings]
) -> Answer | None:
    """Asks at each setting until a reply comes that looks like one; None if none did."""
    for setting in settings:
        tell(f"asking at {named(setting)}")
        wire = open_(setting)
        try:
            for request in requests.all():
                reply = _answered(wire, clock, request)
                if reply:
                    return Answer(request, setting, reply)
        except PortLost as error:
            raise CannotTell(f"{wire.name}: {error}") from error
        finally:
            wire.close()
    return None


def _answered(wire: Wire, clock: Clock, request: AskedFor) -> bytes:
    # Twice: what was sent before may stand in front of the first, for a gauge with another end of line.
    for _ in range(1 if request.kind == "modbus" else TRIES_N):
        reply = exchange(wire, clock, request.send)[0]
        if is_reply(reply, request):
            return reply
    return b""


def exchange(wire: Wire, clock: Clock, request: bytes) -> tuple[bytes, float]:
    """Sends a request; gives what came back and how long its end took, in s."""
    wire.read(wait=False)
    wire.write(request)

    def enough(chunks: Chunks, elapsed_s: float) -> bool:
        if not chunks:
            return elapsed_s >= REPLY_S
        return elapsed_s - chunks[-1][0] / 1e6 >= QUIET_S or elapsed_s >= 2 * REPLY_S

    chunks = gather(wire, clock, enough)
    return b"".join(data for _, data in chunks), chunks[-1][0] / 1e6 if chunks else 0.0


def is_reply(reply: bytes, request: AskedFor) -> bool:
    """Whether this answers the request: not nothing, not its echo, no noise, no complaint."""
    if request.kind == "modbus":
        found = find_reply(reply, 0, Expected.by(request.send))
        # A unit that does not know this function may know the other.
        return found is not None and reply[slice(*found)][1:3] != bytes(
            [request.send[1] | 0x80, _ILLEGAL_FUNCTION]
        )
    if reply.strip() in (b"", request.send.strip()) or likeness(reply) < 0.8:
        return False
    if request.kind == "scpi":
        return is_identity(reply)
    return not reply.strip().upper().startswith(_REFUSALS)


def is_identity(reply: bytes) -> bool:
    """Maker, model, serial number, version, with commas between (IEEE 488.2, section 10.14; from memory)."""
    return reply.count(b",") == 3 and all(field.strip() for field in reply.split(b",")[:2])


def poll(
    open_: Open, settings: SerialSettings, clock: Clock, tell: Tell, request: bytes, *, period_s: float = 0.1
) -> Heard:
    """Asks again and again until enough values came to see how replies are written."""
    wire = open_(settings)
    chunks: Chunks = []
    start_ns = clock.monotonic_ns()
    slowest_s = 0.0
    told = False
    try:
        for _ in range(round(POLL_LIMIT_S / period_s)):
            reply, took_s = exchange(wire, clock, request)
            now_us = (clock.monotonic_ns() - start_ns) // 1000
            if reply:
                chunks.append((now_us, reply))
                slowest_s = max(slowest_s, took_s)
            values_n = sum(any(48 <= one <= 57 for one in data) for _, data in chunks)
            if len(chunks) >= POLLS_N and values_n >= LEAST_VALUES_N:
                break
            if len(chunks) >= POLLS_N and not told:
                told = True
                tell(f"it answers without a value ({chunks[-1][1]!r}): measure a few times now")
            if now_us > POLL_LIMIT_S * 1e6:
                break
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()
    return replace(
        Heard(tuple(chunks), settings, request),
        period_s=max(period_s, round(2 * slowest_s, 1)),
        reply_s=slowest_s,
    )


def named(settings: SerialSettings) -> str:
    """A setting as people write it: 9600 8N1."""
    return f"{settings.baudrate} {settings.bytesize}{settings.parity[0].upper()}{settings.stopbits}"
