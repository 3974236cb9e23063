"""Where in a pull the block broke away, and at what force.

A peak is where the block slipped only if the string did not get tight again at once: a hand that trembles or
takes a new grip unloads the string too, but brings it back far faster than it loads it. Where the force only
levels off, breakaway is the corner between rise and level.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.capture.robust import median
from acquire.capture.settings import PullSettings

Floats = NDArray[np.float64]

FAST_DROP = 1.0
"""A block that slips unloads the string faster than the hand had loaded it."""
FAST_RETURN = 2.0
"""A string that is tight again at more than this times the loading rate was slackened by the hand."""
TREMOR_RETURN = 1.4
"""The same for a shallow dip."""
MUCH_HIGHER = 1.12
"""A peak that the next one tops by so much was on the way up, however slowly the string got tight again."""
LEVEL_SHARE = 0.2
"""A force that levels off stays level for at least this share of the time under load."""
LEVEL_POINTS = 12
SMALL_DROP = 0.15
"""A fall of more than this share after the first peak is a breakaway, whatever follows."""


@dataclass(frozen=True, slots=True)
class Load:
    """One load above rest: `t` in s, `g` in N above rest, shape (n,); the pull is [start, stop)."""

    t: Floats
    g: Floats
    start: int
    stop: int
    noise_n: float
    settings: PullSettings

    @property
    def height_n(self) -> float:
        return float(self.g[self.start : self.stop].max())

    def drop_n(self, height_n: float) -> float:
        """A fall of less than this after a peak is noise, a display step or tremor."""
        return max(6 * self.noise_n, 2.5 * self.settings.resolution_n, 0.04 * height_n, 1e-12)


@dataclass(frozen=True, slots=True)
class Breakaway:
    """`index` points into the load; `count` is how often the block broke away."""

    index: int
    value_n: float
    levels_off: bool
    count: int
    let_go: int
    """Where the hand lets go: sliding ends here."""


@dataclass(frozen=True, slots=True)
class _Peak:
    top: int
    fallen: int
    """Where the fall had become one."""
    trough: int


def find_breakaway(load: Load) -> Breakaway:
    """The first peak that the block itself ended by slipping; failing that, where the force levels off."""
    height = load.height_n
    drop = load.drop_n(height)
    let_go = _letting_go(load.g, load.start, load.stop)
    peaks = _peaks(load.g, load.start, let_go, drop)
    if peaks and not _slides_on(load, peaks[-1], let_go):
        peaks.pop()  # the last fall is the hand letting go
    breaks = _breaks(load, peaks, let_go, height, drop)
    knee: Breakaway | None = None
    if not breaks or _falls_little(load, breaks[0].top, let_go):
        knee = _knee(load, let_go)
    if breaks and (
        knee is None or (_stands_out(load, breaks, let_go) and not _is_late(load, breaks[0], knee))
    ):
        first = breaks[0].top
        return Breakaway(first, _peak_value(load, first), False, len(breaks), let_go)
    if knee is not None:
        return knee
    top = load.start + int(np.argmax(load.g[load.start : load.stop]))
    return Breakaway(top, _peak_value(load, top), False, 1, let_go)


def _letting_go(g: Floats, start: int, stop: int, *, share: float = 0.6) -> int:
    """Where the final fall has gone below `share` of the usual load."""
    loaded = g[start:stop]
    usual = median(loaded[loaded > 0.3 * loaded.max()])
    held = np.flatnonzero(loaded >= share * usual)
    return start + int(held[-1]) + 1


def _peaks(g: Floats, start: int, stop: int, drop: float) -> list[_Peak]:
    """Peaks followed by a fall of at least `drop`.

    Walks from peak to trough to peak; each step is one pass of numpy over what is left.
    """
    found: list[_Peak] = []
    at = start
    while at < stop:
        rest = g[at:stop]
        ceiling = np.maximum.accumulate(rest)
        fallen = ceiling - rest >= drop
        down = int(fallen.argmax())
        if not fallen[down]:
            break
        peak = at + int(rest[: down + 1].argmax())
        below = g[at + down : stop]
        floor = np.minimum.accumulate(below)
        risen = below - floor >= drop
        up = int(risen.argmax())
        turned = up if risen[up] else len(below) - 1
        trough = at + down + int(below[: turned + 1].argmin())
        found.append(_Peak(peak, at + down, trough))
        if not risen[up]:
            break
        at = max(trough, at + 1)
    return found


def _slides_on(load: Load, peak: _Peak, let_go: int) -> bool:
    """True if the force stays up for a while after this peak, longer than the final fall can account for."""
    last = len(load.t) - 1
    t_let_go = load.t[min(let_go, last)]
    final_fall_s = load.t[min(load.stop, last)] - t_let_go
    return bool(t_let_go - load.t[peak.fallen] > 2 * final_fall_s)


def _breaks(load: Load, peaks: list[_Peak], let_go: int, height: float, drop: float) -> list[_Peak]:
    """The peaks that are breakaways, not tremor or a hand that took a new grip on the way up."""
    t, g = load.t, load.g
    found: list[_Peak] = []
    for number, peak in enumerate(peaks):
        top = peak.top
        if not found:
            rate = (g[top] - g[load.start]) / max(t[top] - t[load.start], 1e-9)
            stop = peaks[number + 1].fallen if number + 1 < len(peaks) else let_go
            if _hand_slackened(load, peak, stop, rate, drop):
                continue
        if g[top] >= height - drop or _slips(load, peak, height):
            found.append(peak)
    return found


def _hand_slackened(load: Load, peak: _Peak, stop: int, rate: float, drop: float) -> bool:
    """True if the string got tight again so soon, and tighter, that the block cannot have slipped."""
    top_n, after = load.g[peak.top], load.g[peak.trough : stop]
    higher = float(after.max(initial=0.0))
    shallow = load.g[peak.trough] > 0.8 * top_n
    if higher <= top_n + (0.25 * drop if shallow else drop):
        return False
    regained = peak.trough + int((after >= top_n).argmax())
    climb = (top_n - after[0]) / max(load.t[regained] - load.t[peak.trough], 1e-9)
    if climb >= (TREMOR_RETURN if shallow else FAST_RETURN) * rate:
        return True
    away_s, rise_s = load.t[regained] - load.t[peak.top], load.t[peak.top] - load.t[load.start]
    return bool(higher > MUCH_HIGHER * top_n and away_s < rise_s)


def _slips(load: Load, peak: _Peak, height: float) -> bool:
    """A fall that is deep, from well up, and faster than any hand loads."""
    t, g, top, trough = load.t, load.g, peak.top, peak.trough
    if g[top] < 0.5 * height or g[top] - g[trough] < 0.1 * height:
        return False
    fall_rate = (g[top] - g[trough]) / max(t[trough] - t[top], 1e-9)
    before = max(load.start, int(np.searchsorted(t, t[top] - 0.2)))
    rise_rate = (g[top] - g[before]) / max(t[top] - t[before], 1e-9)
    return bool(fall_rate >= FAST_DROP * max(rise_rate, 0.0))


def _falls_little(load: Load, top: int, let_go: int) -> bool:
    """True if the force stays so near to the peak that it may just have levelled off."""
    after = load.g[top:let_go]
    ordered = np.partition(after, (len(after) // 10, len(after) // 2))
    low, middle = ordered[len(after) // 10], ordered[len(after) // 2]
    return bool(middle > (1 - SMALL_DROP) * after[0] and low > (1 - 2 * SMALL_DROP) * after[0])


def _stands_out(load: Load, breaks: list[_Peak], let_go: int) -> bool:
    """False if what follows comes near the first peak again: the force had levelled off, unevenly."""
    first = breaks[0]
    top_n, after = load.g[first.top], load.g[first.trough : let_go]
    if len(after) < LEVEL_POINTS:
        return len(load.g[first.top : let_go]) > 0.25 * (first.top - load.start)
    middle = median(after)
    return _is_sawtooth(load, breaks) or bool(after.max() - middle < 0.75 * (top_n - middle))


def _is_late(load: Load, first: _Peak, knee: Breakaway) -> bool:
    """True if the force had levelled off well before this peak, at the rate it rose until then."""
    t = load.t
    rate = knee.value_n / max(t[knee.index] - t[load.start], 1e-9)
    needed_s = max(0.0, load.g[first.top] - knee.value_n) / rate
    return bool(t[first.top] - t[knee.index] > 3 * (needed_s + load.settings.step_s))


def _is_sawtooth(load: Load, breaks: list[_Peak]) -> bool:
    """Stick-slip rises more slowly than it falls; tremor and texture do both alike."""
    if len(breaks) < 3:
        return False
    tops = load.t[[peak.top for peak in breaks]]
    troughs = load.t[[peak.trough for peak in breaks]]
    return bool(np.sum(tops[1:] - troughs[:-1]) > 2 * np.sum(troughs[:-1] - tops[:-1]))


def _peak_value(load: Load, top: int) -> float:
    """The force at a peak, averaged over as many samples as it stays within its own noise there.

    The highest of many noisy samples lies above the force, by 2.5 sd for a hundred of them. A rise that is
    steeper than the noise gives one sample, which is taken as it is.
    """
    step_n = rise_rate(load.t, load.g, load.start, top) * load.settings.step_s
    width = int(min(load.noise_n / max(step_n, 1e-12), (top - load.start) / 4))
    if width < 2:
        return float(load.g[top])
    sums = np.cumsum(load.g[max(load.start, top - 2 * width) : min(top + 2 * width, load.stop)])
    return float((sums[width:] - sums[:-width]).max(initial=sums[width - 1])) / width


def rise_rate(t: Floats, g: Floats, start: int, top: int) -> float:
    """Slope of the upper half of the rise, in N/s: what the force was doing as it neared `top`."""
    if top == start:
        return 0.0
    below = np.flatnonzero(g[start : top + 1] <= 0.5 * g[top])
    half = min(start + (int(below[-1]) if len(below) else 0), top - 1)
    return float((g[top] - g[half]) / max(t[top] - t[half], 1e-9))


def _knee(load: Load, let_go: int) -> Breakaway | None:
    """Two straight lines, rise and level, with the corner where they fit best."""
    start = load.start
    stop = min(let_go, _letting_go(load.g, start, load.stop, share=0.9))
    if stop - start < 6 or load.t[stop - 1] - load.t[start] < 1e-9:
        return None
    t, y = load.t[start:stop], load.g[start:stop]
    corner = _best_corner(t, y)
    late_t, late = t[corner:] - t[corner], y[corner:]
    if len(late) < 4 or late_t[-1] < LEVEL_SHARE * (t[-1] - t[0]):
        return None
    x = late_t - late_t.mean()
    slope = float(x @ late) / max(float(x @ x), 1e-30)
    level = float(late.mean()) - slope * float(late_t.mean())
    early = (y[corner] - y[0]) / max(t[corner] - t[0], 1e-9)
    if slope > 0.25 * early:
        return None  # no level stretch: it rose until it was let go
    if abs(slope) * late_t[-1] < 0.1 * level:
        level = median(late)
    if late.max() - level > 0.09 * level + 2 * load.settings.resolution_n:
        return None
    return Breakaway(start + corner, float(level), True, 1, let_go)


def _best_corner(t: Floats, y: Floats) -> int:
    """Where to part the samples so that a straight line through each part leaves the least."""
    x = (t - t[0]) / (t[-1] - t[0])
    y = y - y.mean()
    sums = np.cumsum(np.stack([np.ones_like(x), x, y, x * x, x * y, y * y]), axis=1)
    at = np.arange(2, len(t) - 3)
    before = sums[:, at]
    after = sums[:, -1:] - sums[:, at - 1]
    return int(at[int((_line_costs(before) + _line_costs(after)).argmin())])


def _line_costs(sums: Floats) -> Floats:
    """Squared residuals of straight lines through sets of samples given by their sums, shape (6, sets)."""
    n, x, y, xx, xy, yy = sums
    spread = np.maximum(xx - x * x / n, 1e-30)
    return np.asarray(yy - y * y / n - (xy - x * y / n) ** 2 / spread)
