"""Traces without a single pull, from silence to somebody leaning on the table: whatever is found is false."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Make = Callable[[Floats, np.random.Generator], Floats]

SECONDS = 120.0
NOISE_N = 0.01
STEP_N = 0.01


def _walk(t: Floats, rng: np.random.Generator) -> Floats:
    """A zero that wanders by 0.05 N (sd) in a second."""
    return np.asarray(np.cumsum(rng.normal(0.0, 0.05 * np.sqrt(t[1] - t[0]), len(t))))


def _spikes(t: Floats, rng: np.random.Generator) -> Floats:
    """Single stray values of some newtons, one in ten seconds."""
    force = np.zeros(len(t))
    force[rng.integers(0, len(t), int(t[-1] / 10))] = rng.uniform(-5.0, 5.0, int(t[-1] / 10))
    return force


def _knocks(t: Floats, rng: np.random.Generator) -> Floats:
    """Somebody bumps the bench every few seconds: a few hundredths of a second of ringing."""
    force = np.zeros(len(t))
    for at in np.arange(3.0, t[-1], 7.0):
        since = t - at - rng.uniform(0.0, 1.0)
        ringing = np.where(
            since >= 0, np.exp(-np.maximum(since, 0.0) / 0.01) * np.sin(2 * np.pi * 40 * since), 0
        )
        force += rng.uniform(0.5, 2.0) * ringing
    return force


def _leaning(t: Floats, rng: np.random.Generator) -> Floats:
    """Somebody leans on the table for a while now and then: a tenth of a newton."""
    force = np.zeros(len(t))
    for at in np.arange(5.0, t[-1], 15.0):
        force += 0.1 / (1 + np.exp(-(t - at) / 0.5)) - 0.1 / (1 + np.exp(-(t - at - 6.0) / 0.5))
    return force


TRACES: dict[str, Make] = {
    "silent, noise only": lambda t, rng: np.zeros(len(t)),
    "drift, steady": lambda t, rng: 0.02 * t,
    "drift, warming up": lambda t, rng: 0.8 * (1 - np.exp(-t / 15.0)),
    "drift, to and fro": lambda t, rng: 0.3 * np.sin(2 * np.pi * t / 20.0),
    "drift, at random": _walk,
    "mains hum": lambda t, rng: 0.05 * np.sin(2 * np.pi * 50.3 * t),
    "heavy-tailed noise": lambda t, rng: 0.02 * rng.standard_t(3, len(t)),
    "stray values": _spikes,
    "knocks": _knocks,
    "leaning on the table": _leaning,
    "one level, never changing": lambda t, rng: np.full(len(t), 0.37) - rng.normal(0.0, 1e-9, len(t)),
}
RATES_HZ = (10.0, 100.0, 1000.0)


def odd_trace(name: str, rate_hz: float, seed: int) -> tuple[Floats, Floats]:
    """Times in s and forces in N of one such trace."""
    rng = np.random.default_rng([seed, int(rate_hz)])
    t = np.arange(int(SECONDS * rate_hz)) / rate_hz
    shown = TRACES[name](t, rng) + rng.normal(0.0, NOISE_N, len(t))
    return t, np.round(shown / STEP_N) * STEP_N
