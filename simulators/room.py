"""Slow gauges: room climate, panel temperature, a balance, a UV radiometer."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import ClassVar

from simulators.commands import Command, CommandError, Form, choose
from simulators.modbus import RequestEar, Unit, two_registers
from simulators.station import Station, Truth

BALANCE_STEP_S = 0.2
RESTS_WITHIN_G = 0.002
BALANCE_RANGE_G = 320.0


@dataclass(slots=True)
class SlowValue:
    """Something that settles to a new level when it is set, with a little noise."""

    level: float
    noise: float
    settle_s: float
    """Time constant."""
    came_from: float = 0.0
    set_s: float = -1e9
    broken: bool = False

    def at(self, t_s: float) -> float:
        """The true value."""
        gone = math.exp(-max(0.0, t_s - self.set_s) / self.settle_s)
        return self.level + (self.came_from - self.level) * gone

    def set(self, level: float, t_s: float) -> None:
        self.came_from, self.level, self.set_s = self.at(t_s), level, t_s

    def settled_s(self, within: float) -> float:
        """From when on it is within so much of its level."""
        away = abs(self.came_from - self.level)
        return self.set_s + (self.settle_s * math.log(away / within) if away > within else 0.0)


VALUES: dict[str, dict[str, SlowValue]] = {
    "modbus-climate": {"temperature": SlowValue(23.1, 0.02, 2.0), "humidity": SlowValue(49.8, 0.05, 2.0)},
    "modbus-panel": {"panel-1": SlowValue(22.4, 0.003, 2.0), "panel-2": SlowValue(22.6, 0.003, 2.0)},
    "balance-line": {"mass": SlowValue(0.0, 0.0003, 0.4)},
    "irradiance-line": {"irradiance": SlowValue(0.0, 0.004, 0.5)},
}
NAMES = frozenset(name for values in VALUES.values() for name in values)


class RoomStation(Station):
    forms: ClassVar[Mapping[str, Form]] = {
        "set": Form("set temperature=26.5", options=NAMES, bare=False),
        "break": Form("break humidity", "whose sensor", bare=False),
        "mend": Form("mend humidity", "whose sensor", bare=False),
        "refuse": Form("refuse 4", "exception code; 0 ends it", bare=False),
    }

    def __init__(self, truth: Truth, *, speaks: str, rng: Random, unit: int | None = None) -> None:
        super().__init__(truth)
        self.speaks = speaks
        self._rng = rng
        self._values = {
            name: SlowValue(one.level, one.noise, one.settle_s, one.level)
            for name, one in VALUES[speaks].items()
        }
        self._now_s = 0.0
        self._until_s = 0.0
        self._next_s = 0.0
        self.unit: Unit | None = None
        if speaks == "modbus-climate":
            self.unit = Unit(unit or 2, 3, self._climate_registers)
        elif speaks == "modbus-panel":
            self.unit = Unit(unit or 3, 4, self._panel_registers)
        if self.unit is not None:
            self.ear = RequestEar()

    @property
    def busy(self) -> bool:
        return self._now_s < self._until_s

    @property
    def next_s(self) -> float | None:
        return self._next_s if self.speaks == "balance-line" else self._until_s if self.busy else None

    def auto(self) -> str:
        return "pause 60"

    def start(self, command: Command, t_s: float) -> None:
        getattr(self, f"_start_{command.name}")(command, t_s)

    def _start_set(self, command: Command, t_s: float) -> None:
        for name in command.options:
            value = choose(command, name, self._values)
            value.set(command.option(name, 0.0), t_s)
            self._until_s = max(self._until_s, value.settled_s(max(value.noise, 1e-3)))
        self.truth("set", t_s=t_s, **{name: one.level for name, one in self._values.items()})

    def _start_break(self, command: Command, t_s: float) -> None:
        choose(command, command.word or "", self._values).broken = True

    def _start_mend(self, command: Command, t_s: float) -> None:
        choose(command, command.word or "", self._values).broken = False

    def _start_refuse(self, command: Command, t_s: float) -> None:
        code = int(command.number())
        if self.unit is None or not 0 <= code <= 11:
            raise CommandError(f"{command.text!r}: only a Modbus gauge refuses, with 1 to 11; 0 ends it")
        self.unit.refuse_with = code or None

    def _shown(self, name: str) -> float:
        value = self._values[name]
        return value.at(self._now_s) + self._rng.gauss(0.0, value.noise)

    def _climate_registers(self) -> dict[int, int]:
        return {
            address: 0x8000 if self._values[name].broken else round(10 * self._shown(name)) & 0xFFFF
            for address, name in enumerate(("temperature", "humidity"))
        }

    def _panel_registers(self) -> dict[int, int]:
        held = {}
        for first, name in ((100, "panel-1"), (200, "panel-2")):
            number = -(2**31) if self._values[name].broken else round(100 * self._shown(name))
            words = two_registers(number.to_bytes(4, "big", signed=True))
            held.update({first: words[0], first + 1: words[1]})
        return held

    def advance(self, t_s: float) -> list[bytes]:
        self._now_s = t_s
        messages = []
        while self.speaks == "balance-line" and self._next_s <= t_s:
            messages.append(self._balance_line())
            self._next_s += BALANCE_STEP_S
        return messages

    def _balance_line(self) -> bytes:
        mass_g = self._shown("mass")
        if mass_g > BALANCE_RANGE_G:
            return b"O\r\n"
        resting = abs(mass_g - self._values["mass"].level) < RESTS_WITHIN_G
        text = f"{round(mass_g, 3) + 0.0:+09.3f}"
        return f"{'S' if resting else 'D'} {text} g\r\n".encode()

    def reply(self, t_s: float) -> bytes:
        shown = max(0.0, self._shown("irradiance"))
        return b"E SAT\r" if self._values["irradiance"].broken else f"E {shown:06.2f}\r".encode()

    def answer(self, request: bytes, t_s: float) -> bytes:
        if self.unit is None or request[0] != self.unit.number:
            return b""
        return self.unit.answer(request)


class BusStation(Station):
    """Several Modbus gauges on one line; hands speak to whichever knows the command."""

    def __init__(self, truth: Truth, stations: "list[Station]") -> None:
        super().__init__(truth)
        self._stations = stations
        self.ear = RequestEar()
        # Elsewhere it belongs to the class; here to who is on the line.
        self.forms = {  # type: ignore[misc]
            name: form for one in reversed(stations) for name, form in one.forms.items()
        }

    @property
    def busy(self) -> bool:
        return any(one.busy for one in self._stations)

    @property
    def next_s(self) -> float | None:
        if any(one.busy and one.next_s is None for one in self._stations):
            return None
        return min((one.next_s for one in self._stations if one.next_s is not None), default=None)

    def auto(self) -> str:
        return self._stations[0].auto()

    def start(self, command: Command, t_s: float) -> None:
        next(one for one in self._stations if command.name in one.forms).start(command, t_s)

    def advance(self, t_s: float) -> list[bytes]:
        return [message for one in self._stations for message in one.advance(t_s)]

    def answer(self, request: bytes, t_s: float) -> bytes:
        return b"".join(one.answer(request, t_s) for one in self._stations)
