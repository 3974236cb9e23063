"""A glossmeter that somebody presses, and the messages of its format."""

import dataclasses
from collections import deque
from collections.abc import Mapping
from typing import ClassVar

from simulators import speech
from simulators.commands import Command, CommandError, Form
from simulators.gloss import Glossmeter, Target
from simulators.station import Station, Truth

ANGLE_KEYS = frozenset({"20", "60", "85"})


class GlossStation(Station):
    forms: ClassVar[Mapping[str, Form]] = {
        "press": Form("press 10 angle=20", "how many", frozenset({"angle", "every_s"})),
        "panel": Form("panel 20=88.4 60=91.0 scatter=0.3", options=ANGLE_KEYS | {"scatter"}),
        "tile": Form("tile"),
        "drift": Form("drift gu=-0.8", options=frozenset({"gu", "gu_per_h"}), bare=False),
    }

    def __init__(
        self, truth: Truth, *, speaks: str, meter: Glossmeter, panel: Target, tile: Target, angle_deg: int
    ) -> None:
        super().__init__(truth)
        self.speaks, self.meter, self.panel, self.tile = speaks, meter, panel, tile
        self.target = panel
        self.angle_deg = angle_deg
        self._presses_s: deque[float] = deque()
        self._number = 0
        self._unread = b""

    @property
    def busy(self) -> bool:
        return bool(self._presses_s)

    @property
    def next_s(self) -> float | None:
        return self._presses_s[0] if self._presses_s else None

    def auto(self) -> str:
        return "press 1 every_s=4"

    def start(self, command: Command, t_s: float) -> None:
        getattr(self, f"_start_{command.name}")(command, t_s)

    def _start_press(self, command: Command, t_s: float) -> None:
        angle_deg = int(command.option("angle", self.angle_deg))
        if angle_deg not in self.target.mean_gu:
            known = ", ".join(str(angle) for angle in self.target.mean_gu)
            raise CommandError(f"{command.text!r}: {self.target.name} has no gloss there; it has {known}")
        self.angle_deg = angle_deg
        every_s = command.option("every_s", 2.0, at_least=0.01)
        for _ in range(command.count()):
            t_s += every_s * self.meter.rng.uniform(0.9, 1.1)
            self._presses_s.append(t_s)

    def _start_panel(self, command: Command, t_s: float) -> None:
        """Puts the meter on the panel; values that are named are new, the others stay."""
        given = {int(key): command.option(key, 0.0) for key in command.options if key in ANGLE_KEYS}
        scatter_gu = command.option("scatter", self.panel.scatter_gu)
        try:
            self.panel = Target("panel", {**self.panel.mean_gu, **given}, scatter_gu)
        except ValueError as error:
            raise CommandError(f"{command.text!r}: {error}") from error
        self._turn_to(self.panel, t_s)

    def _start_tile(self, command: Command, t_s: float) -> None:
        self._turn_to(self.tile, t_s)

    def _turn_to(self, target: Target, t_s: float) -> None:
        self.target = target
        self.truth("target", t_s=t_s, **dataclasses.asdict(target))

    def _start_drift(self, command: Command, t_s: float) -> None:
        self.meter.step_gu += command.option("gu", 0.0)
        if "gu_per_h" in command.options:
            # The error it has by now stays; only its further growth changes.
            before_gu = self.meter.drift.at(t_s)
            self.meter.drift = dataclasses.replace(self.meter.drift, gu_per_h=command.option("gu_per_h", 0.0))
            self.meter.step_gu += before_gu - self.meter.drift.at(t_s)
        self.truth("drift", t_s=t_s, error_gu=self.meter.drift.at(t_s) + self.meter.step_gu)

    def advance(self, t_s: float) -> list[bytes]:
        messages: list[bytes] = []
        while self._presses_s and self._presses_s[0] <= t_s:
            measured = self.meter.measure(self.target, self.angle_deg, self._presses_s.popleft())
            self._number += 1
            self.truth("measurement", number=self._number, **dataclasses.asdict(measured))
            if self.speaks == "gloss-poll":
                self._unread = speech.gloss_poll(measured.angle_deg, measured.shown_gu, self._number)
            else:
                messages.append(speech.gloss_key(measured.angle_deg, measured.shown_gu))
        return messages

    def reply(self, t_s: float) -> bytes:
        unread, self._unread = self._unread, b""
        return unread or speech.GLOSS_NOTHING_NEW
