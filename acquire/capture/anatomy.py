"""Takes one pull apart: rest, rise, breakaway, sliding, release.

Forces are raw samples less the level at rest; nothing is filtered. A low-pass filter under-reads a breakaway
spike of 50 ms by several per cent, so smoothing may help to find things, never to measure them.
"""

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from acquire.capture.breakaway import Breakaway, Load, find_breakaway, rise_rate
from acquire.capture.parts import Cut, cuts
from acquire.capture.robust import median, sliding
from acquire.capture.settings import PullSettings
from acquire.model import Details

Floats = NDArray[np.float64]

MIN_EVENT_S = 0.03
"""Shorter than this is a glitch on the line or a knock on the bench, not a pull by hand."""
SUDDEN_S = 1.5
SUDDEN_SHARE = 0.5
JERK_S = 0.08
JERK_SHARE = 0.4
JERK_TIMES = 4.0
"""Snapped up: so much of the force within so short a time, and so much faster than the rest of the rise."""
NEAR_GAP_S = 0.5
REST_WINDOW_S = 0.2
REST_HISTORY_S = 2.0


@dataclass(frozen=True, slots=True)
class Segment:
    """One load with the rest in front of it. Indices point into `t` and `f`."""

    t: Floats
    f: Floats
    loaded: int
    """First sample above the threshold."""
    released: int
    """First sample back near rest, or the length if it never came back."""
    rest_n: float
    noise_n: float
    threshold_n: float
    quiet_from_s: float | None
    first_number: int


@dataclass(frozen=True, slots=True)
class Pull:
    """What one pull gave. Times in s on the stream's axis, forces in N above rest."""

    t_start_s: float
    t_break_s: float
    t_end_s: float
    breakaway_n: float
    """Force at the first break, or where the force levels off if there is no drop after it."""
    highest_n: float
    sliding_n: float | None
    sliding_sd_n: float | None
    rise_rate_n_per_s: float
    """How fast the force rose as it neared the break; where it rose unevenly, at its fastest."""
    contact_s: float
    """How long the block had been at rest; a lower bound for the first pull of a stream."""
    under_read_n: float
    """Rise rate × sample interval: the peak may have passed between two samples."""
    rest_n: float
    levels_off: bool
    breaks: int
    """How often the block broke away; more than one is stick-slip."""
    samples: int
    first_number: int
    last_number: int
    """Sample numbers, half-open."""
    reasons: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        return "refused" if self.reasons else "accepted"

    def details(self) -> Details:
        """Everything besides the value, as it is written to the journal."""
        return {
            "highest_n": self.highest_n,
            "sliding_n": self.sliding_n,
            "sliding_sd_n": self.sliding_sd_n,
            "rise_rate_n_per_s": self.rise_rate_n_per_s,
            "contact_s": self.contact_s,
            "rest_n": self.rest_n,
            "levels_off": self.levels_off,
            "breaks": self.breaks,
            "samples": self.samples,
            "t_start_s": self.t_start_s,
            "t_break_s": self.t_break_s,
            "t_end_s": self.t_end_s,
        }


def is_pull(segment: Segment, settings: PullSettings) -> bool:
    """False for an excursion that no hand made: a stray value, a knock that died away at once, or drift.

    A pull has something sudden about it (its rise, its breakaway or its release changes a good part of its
    height within a second or so) and lasts; the zero of a gauge that warms up does not jump.
    """
    height = segment.f[segment.loaded : segment.released] - segment.rest_n
    above = int(np.count_nonzero(height > 0.5 * segment.threshold_n))
    if above < 2 or above * settings.step_s < MIN_EVENT_S:
        return False
    lag = max(1, round(SUDDEN_S * settings.rate_hz))
    near = segment.f[max(0, segment.loaded - 2 * lag) :]
    if len(near) <= lag:
        return True
    change = float(np.abs(near[lag:] - near[:-lag]).max())
    return change >= SUDDEN_SHARE * float(height.max()) + 3 * segment.noise_n


def dissect_all(
    segment: Segment, settings: PullSettings, reasons: tuple[str, ...] = (), *, certain: bool = False
) -> list[Pull]:
    """The pulls of one stretch under load: one, unless the hand pulled again before it had let go.

    `reasons` are those known already; they concern the last. `certain`: it is listed even if it rose so
    slowly that it might be drift.
    """
    if not certain and not is_pull(segment, settings):
        return []
    g = segment.f - segment.rest_n
    band_n = max(8 * segment.noise_n, 2 * settings.resolution_n)
    found: list[Pull] = []
    part: Segment | None = segment
    for cut in cuts(segment.t, g, segment.loaded, segment.released, band_n, settings):
        shift = 0 if part is None else part.first_number - segment.first_number
        if part is not None and cut.at - shift > part.loaded:
            said = (f"never released: pulled again from {cut.held_n:.2g} N",) if cut.held_n else ()
            found.append(dissect(replace(part, released=cut.at - shift), settings, said))
        part = _after(segment, cut)
    if part is not None:
        found.append(dissect(part, settings, reasons))
    return found


def _after(segment: Segment, cut: Cut) -> Segment | None:
    """The rest of the stretch behind a cut; None if it never gets over the threshold."""
    over = np.flatnonzero(segment.f[cut.again : segment.released] > segment.rest_n + segment.threshold_n)
    if not len(over):
        return None
    # A string that was held taut has no rest to show: the part begins where it is loaded again.
    first = cut.again if cut.held_n else cut.at
    return replace(
        segment,
        t=segment.t[first:],
        f=segment.f[first:],
        loaded=cut.again + int(over[0]) - first,
        released=segment.released - first,
        quiet_from_s=float(segment.t[first]),
        first_number=segment.first_number + first,
    )


def dissect(segment: Segment, settings: PullSettings, reasons: tuple[str, ...] = ()) -> Pull:
    """Measures one pull and says why it cannot be used, if so. `reasons` are those known already."""
    top_n = float(segment.f[segment.loaded : segment.released].max())
    rest_n = _local_rest(segment, settings, top_n - segment.rest_n)
    g = segment.f - rest_n
    start = _leaves_rest(segment, g, settings)
    found = find_breakaway(Load(segment.t, g, start, segment.released, segment.noise_n, settings))
    highest = float(g[start : segment.released].max())
    slope = rise_rate(segment.t, g, start, found.index)
    under_read_n = max(slope * _unseen_s(segment.t, found.index, settings), _step_n(segment, g, start, found))
    sliding = _sliding(g, found)
    t_start, t_break = float(segment.t[start]), float(segment.t[found.index])
    quiet_from = segment.quiet_from_s if segment.quiet_from_s is not None else float(segment.t[0])
    pull = Pull(
        t_start_s=t_start,
        t_break_s=t_break,
        t_end_s=float(segment.t[min(segment.released, len(segment.t) - 1)]),
        breakaway_n=found.value_n,
        highest_n=max(highest, found.value_n),
        sliding_n=None if sliding is None else float(sliding.mean()),
        sliding_sd_n=None if sliding is None else float(sliding.std(ddof=1)),
        rise_rate_n_per_s=under_read_n / settings.step_s,
        contact_s=max(0.0, t_start - quiet_from),
        under_read_n=under_read_n,
        rest_n=rest_n,
        levels_off=found.levels_off,
        breaks=found.count,
        samples=segment.released - start,
        first_number=segment.first_number + start,
        last_number=segment.first_number + segment.released,
    )
    said = (*reasons, *_objections(segment, g, start, found, slope, pull, settings))
    return replace(pull, reasons=said) if said else pull


def _local_rest(segment: Segment, settings: PullSettings, height_n: float) -> float:
    """The level just before this pull, else the level known from before.

    The level known follows drift, and with it the foot of a slow rise. So the way leads back from the load,
    window by window, for as long as the force was clearly lower before.
    """
    t, f, stop = segment.t, segment.f, segment.loaded
    quiet_from = segment.quiet_from_s if segment.quiet_from_s is not None else t[0]
    first = int(np.searchsorted(t, max(quiet_from, t[min(stop, len(t) - 1)] - REST_HISTORY_S)))
    size = max(3, round(REST_WINDOW_S * settings.rate_hz))
    count = (stop - first) // size
    if count < 1:
        return segment.rest_n
    windows = f[stop - count * size : stop].reshape(count, size)
    medians = np.partition(windows, size // 2, axis=1)[:, size // 2]
    clearly = max(5 * segment.noise_n / sqrt(size), 0.5 * settings.resolution_n, 0.003 * height_n)
    at = count - 1
    while at > 0 and medians[at] - medians[at - 1] > clearly:
        at -= 1
    like = at
    while like > max(0, at - 2) and abs(medians[like - 1] - medians[at]) <= clearly:
        like -= 1
    level = median(windows[like : at + 1].ravel())
    band = max(4 * segment.noise_n, settings.resolution_n, 0.1 * segment.threshold_n)
    steady = np.mean(np.abs(windows[at] - level) <= band) >= 0.8
    return (
        level if steady and segment.rest_n + height_n - level > 0.5 * segment.threshold_n else segment.rest_n
    )


def _leaves_rest(segment: Segment, g: Floats, settings: PullSettings) -> int:
    """Last sample that still lies in the noise of rest, before the threshold is crossed."""
    height = float(g[segment.loaded : segment.released].max())
    band = max(4 * segment.noise_n, settings.resolution_n, 0.02 * height)
    band = min(band, 0.9 * segment.threshold_n)
    still = np.flatnonzero(g[: segment.loaded] <= band)
    return int(still[-1]) if len(still) else 0


def _unseen_s(t: Floats, index: int, settings: PullSettings) -> float:
    """For how long nobody looked right behind the peak: a sample interval, or more where some are missing."""
    behind_s = float(t[min(index + 1, len(t) - 1)] - t[index])
    return behind_s if behind_s > 2.5 * settings.step_s else settings.step_s


def _step_n(segment: Segment, g: Floats, start: int, found: Breakaway) -> float:
    """The most the force rose from one sample to the next as it neared the break.

    A trembling hand is faster in between than the rise as a whole; four sd of noise are not taken for it.
    """
    rise = g[start : found.index + 1]
    upper = rise[int((rise >= 0.7 * found.value_n).argmax()) :]
    return float(np.diff(upper).max(initial=0.0)) - 4 * segment.noise_n


def _sliding(g: Floats, found: Breakaway) -> Floats | None:
    """The samples between breakaway and letting go, without the first and last tenth."""
    stop = found.let_go
    n = stop - found.index
    if n < 5:
        return None
    margin = max(1, n // 10)
    body = g[found.index + margin : stop - margin]
    return body if len(body) >= 3 else None


def _objections(
    segment: Segment,
    g: Floats,
    start: int,
    found: Breakaway,
    slope: float,
    pull: Pull,
    settings: PullSettings,
) -> list[str]:
    """Every reason not to use this pull, in plain words."""
    t = segment.t
    said: list[str] = []
    tenth = np.flatnonzero(g[start : found.index + 1] <= 0.1 * found.value_n)
    rise_s = float(t[found.index] - t[start + (int(tenth[-1]) if len(tenth) else 0)])
    jerk = _jerk(t[start : found.index + 1], g[start : found.index + 1], rise_s, settings)
    if jerk:
        said.append(jerk)
    if rise_s < settings.min_rise_s:
        said.append(f"too fast: the force rose in {1000 * rise_s:.0f} ms; pull more slowly")
    elif slope * settings.step_s > settings.max_under_read_fraction * found.value_n:
        said.append(
            f"too fast for this gauge: at {settings.rate_hz:g} readings a second the peak may be "
            f"{pull.under_read_n:.2g} N higher than what was seen; pull more slowly"
        )
    if rise_s > settings.max_rise_s:
        said.append(f"too slow: {rise_s:.0f} s until it broke away; at most {settings.max_rise_s:g} s")
    held_s = pull.t_end_s - pull.t_break_s
    if held_s > settings.max_slide_s:
        said.append(
            f"never released: under load for {held_s:.0f} s after it broke away; let go when it slides"
        )
    if pull.contact_s < settings.min_rest_s:
        said.append(
            f"started without rest: {pull.contact_s:.2g} s at rest before it, "
            f"{settings.min_rest_s:g} s are needed; let go between pulls"
        )
    if _saturated(segment, settings):
        said.append("saturated: the gauge was at the end of its range; use a lighter block or another gauge")
    gap_s = _lost_s(t, start, found.index + 2, settings)
    if gap_s:
        said.append(f"interrupted: no samples for {gap_s:.2g} s while the force rose")
    return said


def _jerk(t: Floats, rise: Floats, rise_s: float, settings: PullSettings) -> str:
    """Says so if much of the rise was snapped up at once, or if the start overshot by much and fell back.

    A new grip on the way up is neither: it brings back what was there before.
    """
    window_s = max(JERK_S, 1.01 * settings.step_s)
    if rise_s < 2 * window_s:
        return ""
    envelope = np.maximum.accumulate(rise)
    snapped = envelope - envelope[np.searchsorted(t, t - window_s)]
    most, top = float(snapped.max()), float(envelope[-1])
    left_n_per_s = (top - most) / (rise_s - window_s)
    if most >= JERK_SHARE * top and most / window_s >= JERK_TIMES * left_n_per_s:
        return f"jerked: {100 * most / top:.0f} % of the force came within {window_s:.2g} s; pull steadily"
    return ""


def _lost_s(t: Floats, start: int, stop: int, settings: PullSettings) -> float:
    """How long no samples were taken on the way up, in s; 0 if none are missing.

    Told by count, not by the longest step: samples that were handed over late are all there, and their times
    come right again.
    """
    longest_s = float(np.diff(t[start:stop]).max(initial=0.0))
    limit_s = max(5 * settings.step_s, settings.min_gap_s)
    if longest_s <= limit_s:
        return 0.0
    width = max(2, round(NEAR_GAP_S * settings.rate_hz))
    step_s = float(np.median(t[width:] - t[:-width]) if len(t) > width else t[-1] - t[0])
    step_s /= min(width, len(t) - 1)
    first, last = max(0, start - width), min(len(t), stop + width)
    late_s = t[first:last] - np.arange(last - first) * step_s
    padded = np.concatenate([np.full(width, np.inf), late_s, np.full(width, np.inf)])
    least = sliding(np.minimum, padded, width)
    near = slice(start - first + 1, stop - first)
    before, after = least[: len(late_s)][near], least[width : width + len(late_s)][near]
    gap_s = float((after - before).max(initial=0.0)) + step_s
    return max(gap_s, longest_s) if gap_s > limit_s else 0.0


def _saturated(segment: Segment, settings: PullSettings) -> bool:
    if settings.full_scale_n is None:
        return False
    top = float(segment.f[segment.loaded : segment.released].max())
    return top >= settings.full_scale_n - 0.5 * settings.resolution_n
