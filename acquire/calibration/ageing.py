"""What a gauge may have drifted since its last check: from its own checks, or as the bench file says."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isclose, sqrt

from acquire.calibration.history import Checked, Known, checks_of, needs_check
from acquire.calibration.rules import Rules
from acquire.model import UncertaintyPart

CHANGES_LEAST_N = 8
"""From so many changes on, their root mean square is known to 25 % or better: 1/sqrt(2 n), GUM E.4.3."""
CHANGES_MOST_N = 20
"""The newest so many tell how the gauge is now."""
APART_H = 24.0
"""Checks further apart tell of storage and transport, not of a day's work."""
SAME_LOAD = 1e-3
"""Assigned values this close (relative) are of the same load."""


@dataclass(frozen=True, slots=True)
class Ageing:
    """Drift at a check and since, in the gauge's unit."""

    change: float | None
    """Deviation at the check minus that at the one before it on the same reference; None: there was none."""
    part: UncertaintyPart | None
    """What the time since the check adds; None: nothing, or nobody knows."""
    known: bool
    basis: str
    """How it is known, for a person."""

    @property
    def standard_uncertainty(self) -> float | None:
        """k = 1; None where it is not known."""
        if not self.known:
            return None
        return self.part.standard_uncertainty if self.part else 0.0


def ageing(resting: Checked, age_s: float, own: Sequence[Known], rules: Rules) -> Ageing:
    """What a reading of this age has to allow for drift since the check it rests on.

    From at least `CHANGES_LEAST_N` changes of the deviation from one check to the next (same reference, at
    most `APART_H` apart, no drop or the like between): their root mean square, reached after the mean time
    between those checks. A gauge that wanders gets there with the root of the time, one that creeps in
    proportion to it; the larger of the two is taken. The changes hold the check's own repeatability as well,
    so this errs on the side of doubt. Failed and undecided checks count: they measured a change too.
    With fewer changes, `drift_per_h` of the bench file is a rectangular limit.

    Args:
        resting: the check that the reading rests on.
        own: the history of this gauge and angle, in the journal's order.
    """
    series = _series(resting, own)
    before = [check for known, check in series if known.seq < resting[0].seq]
    change = resting[1].deviation - before[-1].deviation if before else None
    age_h = max(0.0, age_s) / 3600
    changes = _changes(series, own)
    # Readings of one hour share most of their drift. Those of different hours are taken as independent, which
    # leaves the difference of two, such as before and after a product, no less doubtful than it is.
    key = f"drift {resting[1].gauge} {resting[0].id} hour {int(age_h)}"
    if len(changes) >= CHANGES_LEAST_N:
        rms = sqrt(sum(size**2 for size, _ in changes) / len(changes))
        usual_h = sum(hours for _, hours in changes) / len(changes)
        share = age_h / usual_h
        basis = f"from {len(changes)} changes between its own checks, {rms:.2g} in {usual_h:.2g} h"
        part = _part(key, basis, rms * max(sqrt(share), share), freedom=len(changes))
        return Ageing(change, part, True, basis)
    if rules.drift_per_h is not None:
        basis = f"at most {rules.drift_per_h:g} an hour, as the bench file says"
        part = _part(key, basis, rules.drift_per_h * age_h / sqrt(3), rectangular=True)
        return Ageing(change, part, True, basis)
    basis = f"not known: its own checks give {len(changes)} changes of the {CHANGES_LEAST_N} needed"
    return Ageing(change, None, False, basis)


def _series(resting: Checked, own: Sequence[Known]) -> list[Checked]:
    """Checks of the same load as `resting`."""
    check = resting[1]
    return [
        pair
        for pair in checks_of(own)
        if pair[1].worst_reference == check.worst_reference
        and isclose(pair[1].assigned, check.assigned, rel_tol=SAME_LOAD)
    ]


def _changes(series: Sequence[Checked], own: Sequence[Known]) -> list[tuple[float, float]]:
    """Change of the deviation, and hours, from each check to the next: the newest that tell of drift."""
    # A gauge has few such incidents and thousands of checks.
    incidents = [known.seq for known in own if needs_check(known)]
    found: list[tuple[float, float]] = []
    for (known, check), (later, again) in reversed(list(pairwise(series))):
        hours = (again.t_utc - check.t_utc).total_seconds() / 3600
        between = bisect_right(incidents, later.seq) - bisect_right(incidents, known.seq)
        if 0 < hours <= APART_H and not between:
            found.append((again.deviation - check.deviation, hours))
        if len(found) == CHANGES_MOST_N:
            break
    return found


def _part(
    key: str, basis: str, size: float, *, freedom: float | None = None, rectangular: bool = False
) -> UncertaintyPart | None:
    if not size:
        return None
    return UncertaintyPart(
        source=f"drift since the check, {basis}",
        key=key,
        standard_uncertainty=size,
        distribution="rectangular" if rectangular else "normal",
        degrees_of_freedom=freedom,
    )
