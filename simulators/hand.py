"""A hand that pulls: how fast, how evenly, and what it does wrong. Pure and seeded."""

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

UNEVEN_KNOT_S = 0.12
"""Spacing of the random knots of an uneven speed: a hand corrects itself a few times a second."""

JERK_S = 0.06
"""How long a snap at the start lasts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """How somebody pulls. Speeds are of the hand, so the force rises at spring rate x `load_m_per_s`.

    `fault` says why pulls of this hand should be refused ("" if they should not).
    """

    name: str = "clean"
    rest_s: float = 1.5
    """How long the string hangs slack before each pull."""
    load_m_per_s: float = 0.0012
    slide_m_per_s: float = 0.008
    slide_s: float = 0.9
    """From the break to letting go."""
    start_s: float = 0.12
    """Time to come up to the loading speed."""
    reaction_s: float = 0.12
    """From the break until the hand speeds up."""
    release_s: float = 0.12
    uneven: float = 0.15
    """Relative sd of the loading speed."""
    tremor_m: float = 0.00001
    """Amplitude of the hand's tremor, 8 to 12 Hz."""
    regrips: int = 0
    """How often it relaxes for a moment while loading."""
    jerk: float = 0.0
    """Share of the static limit that is snapped up at once at the start."""
    bump_before: bool = False
    bump_after: bool = False
    hold_fraction: float = 0.0
    """Share of the pulling force kept after the slide; 0 lets go."""
    hold_s: float = 0.0
    """How long that share is kept before letting go, or before the next pull if `lets_go` is false."""
    lets_go: bool = True
    fault: str = ""


_PRESETS = (
    Hand(),
    Hand(name="steady", uneven=0.0, tremor_m=0.0),
    Hand(name="shaky", uneven=0.3, tremor_m=0.00004),
    Hand(name="regrip", regrips=1),
    Hand(name="bump-before", bump_before=True),
    Hand(name="bump-after", bump_after=True),
    Hand(name="fast", load_m_per_s=0.04, slide_m_per_s=0.04, start_s=0.01, fault="too fast"),
    Hand(name="slow", load_m_per_s=0.00006, fault="too slow"),
    Hand(name="jerk", jerk=0.6, fault="jerked"),
    Hand(name="no-rest", rest_s=0.03, release_s=0.06, fault="started without rest"),
    Hand(name="held", hold_fraction=0.4, hold_s=0.3, lets_go=False, fault="started without rest"),
    Hand(name="not-released", hold_fraction=0.7, hold_s=12.0, fault="never released"),
)
HANDS = MappingProxyType({hand.name: hand for hand in _PRESETS})
"""Hands by name, as `pull 3 hand=fast` takes them."""


@dataclass(frozen=True, slots=True)
class Tremor:
    """Position of a trembling hand: one frequency in 8 to 12 Hz, swelling and fading slowly."""

    amplitude_m: float
    frequency_hz: float
    swell_hz: float
    phase: float

    @classmethod
    def draw(cls, amplitude_m: float, rng: np.random.Generator) -> "Tremor":
        return cls(amplitude_m, rng.uniform(8.0, 12.0), rng.uniform(0.4, 0.9), rng.uniform(0, 2 * np.pi))

    def at(self, t_s: Floats) -> Floats:
        swell = 1.0 + 0.4 * np.sin(2 * np.pi * self.swell_hz * t_s)
        return self.amplitude_m * swell * np.sin(2 * np.pi * self.frequency_hz * t_s + self.phase)


def smooth_step(n: int) -> Floats:
    """`n` values from just above 0 to 1 that start and end gently."""
    x = np.arange(1, n + 1) / max(n, 1)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def uneven_factor(n: int, step_s: float, uneven: float, rng: np.random.Generator) -> Floats:
    """Factor on a speed, mean about 1, never below 0.25 (a hand that stops is a regrip), shape (n,)."""
    knots_n = int(n * step_s / UNEVEN_KNOT_S) + 2
    knots = np.clip(1.0 + uneven * rng.standard_normal(knots_n), 0.25, None)
    return np.asarray(np.interp(np.arange(n) * step_s, np.arange(knots_n) * UNEVEN_KNOT_S, knots))


def loading_travel(
    hand: Hand, *, reach_m: float, jerk_m: float, step_s: float, rng: np.random.Generator
) -> Floats:
    """Where the hand is, from the taut string until it has gone `reach_m`; metres, shape (n,)."""
    # Half the nominal speed is allowed for, so that an uneven hand still gets there.
    n = int((reach_m / (0.5 * hand.load_m_per_s) + hand.start_s + 0.5) / step_s)
    speed = hand.load_m_per_s * uneven_factor(n, step_s, hand.uneven, rng)
    ramp_n = min(n, int(hand.start_s / step_s))
    speed[:ramp_n] *= smooth_step(ramp_n)
    travel = np.cumsum(speed) * step_s
    if jerk_m:
        snap_n = max(1, int(JERK_S / step_s))
        travel[:snap_n] += jerk_m * smooth_step(snap_n)
        travel[snap_n:] += jerk_m
    for _ in range(hand.regrips):
        travel = _with_regrip(travel, at=rng.uniform(0.3, 0.75) * reach_m, step_s=step_s, rng=rng)
    return travel


def _with_regrip(travel: Floats, *, at: float, step_s: float, rng: np.random.Generator) -> Floats:
    """Relaxes part of the way back and comes again, once the hand has gone `at` metres."""
    index = int(np.searchsorted(travel, at))
    down_n, up_n = int(0.06 / step_s), int(rng.uniform(0.08, 0.2) / step_s)
    back_m = rng.uniform(0.3, 0.7) * at
    dip = np.concatenate([-back_m * smooth_step(down_n), -back_m * (1.0 - smooth_step(up_n))])
    return np.concatenate([travel[:index], travel[index - 1] + dip, travel[index:]])


def sliding_travel(hand: Hand, *, speed_m_per_s: float, step_s: float) -> Floats:
    """Where the hand goes after the break, from 0, at first with the speed it had; metres, shape (n,)."""
    n = int(hand.slide_s / step_s)
    speed = np.full(n, speed_m_per_s)
    start = min(n, int(hand.reaction_s / step_s))
    ramp_n = min(n - start, int(0.25 / step_s))
    speed[start : start + ramp_n] += (hand.slide_m_per_s - speed_m_per_s) * smooth_step(ramp_n)
    speed[start + ramp_n :] = hand.slide_m_per_s
    return np.asarray(np.cumsum(speed) * step_s)
