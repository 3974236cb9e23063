"""Checks of one gauge against one reference, in a row: what can be compared over time.

Each reference and each angle has a series of its own. Within one the reference's error is the same in every
check and drops out of any change; between two references it does not, so they are never put into one line.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import pairwise
from math import sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acquire.calibration.checks import Check
from acquire.model import UncertaintyPart
from acquire.scoring.statistics import effective_freedom, sd

Floats = NDArray[np.float64]
Basis = Literal["history", "own uncertainty"]

ENOUGH_N = 20
"""So many differences between checks make a history: the spread found from 20 moving ranges is known to
about 20 % (relative standard deviation sqrt(0.826 / n) = 0.20, simulated in the tests). Below that, the
uncertainty that each check states for itself is the better guess."""
_RANGE_FREEDOM = 0.605
"""Degrees of freedom that one moving range is worth: 1 / (2 × 0.826), as successive ranges share a value."""
_UNKNOWN_SHARE = 0.05
"""Of the tolerance: stands for the scatter where checks tell nothing of it."""
D2 = 2 / sqrt(np.pi)
"""Mean range of two normal values in standard deviations: 1.12838."""


@dataclass(frozen=True, slots=True)
class Series:
    """Checks against one reference at one angle, in the order of their times; undecided ones included."""

    gauge: str
    reference: str
    channel: str | None
    checks: tuple[Check, ...]

    @property
    def name(self) -> str:
        """As it is told: "weight-200g", "tile at 60°"."""
        return self.reference if self.channel is None else f"{self.reference} at {self.channel}°"

    @property
    def unit(self) -> str:
        return self.checks[-1].unit

    @property
    def added(self) -> float:
        """What a correction adds at this load, by the newest check; 0 without one."""
        return added_now(self.checks)

    @property
    def deviations(self) -> Floats:
        """As the gauge is used now, so that a correction switched on in between is no step."""
        return np.array([check.deviation for check in self.checks]) + self.added

    def hours(self, start: datetime | None = None) -> Floats:
        """Times in hours since `start`, or since the first check; shape (n,)."""
        zero = start or self.checks[0].t_utc
        return np.array([(check.t_utc - zero).total_seconds() / 3600 for check in self.checks])

    def split(self, since: datetime) -> tuple[tuple[Check, ...], "Series"]:
        """The checks before `since`, and the series from then on."""
        before = tuple(check for check in self.checks if check.t_utc < since)
        return before, Series(self.gauge, self.reference, self.channel, self.checks[len(before) :])


def added_now(checks: Sequence[Check]) -> float:
    """What the correction in use adds to every deviation of a series: that of its newest check, or 0."""
    correction = checks[-1].correction if checks else None
    return correction.amount if correction else 0.0


def series_of(checks: Iterable[Check], gauge: str) -> list[Series]:
    """The series of one gauge, that with the newest check first.

    A check at several loads stands for its worst load, in the series of that load.
    """
    rows: dict[tuple[str, str | None], list[Check]] = {}
    for check in checks:
        if check.gauge == gauge:
            rows.setdefault((check.worst_reference, check.channel), []).append(check)
    found = [
        Series(gauge, reference, channel, tuple(sorted(row, key=lambda check: check.t_utc)))
        for (reference, channel), row in rows.items()
    ]
    return sorted(found, key=lambda one: one.checks[-1].t_utc, reverse=True)


@dataclass(frozen=True, slots=True)
class Noise:
    """How far checks scatter though nothing has changed, as a standard deviation in the checks' unit."""

    sigma: float
    freedom: float
    """Degrees of freedom with which it is known; infinite where it is taken as given."""
    basis: Basis
    said: str
    """For a person: what it rests on."""


def noise_of(history: Sequence[Check], current: Sequence[Check], zone: tzinfo) -> Noise:
    """The scatter by which new checks are judged.

    From the moving ranges of the gauge's own earlier checks against this reference once there are
    `ENOUGH_N` of them: those between checks of one day, or else those between any two in a row. Failed
    checks are left out. Before that, and never less than display steps alone give, from what the checks
    state of themselves, without the reference's part, which is the same in all of them.

    Args:
        history: earlier checks of the same series, in order of time; may be empty.
        current: the checks that are judged; at least one.
        zone: tells which checks are of one day.
    """
    own, freedom = _own_noise(current)
    good = [check for check in history if check.verdict != "fail"]
    pairs = list(pairwise(good))
    same_day = [(a, b) for a, b in pairs if _day(a, zone) == _day(b, zone)]
    used, which = (same_day, "within days, ") if len(same_day) >= ENOUGH_N else (pairs, "")
    if len(used) < ENOUGH_N:
        said = (
            f"the checks' own uncertainty without the reference's part; {len(used)} differences between "
            f"earlier checks are too few, {ENOUGH_N} are needed"
        )
        return Noise(own, freedom, "own uncertainty", said)
    sigma = float(np.mean([abs(b.deviation - a.deviation) for a, b in used])) / D2
    floor = max(_own_of(check).step for check in current)
    said = f"{len(used)} moving ranges {which}of earlier checks"
    if floor > sigma:
        return Noise(floor, np.inf, "history", f"{said}, and no less than the display's steps alone give")
    return Noise(sigma, _RANGE_FREEDOM * len(used), "history", said)


@dataclass(frozen=True, slots=True)
class _Own:
    """What a check states of its own, as standard uncertainties."""

    step: float
    """From display steps."""
    scatter: float
    """From how its values scatter."""
    freedom: float
    """Of `scatter`; 0 where there was one value only."""


def _own_of(check: Check) -> _Own:
    if check.parts:
        step = [part for part in check.parts if part.key == "check display steps"]
        scatter = [part for part in check.parts if part.key.startswith("check repeatability")]
        freedom = sum(part.degrees_of_freedom or 0.0 for part in scatter)
        return _Own(_root(step), _root(scatter), freedom)
    # Checks of earlier versions kept the sum only.
    own = check.standard_uncertainty**2 - check.assigned_standard_uncertainty**2
    groups = [values for values in (check.readings, check.zero) if len(values) > 1]
    scattered = sum(sd(values) ** 2 / len(values) for values in groups)
    freedom = float(sum(len(values) - 1 for values in groups))
    return _Own(sqrt(max(0.0, own - scattered)), sqrt(scattered), freedom)


def _root(parts: Iterable[UncertaintyPart]) -> float:
    return sqrt(sum(part.standard_uncertainty**2 for part in parts))


def _own_noise(checks: Sequence[Check]) -> tuple[float, float]:
    """Standard deviation from check to check as the checks know of it, and its degrees of freedom."""
    own = [_own_of(check) for check in checks]
    freedom = sum(one.freedom for one in own)
    # Pooled over the checks: the spread of three values alone may be nought by chance.
    scatter = sqrt(sum(one.freedom * one.scatter**2 for one in own) / freedom) if freedom else 0.0
    step = max(one.step for one in own)
    if scatter == 0 and step == 0:
        # A counter, or a gauge whose step is not known: what shows no scatter still has some.
        return 0.5 if checks[0].unit == "1" else _UNKNOWN_SHARE * checks[0].tolerance, np.inf
    known = effective_freedom([(step, None), (scatter, freedom or None)])
    return float(np.hypot(step, scatter)), np.inf if known is None else known


def _day(check: Check, zone: tzinfo) -> object:
    return check.t_utc.astimezone(zone).date()
