"""The force gauge in front of the physics: filter, zero, noise, range, display step, sample rate.

`GaugeFront.sample` does a whole trace; `FrontStream` does the same in pieces, however
the trace is cut.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulators.force import ForceTrace, PullTruth

Floats = NDArray[np.float64]

MIN_RATE_HZ, MAX_RATE_HZ = 5.0, 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFront:
    """Settings of a force gauge; forces in N, tension positive."""

    rate_hz: float = 100.0
    resolution_n: float = 0.01
    """Display step; 0 shows every digit."""
    noise_n: float = 0.005
    """Standard deviation of white noise, sample by sample."""
    zero_n: float = 0.0
    drift_n_per_h: float = 0.0
    filter: Literal["none", "first order", "moving average"] = "none"
    filter_s: float = 0.01
    """Time constant (first order) or length (moving average)."""
    range_n: float = 500.0
    """Beyond it the shown value stays at the limit: overload."""

    def __post_init__(self) -> None:
        if not MIN_RATE_HZ <= self.rate_hz <= MAX_RATE_HZ:
            raise ValueError(
                f"the sample rate must lie between {MIN_RATE_HZ:g} and {MAX_RATE_HZ:g} Hz, "
                f"got {self.rate_hz:g}"
            )
        for name in ("resolution_n", "noise_n"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} cannot be negative, got {getattr(self, name):g}")
        for name in ("filter_s", "range_n"):
            if getattr(self, name) <= 0:
                raise ValueError(f"{name} must be above zero, got {getattr(self, name):g}")

    def sample(self, trace: ForceTrace, *, seed: int | list[int] = 0) -> tuple[Floats, Floats]:
        """What the gauge shows of a trace: times in s on its axis and values in N, each shape (n,)."""
        return FrontStream(self, step_s=trace.step_s, rng=np.random.default_rng(seed)).feed(trace.force_n)

    def verdict(self, truth: PullTruth) -> tuple[Literal["accepted", "refused"], str]:
        """The intended verdict on a pull as this gauge sees it: one beyond its range is saturated."""
        if truth.verdict == "accepted" and truth.highest_n + abs(self.zero_n) >= self.range_n:
            return "refused", "saturated"
        return truth.verdict, truth.why


@dataclass(frozen=True, slots=True)
class Ramp:
    """A quantity that moves evenly from some moment on."""

    start: float
    per_h: float = 0.0
    from_s: float = 0.0

    def at(self, t_s: Floats | float) -> Floats:
        return np.asarray(self.start + self.per_h / 3600.0 * (np.asarray(t_s) - self.from_s))


class FrontStream:
    """A gauge front that is fed piece by piece with the true force on a grid of `step_s`.

    The gauge takes its samples at 0, 1/rate, 2/rate ... s; a sample between two grid points is interpolated.
    """

    def __init__(self, front: GaugeFront, *, step_s: float, rng: np.random.Generator) -> None:
        self.front = front
        self.step_s = step_s
        self.zero_n = front.zero_n
        """May be changed between pieces."""
        self.gain = Ramp(1.0)
        self.creep = Ramp(0.0)
        """Of the zero, in N."""
        self._rng = rng
        self._fed_n = 0
        self._sampled_n = 0
        self._past = np.empty(0)  # filtered grid values that the next samples still need
        self._window = np.zeros(max(1, round(front.filter_s / step_s)) - 1)
        self._lag_n = np.zeros(1)

    def feed(self, force_n: Floats) -> tuple[Floats, Floats]:
        """Returns the times (s since the first grid point) and shown values (N) that this piece completes."""
        grid = np.concatenate([self._past, self._filtered(force_n)])
        first = self._fed_n - len(self._past)
        self._fed_n += len(force_n)
        rate_hz = self.front.rate_hz
        # A hair is allowed for, so that a sample that falls on the last grid point is taken now.
        stop = int((self._fed_n - 1) * self.step_s * rate_hz * (1 + 1e-12) + 1e-9) + 1 if self._fed_n else 0
        t_s = np.arange(self._sampled_n, max(stop, self._sampled_n)) / rate_hz
        self._sampled_n += len(t_s)
        seen = np.interp(t_s / self.step_s - first, np.arange(len(grid)), grid) if len(t_s) else np.empty(0)
        keep_from = int(self._sampled_n / rate_hz / self.step_s - 1e-9)
        self._past = grid[max(0, min(keep_from, self._fed_n - 1) - first) :]
        return t_s, self._shown(t_s, seen)

    def _filtered(self, force_n: Floats) -> Floats:
        if self.front.filter == "first order":
            return self._first_order(force_n)
        if self.front.filter == "moving average" and len(self._window):
            both = np.concatenate([self._window, force_n])
            self._window = both[len(force_n) :]
            width = len(self._window) + 1
            return np.convolve(both, np.full(width, 1.0 / width), mode="valid")
        return np.asarray(force_n, dtype=np.float64)

    def _first_order(self, force_n: Floats) -> Floats:
        # Loaded here: start-up would otherwise pay half a second for a filter that few simulated gauges have.
        from scipy.signal import lfilter

        keep = float(np.exp(-self.step_s / self.front.filter_s))
        out, self._lag_n = lfilter([1.0 - keep], [1.0, -keep], force_n, zi=self._lag_n)
        return np.asarray(out)

    def _shown(self, t_s: Floats, seen_n: Floats) -> Floats:
        front = self.front
        shown = seen_n * self.gain.at(t_s)
        shown += self.zero_n + self.creep.at(t_s) + front.drift_n_per_h / 3600.0 * t_s
        shown += front.noise_n * self._rng.standard_normal(len(t_s))
        if front.resolution_n:
            shown = np.round(shown / front.resolution_n) * front.resolution_n
        return np.clip(shown, -front.range_n, front.range_n)
