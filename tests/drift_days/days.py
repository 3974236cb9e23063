"""Days of checks as an invented force gauge would give them: movement, noise, display steps, readings."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from acquire.bench import Tolerance
from acquire.calibration.checks import Check, evaluate_check
from acquire.calibration.drift import Shape
from acquire.calibration.references import Assigned

Floats = NDArray[np.float64]

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
    size: float = 0.0
    """Of a drift: in an hour."""
    onset_h: float = 0.0
    tau_h: float = 1.0

    def move(self, t_h: Floats) -> Floats:
        """The movement at times in hours since the first check."""
        match self.shape:
            case "linear drift":
                return self.size * t_h
            case "step":
                return np.where(t_h > self.onset_h, self.size, 0.0)
            case "warming up":
                return self.size * np.exp(-t_h / self.tau_h)
        return np.zeros_like(t_h)


HEALTHY = Kind(name="healthy", shape="steady")
KINDS = (
    *(Kind(name=f"drift {size:g} σ/h", shape="linear drift", size=size) for size in (0.5, 1.0, 2.0)),
    *(Kind(name=f"step {size:g} σ", shape="step", size=size, onset_h=4.5) for size in (4.0, 6.0, 10.0)),
    *(
        Kind(name=f"warm-up {size:g} σ, τ {tau_h:g} h", shape="warming up", size=size, tau_h=tau_h)
        for size, tau_h in ((6.0, 1.0), (10.0, 1.0), (10.0, 2.0))
    ),
)


def day(gauge: Gauge, kind: Kind, rng: np.random.Generator, *, first: datetime = MORNING) -> list[Check]:
    """One day of checks, about one an hour."""
    return day_and_level(gauge, kind, rng, first=first)[0]


def day_and_level(
    gauge: Gauge, kind: Kind, rng: np.random.Generator, *, first: datetime = MORNING
) -> tuple[list[Check], float]:
    """The same with the true deviation before anything moved, in N."""
    t_h = np.arange(CHECKS_N, dtype=np.float64)
    t_h[1:] += np.clip(JITTER_H * rng.standard_normal(CHECKS_N - 1), -0.4, 0.4)
    level = gauge.daily * rng.standard_normal() + gauge.resolution * rng.uniform()
    true = level + gauge.sigma * kind.move(t_h) + gauge.between * rng.standard_normal(CHECKS_N)
    checks = [
        _check(gauge, float(one), first + timedelta(hours=float(at)), rng)
        for at, one in zip(t_h, true, strict=True)
    ]
    return checks, float(level)


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
