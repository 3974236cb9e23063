"""Reads what a Modbus RTU unit holds: which registers answer, and how their numbers go over a few seconds."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from acquire.clock import Clock
from acquire.errors import PortLost
from acquire.identify.ask import Answer, Requests, exchange_registers
from acquire.identify.facts import listed
from acquire.identify.heard import CannotTell
from acquire.identify.listen import Open, Tell
from drivers.description import SerialSettings
from drivers.modbus import EXCEPTIONS, Expected, find_reply, read_request
from drivers.modbus_settings import MOST_REGISTERS

ROUNDS_N = 20
ROUND_S = 0.15
_UNKNOWN_FUNCTION = 1

Read = Callable[[int, int, int, int], bytes | int | None]
"""(unit, function, first, count) -> the registers' bytes, the code of a refusal, or None for no reply."""


@dataclass(frozen=True, slots=True)
class Block:
    """Neighbours that answer in one request. `rounds` holds their bytes, read again and again."""

    function: int
    first: int
    rounds: tuple[bytes, ...]

    @property
    def count(self) -> int:
        return len(self.rounds[0]) // 2


@dataclass(frozen=True, slots=True)
class Held:
    """What one unit holds. `refusals` says in words which registers did not answer, and how."""

    unit: int
    settings: SerialSettings
    blocks: tuple[Block, ...]
    refusals: tuple[str, ...]
    others: tuple[int, ...]
    """Further units that answer on the same line."""
    reply_s: float


@dataclass(slots=True)
class _Scan:
    read: Read
    unit: int
    function: int
    found: list[tuple[int, int]]
    refused: dict[str, list[int]]

    def look(self, first: int, count: int) -> None:
        """All of them in one request; if that is refused, each half."""
        data = self.read(self.unit, self.function, first, count) if count <= MOST_REGISTERS else 0
        if isinstance(data, bytes):
            self.found.append((first, count))
        elif data == _UNKNOWN_FUNCTION or count == 1:
            reason = "no reply" if data is None else EXCEPTIONS.get(data, f"exception {data}")
            self.refused.setdefault(reason, []).extend(range(first, first + count))
        else:
            self.look(first, count // 2)
            self.look(first + count // 2, count - count // 2)

    def look_at_pairs(self, first: int, last: int) -> None:
        """For gauges that refuse to read half of a 32-bit number: pairs that halving has cut in two."""
        for address in range(first + 1 - first % 2, last, 2):
            if isinstance(self.read(self.unit, self.function, address, 2), bytes):
                self.found.append((address, 2))

    def joined(self) -> list[tuple[int, int]]:
        """Neighbours as one block where they answer together, so that no number is read in two halves."""
        out: list[tuple[int, int]] = []
        for first, count in sorted(self.found):
            if out and sum(out[-1]) == first and out[-1][1] + count <= MOST_REGISTERS:
                both = out[-1][0], out[-1][1] + count
                if isinstance(self.read(self.unit, self.function, *both), bytes):
                    out[-1] = both
                    continue
            out.append((first, count))
        return out


def read_unit(open_: Open, clock: Clock, tell: Tell, answer: Answer, requests: Requests) -> Held:
    """Finds which registers of the unit that answered can be read, and reads them for some seconds.

    Raises:
        CannotTell: the port was lost meanwhile, or no register answers.
    """
    wire = open_(answer.settings)
    unit = answer.request.send[0]
    slowest_s = 0.0

    def read(unit: int, function: int, first: int, count: int) -> bytes | int | None:
        nonlocal slowest_s
        request = read_request(unit, function, first, count)
        reply, took_s = exchange_registers(wire, clock, request)
        found = find_reply(reply, 0, Expected.by(request))
        if found is None:
            return None
        slowest_s = max(slowest_s, took_s)
        frame = reply[slice(*found)]
        return frame[2] if frame[1] & 0x80 else frame[3:-2]

    try:
        others = [one for one in requests.modbus.units if one != unit and _answers(read, one, requests)]
        places, refusals = _places(read, unit, requests)
        if not places:
            raise CannotTell(
                f"Modbus unit {unit} answers, but holds nothing where it was asked; {'; '.join(refusals)}",
                "Its manual says which registers hold the value: ask there with --registers FIRST-LAST"
                + (f", or ask another unit: {_try(others)}" if others else ""),
            )
        tell("reading them for some seconds: let the value change now (pull, warm, load)")
        rounds: list[list[bytes]] = [[] for _ in places]
        for _ in range(ROUNDS_N):
            for (function, first, count), seen in zip(places, rounds, strict=True):
                data = read(unit, function, first, count)
                if isinstance(data, bytes):
                    seen.append(data)
            clock.sleep(ROUND_S)
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()
    blocks = tuple(
        Block(function, first, tuple(seen))
        for (function, first, _), seen in zip(places, rounds, strict=True)
        if seen
    )
    return Held(unit, answer.settings, blocks, tuple(refusals), tuple(others), slowest_s)


def _answers(read: Read, unit: int, requests: Requests) -> bool:
    replies = (read(unit, function, 0, 1) for function in requests.modbus.functions)
    return any(reply is not None for reply in replies)


def _places(read: Read, unit: int, requests: Requests) -> tuple[list[tuple[int, int, int]], list[str]]:
    """(function, first, count) of what answers, and in words what does not."""
    first, last = requests.modbus.registers
    places: list[tuple[int, int, int]] = []
    refusals: list[str] = []
    for function in requests.modbus.functions:
        scan = _Scan(read, unit, function, [], {})
        scan.look(first, last - first + 1)
        if not scan.found and EXCEPTIONS[_UNKNOWN_FUNCTION] not in scan.refused:
            scan.look_at_pairs(first, last)
        places += [(function, *place) for place in scan.joined()]
        refusals += [
            f"function {function:02d}, registers {listed(addresses)}: {reason}"
            for reason, addresses in scan.refused.items()
        ]
    return places, refusals


def _try(units: Sequence[int]) -> str:
    return " or ".join(f"--units {unit}" for unit in units)


def told(held: Held) -> list[str]:
    """What was found, in words for a person."""
    lines = [f"it answers as Modbus RTU unit {held.unit}"]
    if held.others:
        lines.append(f"also answering on this line: unit {listed(held.others)} ({_try(held.others)})")
    for block in held.blocks:
        addresses = listed(range(block.first, block.first + block.count))
        lines.append(f"function {block.function:02d}, registers {addresses}: answered")
    return [*lines, *held.refusals]
