"""Pulls of a block by a hand, with the truth about each. Pure: same arguments, same numbers.

    trace = simulate_pulls(Surface(), HANDS["clean"], pulls=5, seed=1)
    t_s, shown_n = GaugeFront(rate_hz=100.0).sample(trace, seed=1)

Left out on purpose: the mass of hand and gauge, and any tilt or twist of the block.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulators.block import Block, Break, Rig, Surface
from simulators.hand import HANDS, Hand, Tremor, loading_travel, sliding_travel, smooth_step

__all__ = ["HANDS", "SURFACES", "ForceTrace", "Hand", "PullTruth", "Rig", "Surface", "simulate_pulls"]

Floats = NDArray[np.float64]

SLACK_M = 0.003
TEXTURE_KNOT_S = 0.03
TAIL_S = 1.0

SURFACES = {
    "bare": Surface(mu_static=0.38, mu_kinetic=0.31),
    "treated": Surface(),
    "no-drop": Surface(mu_static=0.22, mu_kinetic=0.22, ageing_per_decade=0.0),
    "stick-slip": Surface(mu_static=0.38, mu_kinetic=0.24, healing_s=0.0, weakening_m_per_s=0.008),
}
"""Invented surfaces by name."""


@dataclass(frozen=True, slots=True)
class PullTruth:
    """What really happened in one pull; times in s on the trace's axis, forces in N."""

    number: int
    hand: str
    kind: Literal["drop", "no-drop", "stick-slip"]
    t_start_s: float
    """The force leaves zero for good (or the level it was held at)."""
    t_break_s: float
    breakaway_n: float
    """The force at which the block first slips: the static limit at that instant."""
    peak_n: float
    """The first top of the force at or after the break; above `breakaway_n` because the block has mass."""
    highest_n: float
    sliding_n: float
    """Mean from 0.3 s after the break (or a third of the slide, if shorter) until the hand eases off."""
    rise_n_per_s: float
    """Mean rate over the last 0.1 s before the break."""
    contact_s: float
    """How long block and panel had rested on each other."""
    t_release_s: float
    t_end_s: float
    """The force is zero again (or has come down to the level it is held at)."""
    breaks_n: int
    """How often the block broke away within the pull."""
    verdict: Literal["accepted", "refused"]
    why: str
    """Why it should be refused."""


@dataclass(frozen=True, slots=True)
class ForceTrace:
    """True force of the string on a uniform grid, tension positive, with the pulls in it."""

    step_s: float
    force_n: Floats
    truth: list[PullTruth] = field(default_factory=list)
    bumps_s: list[float] = field(default_factory=list)
    """When something other than a pull knocked the block."""

    @property
    def t_s(self) -> Floats:
        return np.arange(len(self.force_n), dtype=np.float64) * self.step_s


def simulate_pulls(
    surface: Surface,
    hand: Hand,
    *,
    pulls: int,
    seed: int | list[int],
    rig: Rig | None = None,
    step_s: float = 0.00025,
    contact_s: float = 0.0,
    first_number: int = 1,
) -> ForceTrace:
    """Simulates `pulls` pulls by one hand, one after the other, from a slack string to a slack string.

    Args:
        surface: the panel; its coefficients scatter from pull to pull.
        hand: who pulls; see `HANDS`.
        pulls: how many.
        seed: pull i draws from (seed, first_number + i), so a pull does not depend on how many are asked for.
        rig: mass, spring and damping.
        step_s: internal step; peaks are exact to one step's rise.
        contact_s: how long the block has rested already.
        first_number: number of the first pull.

    Raises:
        ValueError: numbers without meaning.
    """
    if pulls < 1:
        raise ValueError(f"at least one pull is needed, got {pulls}")
    seeds = [seed] if isinstance(seed, int) else seed
    series = _Series(surface, hand, rig or Rig(), step_s, contact_s)
    for index in range(pulls):
        rng = np.random.default_rng([*seeds, first_number + index])
        series.pull(first_number + index, rng, first=index == 0, last=index == pulls - 1)
    series.still(TAIL_S)
    return ForceTrace(step_s, np.concatenate(series.parts), series.truth, series.bumps_s)


class _Series:
    """The pulls of one trace, built part by part."""

    def __init__(self, surface: Surface, hand: Hand, rig: Rig, step_s: float, contact_s: float) -> None:
        self.nominal = surface
        self.hand = hand
        self.step_s = step_s
        self.block = Block(rig, surface, step_s, contact_s=contact_s)
        self.hand_m = -SLACK_M
        self.parts: list[Floats] = []
        self.truth: list[PullTruth] = []
        self.bumps_s: list[float] = []

    @property
    def t_s(self) -> float:
        return self.block.steps_n * self.step_s

    def still(self, seconds: float) -> None:
        """The string hangs slack."""
        n = round(seconds / self.step_s)
        self.parts.append(np.zeros(n))
        self.block.rest(n)

    def pull(self, number: int, rng: np.random.Generator, *, first: bool, last: bool) -> None:
        hand, block = self.hand, self.block
        held = not first and not hand.lets_go
        block.surface = _scattered(self.nominal, rng)
        if not held:
            self._rest(max(hand.rest_s, 1.0) if first else hand.rest_s * rng.uniform(0.9, 1.3), rng)
        first_break_n = len(block.breaks)
        tremor = Tremor.draw(hand.tremor_m, rng)
        load = self._load(tremor, rng)
        pulled = np.concatenate([load, self._slide(tremor, rng)])
        release_from, breaks = block.steps_n, block.breaks[first_break_n:]
        self._ease(let_go=hand.lets_go or last)
        self.truth.append(self._truth(number, pulled, breaks, release_from, first=first))
        if hand.bump_after:
            self.still(0.25)
            self._bump(rng)

    def _rest(self, seconds: float, rng: np.random.Generator) -> None:
        if not self.hand.bump_before:
            self.still(seconds)
            return
        self.still(0.5 * seconds)
        self._bump(rng)
        self.still(max(0.5 * seconds, 0.6))

    def _bump(self, rng: np.random.Generator) -> None:
        """A knock that tightens the string for an instant but does not move the block."""
        n = max(2, round(rng.uniform(0.01, 0.03) / self.step_s))
        height_n = rng.uniform(0.2, 0.7) * self.nominal.mu_static * self.block.rig.weight_n
        self.bumps_s.append(self.t_s + 0.5 * n * self.step_s)
        self.parts.append(height_n * np.sin(np.pi * np.arange(n) / n))
        self.block.rest(n)

    def _load(self, tremor: Tremor, rng: np.random.Generator) -> Floats:
        """From the taut string (or the level held) to the break."""
        block, rig = self.block, self.block.rig
        start_m = max(self.hand_m, block.x_m)
        limit_m = rig.weight_n * float(block.surface.static_at(np.array(1e5))) / rig.spring_n_per_m
        reach_m = 1.3 * (limit_m + block.x_m - start_m)
        jerk_m = self.hand.jerk * limit_m
        travel = loading_travel(self.hand, reach_m=reach_m, jerk_m=jerk_m, step_s=self.step_s, rng=rng)
        travel *= max(1.0, reach_m / travel[-1])
        force = self._follow(start_m + travel, tremor, rng, stop=True)
        self.hand_m = start_m + float(travel[len(force)])
        return force

    def _slide(self, tremor: Tremor, rng: np.random.Generator) -> Floats:
        travel = sliding_travel(self.hand, speed_m_per_s=self.hand.load_m_per_s, step_s=self.step_s)
        force = self._follow(self.hand_m + travel, tremor, rng)
        self.hand_m += float(travel[-1])
        return force

    def _ease(self, *, let_go: bool) -> None:
        """Goes back to the level that is held, if any, and then lets go."""
        hand, block = self.hand, self.block
        still = Tremor(0.0, 10.0, 0.5, 0.0)
        if hand.hold_fraction:
            back_m = (1.0 - hand.hold_fraction) * (self.hand_m - block.x_m)
            way = self.hand_m - back_m * smooth_step(round(hand.release_s / self.step_s))
            way = np.concatenate([way, np.full(round(hand.hold_s / self.step_s), way[-1])])
            self._follow(way, still, None)
            self.hand_m = float(way[-1])
        if let_go:
            back_m = self.hand_m - block.x_m + SLACK_M
            self._follow(self.hand_m - back_m * smooth_step(round(hand.release_s / self.step_s)), still, None)
            self.hand_m -= back_m

    def _follow(
        self, way_m: Floats, tremor: Tremor, rng: np.random.Generator | None, *, stop: bool = False
    ) -> Floats:
        n = len(way_m)
        # One step before the first gives the first step its speed.
        t_s = self.t_s + self.step_s * np.arange(-1, n, dtype=np.float64)
        hand_m = np.concatenate([[2 * way_m[0] - way_m[1]], way_m]) + tremor.at(t_s)
        rough = np.ones(n) if rng is None else self._texture(n, rng)
        force = self.block.follow(hand_m[1:], np.diff(hand_m) / self.step_s, rough, stop=stop)
        self.parts.append(force)
        return force

    def _texture(self, n: int, rng: np.random.Generator) -> Floats:
        knots_n = int(n * self.step_s / TEXTURE_KNOT_S) + 2
        knots = 1.0 + self.nominal.texture * rng.standard_normal(knots_n)
        return np.asarray(np.interp(np.arange(n) * self.step_s, np.arange(knots_n) * TEXTURE_KNOT_S, knots))

    def _truth(
        self, number: int, pulled: Floats, breaks: list[Break], release_from: int, *, first: bool
    ) -> PullTruth:
        step_s, broke, load_from = self.step_s, breaks[0], release_from - len(pulled)
        at = broke.index - load_from
        slack = np.flatnonzero(pulled[:at] <= 0)
        start = int(slack[-1]) + 1 if len(slack) else 0
        settle = at + min(round(0.3 / step_s), (len(pulled) - at) // 3)
        rate_n = min(at - start, round(0.1 / step_s))
        sliding_n = float(pulled[settle:].mean())
        why = self._why(first)
        return PullTruth(
            number=number,
            hand=self.hand.name,
            kind=_kind(self.nominal, breaks, sliding_n),
            t_start_s=(load_from + start) * step_s,
            t_break_s=(broke.index - 1 + broke.after) * step_s,
            breakaway_n=broke.force_n,
            peak_n=_first_top(pulled, at, broke.force_n),
            highest_n=max(float(pulled.max()), broke.force_n),
            sliding_n=sliding_n,
            rise_n_per_s=float(pulled[at - 1] - pulled[at - 1 - rate_n]) / (max(rate_n, 1) * step_s),
            contact_s=broke.contact_s,
            t_release_s=release_from * step_s,
            t_end_s=self._end_s(release_from),
            breaks_n=len(breaks),
            verdict="refused" if why else "accepted",
            why=why,
        )

    def _why(self, first: bool) -> str:
        if first and self.hand.fault == "started without rest":
            return "" if self.hand.lets_go else "never released"
        return self.hand.fault

    def _end_s(self, release_from: int) -> float:
        """When the force came to rest after the pull: slack, or at the level held."""
        force = self.parts[-1]
        moved = np.flatnonzero(force > force[-1] + 1e-9)
        start = self.block.steps_n - len(force)
        return (max(start, release_from) + (int(moved[-1]) + 1 if len(moved) else 0)) * self.step_s


def _scattered(surface: Surface, rng: np.random.Generator) -> Surface:
    factor = float(np.clip(1.0 + surface.scatter * rng.standard_normal(), 0.5, 1.5))
    return replace(surface, mu_static=surface.mu_static * factor, mu_kinetic=surface.mu_kinetic * factor)


def _first_top(pulled: Floats, at: int, break_n: float) -> float:
    """Follows the force upwards from the break until it first falls."""
    falls = np.flatnonzero(np.diff(pulled[at:]) < 0)
    top = at + (int(falls[0]) if len(falls) else len(pulled) - 1 - at)
    return max(break_n, float(pulled[top]))


def _kind(
    surface: Surface, breaks: list[Break], sliding_n: float
) -> Literal["drop", "no-drop", "stick-slip"]:
    """Stick-slip is: at least two further breaks nearly as high over the sliding force as the first."""
    if not surface.drops:
        return "no-drop"
    level_n = sliding_n + 0.4 * (breaks[0].force_n - sliding_n)
    return "stick-slip" if sum(one.force_n > level_n for one in breaks[1:]) >= 2 else "drop"
