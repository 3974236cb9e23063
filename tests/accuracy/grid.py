"""The conditions: gauges, surfaces and hands, all invented, in quantities that hand-held gauges have."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from simulators.force import HANDS, SURFACES, ForceTrace, Hand, Rig, simulate_pulls
from simulators.front import GaugeFront

GF_N = 0.00980665

GAUGES = {
    "5 Hz, 10 gf": GaugeFront(rate_hz=5.0, resolution_n=10 * GF_N, noise_n=0.02, range_n=100.0),
    "9 Hz, 0.1 N": GaugeFront(rate_hz=9.0, resolution_n=0.1, noise_n=0.03),
    "10 Hz, 10 gf": GaugeFront(rate_hz=10.0, resolution_n=10 * GF_N, noise_n=0.02, range_n=100.0),
    "20 Hz, 0.005 N": GaugeFront(rate_hz=20.0, resolution_n=0.005, noise_n=0.002, range_n=250.0),
    "50 Hz, 0.05 N, drifting": GaugeFront(
        rate_hz=50.0, resolution_n=0.05, noise_n=0.01, zero_n=-1.3, drift_n_per_h=1.0
    ),
    "100 Hz, 0.01 N": GaugeFront(rate_hz=100.0, resolution_n=0.01, noise_n=0.004),
    "100 Hz, 0.01 N, drifting": GaugeFront(
        rate_hz=100.0, resolution_n=0.01, noise_n=0.004, zero_n=0.4, drift_n_per_h=-2.0
    ),
    "200 Hz, 0.02 N": GaugeFront(rate_hz=200.0, resolution_n=0.02, noise_n=0.01),
    "1 kHz, 0.01 N": GaugeFront(rate_hz=1000.0, resolution_n=0.01, noise_n=0.004),
    "1 kHz, 0.001 N": GaugeFront(rate_hz=1000.0, resolution_n=0.001, noise_n=0.0005, range_n=50.0),
    "2 kHz, 0.01 N": GaugeFront(rate_hz=2000.0, resolution_n=0.01, noise_n=0.006, zero_n=2.0),
    "10 kHz, 0.02 N": GaugeFront(rate_hz=10_000.0, resolution_n=0.02, noise_n=0.006),
}

GOOD_HANDS = {
    **{name: HANDS[name] for name in ("clean", "steady", "shaky", "regrip", "bump-before", "bump-after")},
    "uneven": Hand(name="uneven", uneven=0.6),
    "brisk": Hand(name="brisk", load_m_per_s=0.006, slide_m_per_s=0.015, start_s=0.05),
    "gentle": Hand(name="gentle", load_m_per_s=0.0003, slide_s=1.5),
}
"""Pulls that should be accepted."""

BAD_HANDS = {name: hand for name, hand in HANDS.items() if hand.fault}
"""Pulls that should be refused, each for a reason of its own."""

REASONS = {
    "too fast": ("too fast",),
    "too slow": ("too slow",),
    "jerked": ("jerked",),
    "started without rest": ("started without rest",),
    "never released": ("never released",),
}
"""How the reasons begin that say what was wrong with such a hand."""

PULLS_PER_TRACE = 6
BRISK_FROM_HZ = 50.0
"""Below it a brisk pull is over within a few samples: refusing it is right."""


@dataclass(frozen=True, slots=True)
class Case:
    """One trace to simulate and to look for pulls in."""

    gauge: str
    surface: str
    hand: str
    seed: int
    weight_n: float = 0.0

    @property
    def front(self) -> GaugeFront:
        return GAUGES[self.gauge]

    def trace(self) -> tuple["Case", ForceTrace]:
        rng = np.random.default_rng([self.seed, 17])
        rig = Rig(
            mass_kg=float(rng.choice([0.8, 1.0, 1.04, 2.0])), spring_n_per_m=float(rng.uniform(1500, 5000))
        )
        hand = (GOOD_HANDS | BAD_HANDS)[self.hand]
        # The hand goes as much faster as the string is softer: what a person feels is the force.
        softer = 3000.0 / rig.spring_n_per_m
        hand = replace(hand, load_m_per_s=hand.load_m_per_s * softer, tremor_m=hand.tremor_m * softer)
        step_s = min(0.00025, 1.0 / self.front.rate_hz)
        trace = simulate_pulls(
            SURFACES[self.surface], hand, pulls=PULLS_PER_TRACE, seed=self.seed, rig=rig, step_s=step_s
        )
        return replace(self, weight_n=rig.weight_n), trace


def good_cases(repeats: int) -> Iterator[Case]:
    """Every gauge with every surface and every good hand."""
    yield from _cases(GOOD_HANDS, tuple(SURFACES), repeats, 1000)


def bad_cases(repeats: int) -> Iterator[Case]:
    yield from _cases(BAD_HANDS, ("bare", "treated"), repeats, 500_000)


def _cases(hands: dict[str, Hand], surfaces: tuple[str, ...], repeats: int, seed: int) -> Iterator[Case]:
    for gauge, front in GAUGES.items():
        for hand in hands:
            if hand == "brisk" and front.rate_hz < BRISK_FROM_HZ:
                continue
            for surface in surfaces:
                for _ in range(repeats):
                    seed += 1
                    yield Case(gauge, surface, hand, seed)
