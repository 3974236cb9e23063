"""Looks over a whole force trace: rate, display step, level and noise at rest, usual size of a pull.

A live bench knows its gauge and its block. Somebody's file says neither, so they are read off the trace.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acquire.capture.anatomy import Pull
from acquire.capture.finder import PullFinder
from acquire.capture.robust import robust_sd
from acquire.capture.settings import PullSettings

Floats = NDArray[np.float64]

LEAST_STEP_S = 1e-7
"""No force gauge sends more than some millions of samples a second."""
WINDOW_S = 0.25
WINDOW_SAMPLES = 5
WANDER_TIMES = 6.0
"""A rise of less than this many times what the level does within a second anyway is drift."""
LONGEST_S = 3600.0
"""A machine may pull for minutes; a file that ends under load says so by itself."""
SMALL_SHARE = 0.15
"""Next to the usual pull of a trace, a rise of less than this share of it is a bump."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What a trace says about its gauge. Forces in N."""

    rate_hz: float
    resolution_n: float
    rest_n: float
    """Usual level at rest."""
    first_rest_n: float
    """Level at the first rest of the trace: it may drift from there."""
    noise_n: float
    wander_n: float
    """Standard deviation of what the level at rest does within a second."""


def sample_rate(t: Floats) -> float:
    """Samples per second between pauses: from the median interval."""
    steps = np.diff(t)
    steps = steps[steps > LEAST_STEP_S]
    return float(1.0 / np.median(steps)) if len(steps) else 1.0


def display_step(f: Floats) -> float:
    """The gauge's display step: the smallest difference between its values; 0 if it has none."""
    span = float(np.ptp(f))
    if span <= 1e-12 * float(np.abs(f).max()) or span < 1e-100:
        return 0.0
    # Converted units leave the same display value at 1e-16 from itself: fold what differs by less than 1e-7.
    values = np.unique(np.round((f - f.min()) / (1e-7 * span))) * (1e-7 * span)
    if len(values) < 3 or len(values) > 20_000:
        return 0.0
    gaps = np.diff(values)
    step = float(gaps.min())
    # Calibrated converters give steps that are alike only roughly; floats with noise give no step at all.
    alike = np.mean(np.abs(gaps / step - np.round(gaps / step)) < 0.1)
    return step if alike > 0.9 else 0.0


def survey(t: Floats, f: Floats) -> Survey:
    """Reads rate, display step, rest level and noise off a trace with at least two samples."""
    rate = sample_rate(t)
    step = display_step(f)
    size = max(WINDOW_SAMPLES, round(WINDOW_S * rate))
    count = len(f) // size
    if count < 3:
        level = float(np.median(f[: max(2, size // 2)]))
        return Survey(rate, step, level, level, _noise(f, step), 0.0)
    windows = f[: count * size].reshape(count, size)
    medians = np.median(windows, axis=1)
    spreads = windows.max(axis=1) - windows.min(axis=1)
    rest = _rest_windows(medians, spreads, float(np.ptp(f)), step)
    level = float(np.median(medians[rest]))
    inside = windows[rest] - medians[rest][:, None]
    # The calmer quarter: at a few samples a second most windows hold a piece of a rise.
    noise = max(float(np.quantile(inside.std(axis=1), 0.25)), step / np.sqrt(12.0))
    calm = rest[spreads[rest] <= 2 * np.median(spreads[rest])]
    first = float(np.median(medians[calm[:4]]))
    return Survey(rate, step, level, first, noise, _wander(medians, rest, max(1, round(rate / size))))


def _wander(medians: Floats, rest: NDArray[np.intp], lag: int) -> float:
    """How the level at rest differs from itself a second later, where both were at rest."""
    pairs = rest[np.isin(rest + lag, rest)]
    return robust_sd(medians[pairs + lag] - medians[pairs]) if len(pairs) >= 8 else 0.0


def _noise(f: Floats, step: float) -> float:
    return max(robust_sd(np.diff(f)) / float(np.sqrt(2.0)), step / float(np.sqrt(12.0)))


def _rest_windows(medians: Floats, spreads: Floats, span: float, step: float) -> NDArray[np.intp]:
    """The windows at rest: of the levels where the force stays flat, the one with most to say for it."""
    # Measured by the calmest tenth, not by the span: a slow rise is flat next to the height of a pull.
    flat = np.flatnonzero(spreads <= max(3 * step, 2.0 * float(np.quantile(spreads, 0.1))))
    order = flat[np.argsort(medians[flat], kind="stable")]
    cuts = np.flatnonzero(np.diff(medians[order]) > 0.05 * span) + 1
    levels = [np.sort(group) for group in np.split(order, cuts)]
    least = max(1, 0.03 * len(flat))
    levels = [group for group in levels if len(group) >= least] or levels

    def votes(group: NDArray[np.intp]) -> tuple[float, float]:
        level = float(np.median(medians[group]))
        nearest = min(abs(float(np.median(medians[g]))) for g in levels)
        calmest = min(float(np.median(spreads[g])) for g in levels)
        score = 2.0 * (flat.min() in group) + 1.0 * (flat.max() in group)
        score -= 1.0 * (group is levels[-1] and len(levels) > 1)  # nothing above it: more likely sliding
        score += 1.5 * (abs(level) <= nearest) + 1.0 * (float(np.median(spreads[group])) <= calmest)
        return score, -abs(level)

    return max(levels, key=votes)


def settings_for(t: Floats, f: Floats, base: PullSettings | None = None) -> PullSettings:
    """Settings fit for a whole trace: what `base` leaves open is read off the trace itself.

    Pulls are looked for twice: once with thresholds from noise and display step alone, then with a threshold
    in proportion to the pulls found, so that the wobble of a good gauge is not taken for a pull.
    """
    seen = survey(t, f)
    settings = PullSettings(
        rate_hz=seen.rate_hz,
        resolution_n=seen.resolution_n,
        rest_n=seen.first_rest_n,
        noise_n=seen.noise_n,
        min_force_n=WANDER_TIMES * seen.wander_n,
        max_pull_s=LONGEST_S,
    )
    if base is not None:
        settings = replace(base, rest_n=seen.first_rest_n, noise_n=seen.noise_n)
    finder = PullFinder(settings)
    pulls = [*finder.feed(t, f), *finder.finish()]
    if not pulls:
        return settings
    usual = float(np.quantile([pull.highest_n for pull in pulls], 0.9))
    least = max(settings.min_force_n, SMALL_SHARE * usual, WANDER_TIMES * _wander_between(t, f, pulls, seen))
    return replace(settings, min_force_n=least)


def _wander_between(t: Floats, f: Floats, pulls: list[Pull], seen: Survey) -> float:
    """What the level does within a second outside the pulls found."""
    size = max(WINDOW_SAMPLES, round(WINDOW_S * seen.rate_hz))
    count = len(f) // size
    loaded = np.zeros(count * size, dtype=bool)
    for pull in pulls:
        first, stop = np.searchsorted(t, (pull.t_start_s - WINDOW_S, pull.t_end_s + WINDOW_S))
        loaded[first:stop] = True
    free = np.flatnonzero(~loaded.reshape(count, size).any(axis=1))
    medians = np.median(f[: count * size].reshape(count, size), axis=1)
    return _wander(medians, free, max(1, round(seen.rate_hz / size)))
