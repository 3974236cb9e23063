"""Force gauges that are asked: the same string and block, told in SCPI or out of Modbus registers."""

import struct
from typing import Any, ClassVar

from simulators.commands import Command, CommandError, Form, choose
from simulators.force_station import ForceStation
from simulators.modbus import DEVICE_FAILURE, RequestEar, Unit, two_registers
from simulators.scpi import INFINITE, NOT_A_NUMBER, LineEar, Scpi
from simulators.speech import NEWTON_PER_KGF

FORCE_REGISTER = 10
BEYOND = 1.0e30


class ModbusForceStation(ForceStation):
    """Holds the force as a 32-bit float in two input registers, low word first."""

    forms: ClassVar = {
        "pull": ForceStation.forms["pull"],
        "surface": ForceStation.forms["surface"],
        "weight": ForceStation.forms["weight"],
        "drift": ForceStation.forms["drift"],
        "gain": ForceStation.forms["gain"],
        "freeze": ForceStation.forms["freeze"],
        "refuse": Form("refuse 4", "exception code; 0 ends it", bare=False),
    }

    def __init__(self, *args: Any, unit: int = 1, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit = Unit(unit, 4, self._registers)
        self.ear = RequestEar()

    def _registers(self) -> dict[int, int]:
        value_n = BEYOND if self._last.overload else round(self._last.value_n, 2)
        words = two_registers(struct.pack(">f", value_n), low_first=True)
        return {FORCE_REGISTER + place: word for place, word in enumerate(words)}

    def _start_refuse(self, command: Command) -> None:
        self.unit.refuse_with = _exception(command)
        self.truth("refuse", t_s=self._now_s, code=self.unit.refuse_with)

    def answer(self, request: bytes, t_s: float) -> bytes:
        return self.unit.answer(request) if request[0] == self.unit.number else b""


class ScpiForceStation(ForceStation):
    """Says `+1.23450E+01,N`; in peak hold it has no value to give."""

    forms: ClassVar = {
        **ForceStation.forms,
        "unit": Form("unit kgf", "N or kgf", bare=False),
        "error": Form("error -230", "code to put into the queue", bare=False),
    }
    TEXTS: ClassVar = {-230: "Data corrupt or stale", -231: "Data questionable", -240: "Hardware error"}

    def __init__(self, *args: Any, serial_number: str = "EX0042", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.scpi = Scpi(serial_number, "MEAS:FORC?", self._measured)
        self.ear = LineEar()

    def _measured(self) -> str:
        if self.state.peak_hold:
            return f"{NOT_A_NUMBER},{self.state.unit.upper()}"
        if self._last.overload:
            return f"{'-' if self._last.value_n < 0 else ''}{INFINITE},{self.state.unit.upper()}"
        size_n = {"N": 1.0, "kgf": NEWTON_PER_KGF}[self.state.unit]
        return f"{self._last.value_n / size_n:+.5E},{self.state.unit.upper()}"

    def _start_unit(self, command: Command) -> None:
        self.state.unit = choose(command, command.word or "", {"N": "N", "kgf": "kgf"})
        self.truth("unit", t_s=self._now_s, unit=self.state.unit)

    def _start_error(self, command: Command) -> None:
        code = int(command.number())
        self.scpi.complain(code, self.TEXTS.get(code, "Device-specific error"))
        self.truth("error", t_s=self._now_s, code=code)

    def answer(self, request: bytes, t_s: float) -> bytes:
        return self.scpi.answer(request)


def _exception(command: Command) -> int | None:
    code = int(command.number(DEVICE_FAILURE))
    if not 0 <= code <= 11:
        raise CommandError(f"{command.text!r}: exception codes are 1 to 11; 0 ends it")
    return code or None
