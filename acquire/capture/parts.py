"""Where one stretch under load is really several pulls: the hand pulled again without letting go properly."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.capture.settings import PullSettings

Floats = NDArray[np.float64]

TOUCH_S = 0.025
"""At rest for this long between two pulls; a slip that slackens the string is over sooner."""
LEAST_PULL_S = 0.4
"""No hand pulls, lets go and pulls again faster than this; stick-slip does."""
DWELL_S = 0.2
DWELL_BLOCK_S = 0.05
DWELL_SAMPLES = 6
ALIKE = 0.3
"""Next to the highest force of the stretch, a part of less than this share is a bounce, not a pull."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One pull ends at index `at`, the next begins at or after `again`; `held_n` was kept in between."""

    at: int
    again: int
    held_n: float


def cuts(
    t: Floats, g: Floats, loaded: int, released: int, band_n: float, settings: PullSettings
) -> list[Cut]:
    """Where to cut [loaded, released) of a force above rest, in order of time."""
    height = float(g[loaded:released].max())
    low = max(band_n, 0.03 * height)
    found = _touches(t, g, loaded, released, low) + _dwells(g, loaded, released, low, height, settings)
    kept: list[Cut] = []
    start = loaded
    for cut in sorted(found, key=lambda one: one.at):
        if cut.at < start or t[cut.at] - t[start] < LEAST_PULL_S:
            continue
        if min(g[start : cut.at].max(), g[cut.again : released].max(initial=0.0)) >= ALIKE * height:
            kept.append(cut)
            start = cut.again
    return kept


def _touches(t: Floats, g: Floats, loaded: int, released: int, low: float) -> list[Cut]:
    """Short stays at rest."""
    below = np.flatnonzero(g[loaded:released] <= low) + loaded
    if not len(below):
        return []
    ends = np.flatnonzero(np.diff(below) > 1)
    firsts, lasts = below[np.append(0, ends + 1)], below[np.append(ends, len(below) - 1)]
    long = (lasts > firsts) & (t[lasts] - t[firsts] >= TOUCH_S)
    return [Cut(int(a), int(b), 0.0) for a, b in zip(firsts[long], lasts[long], strict=True)]


def _dwells(
    g: Floats, loaded: int, released: int, low: float, height: float, settings: PullSettings
) -> list[Cut]:
    """Flat stretches well below what was reached before, from which the force rises again."""
    block = max(1, round(DWELL_BLOCK_S * settings.rate_hz))
    length = -(-max(DWELL_SAMPLES, round(DWELL_S * settings.rate_hz)) // block)
    blocks = (released - loaded) // block
    if blocks <= length:
        return []
    body = g[loaded : loaded + blocks * block].reshape(blocks, block)
    tops, lows = body.max(axis=1), body.min(axis=1)
    highs, deeps = tops[: blocks - length + 1], lows[: blocks - length + 1]
    for shift in range(1, length):
        highs = np.maximum(highs, tops[shift : blocks - length + 1 + shift])
        deeps = np.minimum(deeps, lows[shift : blocks - length + 1 + shift])
    reached = np.maximum.accumulate(tops)[: len(highs)]
    flat = (highs - deeps <= low) & (deeps > low) & (highs < 0.75 * reached)
    found: list[Cut] = []
    for at in np.flatnonzero(flat & ~np.append(False, flat[:-1])).tolist():
        after = np.flatnonzero(~flat[at:])
        again = loaded + (at + (int(after[0]) if len(after) else len(flat) - at) - 1 + length) * block
        held = float(deeps[at])
        if g[again - block : released].max() >= held + ALIKE * height:
            found.append(Cut(loaded + at * block, min(again, released) - 1, held))
    return found
