"""What counts as a pull: thresholds, each with where its default comes from."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PullSettings:
    """Fixed for one stream, so that the same bytes give the same pulls. Forces in N, tension positive."""

    rate_hz: float
    """Nominal sample rate; every window below is turned into a number of samples with it."""
    resolution_n: float
    """Display step of the gauge."""
    min_force_n: float = 0.0
    """A rise smaller than this is never a pull (a live bench sets it from the block's weight)."""
    noise_n: float | None = None
    """Standard deviation at rest; None: measured on the first rest of the stream."""
    rest_n: float | None = None
    """Level at rest when the stream begins; None: the first quiet stretch."""
    full_scale_n: float | None = None
    """A value at or beyond it (less half a step) is saturated; None: unknown."""
    min_rest_s: float = 0.05
    """Shorter at rest than this and there is no zero to measure from."""
    min_rise_s: float = 0.02
    """From a tenth of breakaway to breakaway; faster, and the block's own inertia adds to the peak (a live
    bench asks for 40 ms)."""
    max_rise_s: float = 15.0
    min_gap_s: float = 0.02
    """A shorter stretch without samples may be the clock's: operating systems hand bytes over late and in
    bunches (a live bench allows for more)."""
    max_under_read_fraction: float = 0.3
    """Refused when the peak may be under-read by more than this share of it."""
    max_slide_s: float = 3600.0
    """From breakaway to release; longer counts as never released (a live bench sets it shorter)."""
    max_pull_s: float = 120.0
    """Under load longer than this: never released."""

    @property
    def step_s(self) -> float:
        return 1.0 / self.rate_hz

    def threshold_n(self, noise_n: float) -> float:
        """How far above rest a pull must rise: ten times the noise, four display steps, or what was set."""
        return max(self.min_force_n, 10.0 * noise_n, 4.0 * self.resolution_n)
