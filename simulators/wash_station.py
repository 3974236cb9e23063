"""A wash machine that strokes, stops and is switched on again, and the messages of its counter."""

from collections.abc import Mapping
from typing import ClassVar

from simulators import speech
from simulators.commands import Command, CommandError, Form
from simulators.station import Station, Truth
from simulators.wash import StrokeCounter


class WashStation(Station):
    forms: ClassVar[Mapping[str, Form]] = {
        "strokes": Form("strokes 50", "how many", bare=False),
        "pace": Form("pace 35", "strokes a minute", bare=False),
        "reset": Form("reset"),
    }

    def __init__(self, truth: Truth, *, speaks: str, counter: StrokeCounter) -> None:
        super().__init__(truth)
        self.speaks, self.counter = speaks, counter
        self._due_n = 0
        self._next_s = 0.0
        self._messages: list[bytes] = []
        self._power_up(0.0)

    @property
    def busy(self) -> bool:
        return self._due_n > 0

    @property
    def next_s(self) -> float | None:
        return self._next_s if self._due_n else None

    def auto(self) -> str:
        return "strokes 20"

    def start(self, command: Command, t_s: float) -> None:
        getattr(self, f"_start_{command.name}")(command, t_s)

    def _start_strokes(self, command: Command, t_s: float) -> None:
        self._due_n = command.count()
        self._next_s = t_s + self.counter.next_interval_s()

    def _start_pace(self, command: Command, t_s: float) -> None:
        try:
            self.counter.set_pace(command.number())
        except ValueError as error:
            raise CommandError(f"{command.text!r}: {error}") from error

    def _start_reset(self, command: Command, t_s: float) -> None:
        self._power_up(t_s)

    def _power_up(self, t_s: float) -> None:
        self.counter.power_up()
        if self.speaks == "wash-stroke":
            self._messages.append(speech.WASH_BANNER)
        self.truth("power-up", t_s=t_s, strokes_n=self.counter.strokes_n)

    def advance(self, t_s: float) -> list[bytes]:
        while self._due_n and self._next_s <= t_s:
            self._due_n -= 1
            shown_n = self.counter.stroke()
            self.truth("stroke", t_s=self._next_s, strokes_n=self.counter.strokes_n, shown_n=shown_n)
            self._stroked(self._next_s, shown_n)
            self._next_s += self.counter.next_interval_s()
        messages, self._messages = self._messages, []
        return messages

    def _stroked(self, at_s: float, shown_n: int) -> None:
        if self.speaks == "wash-stroke":
            self._messages.append(speech.wash_stroke(shown_n))

    def reply(self, t_s: float) -> bytes:
        return speech.wash_poll(self.counter.shown_n)
