"""Force samples become pulls, each with the bytes it came from."""

from collections import deque
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acquire.capture.anatomy import Pull
from acquire.capture.finder import PullFinder
from acquire.capture.settings import PullSettings
from acquire.capture.taken import Taken
from acquire.units import newtons_per
from drivers.base import Batch

LIVE_REST_S = 0.25
LIVE_RISE_S = 0.04
"""On a bench the hand is told to let go between pulls; somebody's file gets the benefit of the doubt."""
LIVE_GAP_S = 0.1
"""USB adapters and busy computers hand bytes over so late at times."""
LIVE_SLIDE_S = 10.0
"""No hand needs longer to cross a panel; who still pulls then has not let go."""
UNUSABLE = frozenset({"out of range", "wrong unit", "fault"})
"""A sample flagged so is treated as lost. "unstable" is not among them: a force gauge that is being pulled is
never still; how many samples said so is noted beside the pull. Nor is "overload": see `usable_force`."""


def flagged(batch: Batch, flag: str) -> NDArray[np.bool_]:
    """Which samples carry `flag`, shape (n,)."""
    of_kind = np.array([flag in kind.flags for kind in batch.kinds], dtype=bool)
    if not of_kind.any():
        return np.zeros(len(batch), dtype=np.bool_)
    return np.asarray(of_kind[batch.kind_index], dtype=bool)


def usable_force(batch: Batch, full_scale_n: float | None) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Force in N and whether it can be used, each of shape (n,).

    An overload without a number counts as full scale: the pull then shows as saturated, not as lost. Any
    other sample without a number is lost, whatever the gauge said beside it.
    """
    factors = np.ones(len(batch.kinds))
    good = np.ones(len(batch.kinds), dtype=bool)
    for number, kind in enumerate(batch.kinds):
        if kind.flags & UNUSABLE:
            good[number] = False
        elif "overload" not in kind.flags:
            factors[number] = newtons_per(kind.unit)
    usable = np.asarray(good[batch.kind_index], dtype=bool)
    force_n = batch.values * factors[batch.kind_index]
    overload = flagged(batch, "overload")
    if overload.any():
        if full_scale_n is None:
            usable &= ~overload
        else:
            force_n[overload] = full_scale_n
    return force_n, usable & np.isfinite(force_n)


class PullCapture:
    """Takes the batches of one force stream in order."""

    def __init__(self, settings: PullSettings) -> None:
        self.settings = settings
        self._finder = PullFinder(settings)
        # For each sample kept: its number, the stream offset behind its frame, its time.
        self._kept: deque[tuple[int, NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]] = deque()
        self._damaged: list[int] = []  # where damaged frames ended
        self._count = 0

    def feed(self, t_us: NDArray[np.int64], batch: Batch) -> list[Taken]:
        """Takes samples with their times (µs, shape (n,)); returns the pulls that ended with them."""
        force_n, usable = usable_force(batch, self.settings.full_scale_n)
        unstable = flagged(batch, "unstable")
        ends = batch.ends
        if not usable.all():
            force_n, t_us, unstable, ends = force_n[usable], t_us[usable], unstable[usable], ends[usable]
        self._damaged += [error.at for error in batch.errors]
        self._kept.append((self._count, ends, t_us, unstable))
        self._count += len(ends)
        pulls = self._finder.feed(np.asarray(t_us * 1e-6, dtype=np.float64), force_n)
        taken = [self._taken(pull) for pull in pulls]
        while self._kept and self._kept[0][0] + len(self._kept[0][1]) < self._finder.keeps_from:
            self._kept.popleft()
        oldest = self._kept[0][1] if self._kept else ends
        if self._damaged and len(oldest) and self._damaged[0] < oldest[0]:
            self._damaged = [at for at in self._damaged if at >= oldest[0]]
        return taken

    def interrupt(self, why: str) -> list[Taken]:
        """The port was lost: what was being pulled cannot be used."""
        taken = [self._taken(pull) for pull in self._finder.interrupt(f"interrupted: {why}")]
        self._kept.clear()
        self._damaged = []
        return taken

    def finish(self) -> list[Taken]:
        """The stream has ended."""
        return [self._taken(pull) for pull in self._finder.finish()]

    def _taken(self, pull: Pull) -> Taken:
        # With the sample in front of the pull, whose end is where the pull's first byte is.
        kept = [
            one
            for one in self._kept
            if one[0] < pull.last_number and one[0] + len(one[1]) >= pull.first_number
        ]
        ends = np.concatenate([ends for _, ends, _, _ in kept])
        times = np.concatenate([times for _, _, times, _ in kept])
        unstable = np.concatenate([flags for _, _, _, flags in kept])
        first, stop = pull.first_number - kept[0][0], pull.last_number - kept[0][0]
        at_break = first + int(np.searchsorted(times[first:stop] * 1e-6, pull.t_break_s))
        details = pull.details()
        first_byte, last_byte = (int(ends[first - 1]) if first else 0), int(ends[stop - 1])
        details["unstable_samples"] = int(np.count_nonzero(unstable[first:stop]))
        details["damaged_frames"] = sum(first_byte < at <= last_byte for at in self._damaged)
        return Taken(
            quantity="force",
            value=pull.breakaway_n,
            unit="N",
            t_us=int(times[min(at_break, len(times) - 1)]),
            opening=0,
            first_byte=first_byte,
            last_byte=last_byte,
            ordinal=0,
            verdict="refused" if pull.reasons else "accepted",
            reasons=pull.reasons,
            resolution=self.settings.resolution_n,
            under_read=pull.under_read_n,
            details=details,
        )


def pull_settings(
    *, rate_hz: float, resolution: float, full_scale: float, unit: str, **chosen: float | None
) -> PullSettings:
    """Settings for a gauge as its description tells it; `chosen` overrides those fields that are not None."""
    factor = newtons_per(unit)
    settings = PullSettings(
        rate_hz=rate_hz,
        resolution_n=resolution * factor,
        full_scale_n=full_scale * factor,
        min_rest_s=LIVE_REST_S,
        min_rise_s=LIVE_RISE_S,
        min_gap_s=LIVE_GAP_S,
        max_slide_s=LIVE_SLIDE_S,
    )
    return replace(settings, **{key: value for key, value in chosen.items() if value is not None})
