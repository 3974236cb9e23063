"""Asks a silent gauge the harmless requests of a file, one after the other, until it answers."""

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

import config
from acquire.clock import Clock
from acquire.errors import ConfigError, PortLost
from acquire.identify.facts import listed
from acquire.identify.heard import CannotTell, Heard
from acquire.identify.listen import Chunks, Open, Tell, gather, likeness
from acquire.ports.wire import Wire
from drivers.description import SerialSettings, as_bytes
from drivers.keys import faults
from drivers.modbus import Expected, find_reply, read_request

REQUESTS_FILE = config.FOLDER / "requests.toml"
REPLY_S = 0.5
QUIET_S = 0.06
REGISTERS_S = 0.3
BETWEEN_FRAMES_S = 0.005
"""More than three and a half characters at 9600 baud, which is what a unit needs to see a new frame."""
TRIES_N = 2
POLLS_N = 40
LEAST_VALUES_N = 5
POLL_LIMIT_S = 30.0
_EVEN = (19200, 9600, 115200, 38400, 57600)
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


Query = Annotated[str, Field(pattern=r"^[A-Z]+(:[A-Z]+)*\?$", max_length=72)]
"""One query and nothing else: a second command behind a semicolon could set something."""


class Scpi(_Table):
    """What is asked of a gauge that has told its identity.

    `queries` do not configure anything. `measure` may, so a person has to agree to these apart.
    """

    queries: list[Query]
    measure: list[Query]
    errors: Query


class Modbus(_Table):
    """Which units are asked for register 0, and how. Functions 3 and 4 read; no other can be named.

    Of a unit that answers, `registers` (first and last) are read.
    """

    units: list[Annotated[int, Field(ge=1, le=247)]]
    functions: list[Literal[3, 4]]
    registers: tuple[Annotated[int, Field(ge=0, le=65535)], Annotated[int, Field(ge=0, le=65535)]]


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

    def in_words(self) -> list[str]:
        """Everything that may be sent without asking again, for a person to agree to."""
        first, last = self.modbus.registers
        queries = ", ".join([*self.scpi.queries, self.scpi.errors])
        rows = [f"{request.send!r:12} {request.why}" for request in self.request]
        if any(request.kind == "scpi" for request in self.request):
            rows.append(f"if it then says who it is: {queries} (what is the newest value? any errors?)")
        functions = " and ".join(f"{one:02d}" for one in self.modbus.functions)
        rows.append(
            f"Modbus RTU, units {listed(self.modbus.units)}, functions {functions} (both only read): what "
            f"is in register 0? Of a unit that answers: what is in registers {first} to {last}?"
        )
        return rows

    def reading(self, first: int, last: int) -> "Requests":
        """The same, with these registers to be read of a Modbus unit that answers."""
        return self.model_copy(update={"modbus": self.modbus.model_copy(update={"registers": (first, last)})})

    def only_modbus(self, units: Sequence[int]) -> "Requests":
        """For a person who knows that it is Modbus, and which units there may be."""
        return self.model_copy(
            update={
                "request": [],
                "modbus": self.modbus.model_copy(update={"units": list(units)}),
            }
        )


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
        *(SerialSettings(baudrate=baudrate, parity="even") for baudrate in _EVEN),
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
                if request.kind == "modbus" and setting.bytesize != 8:
                    continue
                reply = _answered(wire, clock, request)
                if reply:
                    return Answer(request, setting, reply)
        except PortLost as error:
            raise CannotTell(f"{wire.name}: {error}") from error
        finally:
            wire.close()
    return None


def _answered(wire: Wire, clock: Clock, request: AskedFor) -> bytes:
    if request.kind == "modbus":
        reply = exchange_registers(wire, clock, request.send)[0]
        return reply if is_reply(reply, request) else b""
    # Twice: what was sent before may stand in front of the first, for a gauge with another end of line.
    for _ in range(TRIES_N):
        reply = exchange(wire, clock, request.send)[0]
        if is_reply(reply, request):
            return reply
    return b""


def never(received: bytes) -> bool:
    """For replies whose end only silence tells."""
    return False


def exchange(
    wire: Wire,
    clock: Clock,
    request: bytes,
    whole: Callable[[bytes], bool] = never,
    limit_s: float = REPLY_S,
) -> tuple[bytes, float]:
    """Sends a request; gives what came back and how long its end took, in s.

    Waits `limit_s` for a first byte, and no longer than it takes until `whole` says that all is there.
    """
    wire.read(wait=False)
    wire.write(request)

    def enough(chunks: Chunks, elapsed_s: float) -> bool:
        if not chunks:
            return elapsed_s >= limit_s
        silent_s = elapsed_s - chunks[-1][0] / 1e6
        return silent_s >= QUIET_S or elapsed_s >= 2 * limit_s or whole(b"".join(data for _, data in chunks))

    chunks = gather(wire, clock, enough)
    return b"".join(data for _, data in chunks), chunks[-1][0] / 1e6 if chunks else 0.0


def exchange_registers(wire: Wire, clock: Clock, request: bytes) -> tuple[bytes, float]:
    """As `exchange`, for Modbus, where the bytes themselves say when a reply is whole."""
    expected = Expected.by(request)
    clock.sleep(BETWEEN_FRAMES_S)
    return exchange(
        wire, clock, request, lambda received: find_reply(received, 0, expected) is not None, REGISTERS_S
    )


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
