"""Days of checks as an invented force gauge would give them: movement, noise, display steps, readings."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from acquire.bench import Tolerance
from acquire.calibration.checks import Check, evaluate_check
from acquire.calibration.drift import Shape
from acquire.calibration.references import Assigned

Floats = NDArray[np.float64]
Movement = Callable[[Floats], Floats]

MORNING = datetime(2031, 5, 5, 8, 0, tzinfo=UTC)
ASSIGNED = Assigned("weight-200g", 1.96, "N", 0.0002, "invented", None, "invented")
TOLERANCE = Tolerance(absolute=0.03)
REPEATS_N = 3
CHECKS_N = 10
JITTER_H = 0.1
"""Nobody checks on the minute: standard deviation about the full hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """An invented gauge: how it scatters and shows. In N."""

    name: str
    resolution: float
    single: float
    """Standard deviation of one reading within a check."""
    between: float
    """Of what differs from check to check: how the weight hangs, the room."""
    daily: float = 0.0
    """Of what differs from day to day."""

    @property
    def sigma(self) -> float:
        """Standard deviation of a check's deviation from what it should be, display steps included."""
        step = self.resolution / np.sqrt(12)
        return float(np.sqrt(self.between**2 + 2 * (self.single**2 + step**2) / REPEATS_N))


GAUGES = (
    Gauge(name="fine: 0.001 N", resolution=0.001, single=0.002, between=0.0),
    Gauge(name="coarse: 0.01 N", resolution=0.01, single=0.006, between=0.0),
    Gauge(name="restless: 0.001 N", resolution=0.001, single=0.002, between=0.003, daily=0.004),
    Gauge(name="stiff: 0.01 N, no noise", resolution=0.01, single=0.0003, between=0.0005),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of day: what really moves, in standard deviations of a check (`Gauge.sigma`)."""

    name: str
    shape: Shape
    move: Movement
    """Hours since the first check -> movement."""
    onset_h: float = 0.0


def _step(size: float, onset_h: float) -> Movement:
    return lambda t_h: np.where(t_h > onset_h, size, 0.0)


def _drift(per_h: float) -> Movement:
    return lambda t_h: per_h * t_h


def _warm_up(size: float, tau_h: float) -> Movement:
    return lambda t_h: size * np.exp(-t_h / tau_h)


HEALTHY = Kind(name="healthy", shape="steady", move=np.zeros_like)
KINDS = (
    *(Kind(name=f"drift {d:g} σ/h", shape="linear drift", move=_drift(d)) for d in (0.5, 1.0, 2.0)),
    *(Kind(name=f"step {s:g} σ", shape="step", move=_step(s, 4.5), onset_h=4.5) for s in (4.0, 6.0, 10.0)),
    *(
        Kind(name=f"warm-up {s:g} σ, τ {tau:g} h", shape="warming up", move=_warm_up(s, tau))
        for s, tau in ((6.0, 1.0), (10.0, 1.0), (10.0, 2.0))
    ),
)


def day(gauge: Gauge, kind: Kind, rng: np.random.Generator, *, first: datetime = MORNING) -> list[Check]:
    """One day of checks, about one an hour."""
    t_h = np.arange(CHECKS_N, dtype=np.float64)
    t_h[1:] += np.clip(JITTER_H * rng.standard_normal(CHECKS_N - 1), -0.4, 0.4)
    level = gauge.daily * rng.standard_normal() + gauge.resolution * rng.uniform()
    true = level + gauge.sigma * kind.move(t_h) + gauge.between * rng.standard_normal(CHECKS_N)
    return [
        _check(gauge, float(one), first + timedelta(hours=float(at)), rng)
        for at, one in zip(t_h, true, strict=True)
    ]


def past(gauge: Gauge, days_n: int, rng: np.random.Generator) -> list[Check]:
    """Healthy days before `MORNING`."""
    found: list[Check] = []
    for back in range(days_n, 0, -1):
        found += day(gauge, HEALTHY, rng, first=MORNING - timedelta(days=back))
    return found


def _check(gauge: Gauge, off: float, t_utc: datetime, rng: np.random.Generator) -> Check:
    def shown(true: float) -> list[float]:
        values = true + gauge.single * rng.standard_normal(REPEATS_N)
        return [float(value) for value in np.round(values / gauge.resolution) * gauge.resolution]

    return evaluate_check(
        "force",
        ASSIGNED,
        shown(ASSIGNED.value + off),
        unit="N",
        resolution=gauge.resolution,
        tolerance=TOLERANCE,
        t_utc=t_utc,
        zero=shown(0.0),
    )
