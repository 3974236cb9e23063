"""A force gauge on its string: pulls, check weights, drift, and the messages of its format."""

import dataclasses
from collections import deque
from typing import ClassVar

import numpy as np

from simulators.commands import Command, CommandError, Form, choose
from simulators.force import HANDS, SURFACES, ForceTrace, Hand, PullTruth, Rig, Surface, simulate_pulls
from simulators.front import Floats, FrontStream, GaugeFront, Ramp
from simulators.speech import FORCE, FORMATS, ForceState, Shown
from simulators.station import Station, Truth

STEP_S = 0.00025
SETTLE_S = 2.5
UNSETTLED_N_PER_S = 100.0
"""Change of the shown value beyond which a polled gauge says that it has not settled."""

_SURFACE_KEYS = frozenset(field.name for field in dataclasses.fields(Surface))


class ForceStation(Station):
    forms: ClassVar = {
        "pull": Form("pull 5 hand=fast", "how many", frozenset({"hand"})),
        "surface": Form("surface mu_static=0.31 mu_kinetic=0.24", "name", _SURFACE_KEYS, bare=False),
        "weight": Form("weight 0.2", "kg; 0 takes it off", bare=False),
        "drift": Form("drift n=0.05 per_h=0.01", options=frozenset({"n", "per_h"}), bare=False),
        "gain": Form("gain 1.005 per_h=0.001", "factor", frozenset({"per_h"}), bare=False),
        "unit": Form("unit lbf", "N, kgf or lbf", bare=False),
        "mode": Form("mode peak", "live or peak", bare=False),
        "battery": Form("battery low", "ok or low", bare=False),
        "freeze": Form("freeze on", "on or off", bare=False),
    }

    def __init__(
        self,
        truth: Truth,
        *,
        speaks: str,
        surface: Surface,
        hand: Hand,
        rig: Rig,
        front: GaugeFront,
        seed: int,
    ) -> None:
        super().__init__(truth)
        self.speaks, self.surface, self.hand, self.rig, self.front = speaks, surface, hand, rig, front
        self.state = ForceState()
        self._seed = seed
        self._stream = FrontStream(front, step_s=STEP_S, rng=np.random.default_rng([seed, 0]))
        self._steps_n = 0
        self._coming: deque[Floats] = deque()
        self._level_n = 0.0
        self._pulls_n = 0
        self._stopped_s = 0.0
        self._facts: list[tuple[float, str, dict[str, object]]] = []
        self._last = Shown(0.0)
        self._peak_n = 0.0
        self._frozen = False

    @property
    def busy(self) -> bool:
        return bool(self._coming)

    @property
    def next_s(self) -> float | None:
        return None

    def auto(self) -> str:
        return "pull 1"

    def start(self, command: Command, t_s: float) -> None:
        getattr(self, f"_start_{command.name}")(command)

    def _start_pull(self, command: Command) -> None:
        if self._level_n:
            raise CommandError(f"{command.text!r}: a weight hangs on the gauge; say 'weight 0' first")
        hand, count = self.hand, command.count()
        if "hand" in command.options:
            hand = choose(command, command.options["hand"], HANDS)
        trace = simulate_pulls(
            self.surface,
            hand,
            pulls=count,
            seed=[self._seed, 1],
            rig=self.rig,
            step_s=STEP_S,
            contact_s=self._now_s - self._stopped_s,
            first_number=self._pulls_n + 1,
        )
        self._pulls_n += count
        self._note(trace)
        self._coming.append(trace.force_n)

    def _note(self, trace: ForceTrace) -> None:
        now_s = self._now_s
        for t_s in trace.bumps_s:
            self._facts.append((now_s + t_s, "bump", {"t_s": now_s + t_s}))
        for pull in trace.truth:
            verdict, why = self.front.verdict(pull)
            moved = {
                field.name: getattr(pull, field.name) + now_s
                for field in dataclasses.fields(PullTruth)
                if field.name.startswith("t_")
            }
            facts = dataclasses.asdict(pull) | moved | {"verdict": verdict, "why": why}
            self._facts.append((moved["t_end_s"], "pull", facts))
        self._facts.sort(key=lambda fact: fact[0])
        self._stopped_s = now_s + trace.truth[-1].t_end_s

    def _start_surface(self, command: Command) -> None:
        surface = self.surface
        if command.word is not None:
            surface = choose(command, command.word, SURFACES)
        numbers = {key: command.option(key, 0.0) for key in command.options}
        try:
            self.surface = dataclasses.replace(surface, **numbers)
        except ValueError as error:
            raise CommandError(f"{command.text!r}: {error}") from error
        self.truth("surface", t_s=self._now_s, **dataclasses.asdict(self.surface))

    def _start_weight(self, command: Command) -> None:
        mass_kg = command.number()
        if mass_kg < 0:
            raise CommandError(f"{command.text!r}: a weight cannot be negative")
        after_s = np.arange(round(SETTLE_S / STEP_S)) * STEP_S
        before_n, self._level_n = self._level_n, mass_kg * self.rig.gravity_m_per_s2
        swing = np.exp(-after_s / 0.1) * np.cos(2 * np.pi * 5.0 * after_s)
        # A weight that hangs on a string may lift but not push.
        self._coming.append(np.maximum(0.0, self._level_n + (before_n - self._level_n) * swing))
        self.truth("weight", t_s=self._now_s, mass_kg=mass_kg, force_n=self._level_n)

    def _start_drift(self, command: Command) -> None:
        """The zero jumps by n, and from now on creeps by per_h in an hour; what it has crept so far stays."""
        now_s, stream = self._now_s, self._stream
        crept_n = float(stream.creep.at(now_s))
        stream.zero_n += command.option("n", 0.0) + crept_n
        stream.creep = Ramp(0.0, command.option("per_h", stream.creep.per_h), now_s)
        self.truth("drift", t_s=now_s, zero_n=stream.zero_n, per_h=stream.creep.per_h)

    def _start_gain(self, command: Command) -> None:
        """Shown per true force, and how much more of it each hour from now on."""
        now_s, stream = self._now_s, self._stream
        gain = command.number(float(stream.gain.at(now_s)))
        if gain <= 0:
            raise CommandError(f"{command.text!r}: a gain is above 0")
        stream.gain = Ramp(gain, command.option("per_h", 0.0), now_s)
        self.truth("gain", t_s=now_s, gain=gain, per_h=stream.gain.per_h)

    def _start_unit(self, command: Command) -> None:
        self.state.unit = choose(command, command.word or "", {"N": "N", "kgf": "kgf", "lbf": "lbf"})
        self.truth("unit", t_s=self._now_s, unit=self.state.unit)

    def _start_mode(self, command: Command) -> None:
        self.state.peak_hold = choose(command, command.word or "", {"live": False, "peak": True})
        self._peak_n = 0.0
        self.truth("mode", t_s=self._now_s, peak_hold=self.state.peak_hold)

    def _start_battery(self, command: Command) -> None:
        self.state.battery_low = choose(command, command.word or "", {"ok": False, "low": True})
        self.truth("battery", t_s=self._now_s, low=self.state.battery_low)

    def _start_freeze(self, command: Command) -> None:
        self._frozen = choose(command, command.word or "", {"on": True, "off": False})
        self.truth("freeze", t_s=self._now_s, frozen=self._frozen)

    @property
    def _now_s(self) -> float:
        return self._steps_n * STEP_S

    def advance(self, t_s: float) -> list[bytes]:
        _, values = self._stream.feed(self._true_force(max(0, int(t_s / STEP_S) - self._steps_n)))
        while self._facts and self._facts[0][0] <= self._now_s:
            _, kind, facts = self._facts.pop(0)
            self.truth(kind, **facts)
        shown = [self._shown(value_n) for value_n in values.tolist()]
        if not FORMATS[self.speaks].stream:
            return []
        say, state = FORCE[self.speaks], self.state
        return [say(one, state) for one in shown]

    def reply(self, t_s: float) -> bytes:
        return FORCE[self.speaks](self._last, self.state)

    def _true_force(self, n: int) -> Floats:
        """The next `n` grid values: what is being done, and behind it the level at rest."""
        self._steps_n += n
        parts: list[Floats] = []
        while n and self._coming:
            part = self._coming[0]
            if len(part) > n:
                self._coming[0] = part[n:]
            else:
                self._coming.popleft()
            parts.append(part[:n])
            n -= len(parts[-1])
        parts.append(np.full(n, self._level_n))
        return np.concatenate(parts)

    def _shown(self, value_n: float) -> Shown:
        if self._frozen:
            return self._last
        moved_n = abs(value_n - self._last.value_n)
        if self.state.peak_hold:
            self._peak_n = value_n = max(self._peak_n, value_n)
        self._last = Shown(
            value_n,
            overload=abs(value_n) >= self.front.range_n,
            unsettled=moved_n * self.front.rate_hz > UNSETTLED_N_PER_S,
        )
        return self._last
