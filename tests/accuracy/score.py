"""Holds what capture found against the truth."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acquire.capture.anatomy import Pull
from simulators.force import PullTruth
from tests.accuracy.grid import REASONS

Floats = NDArray[np.float64]


COUNTS = (
    "true", "found", "accepted", "extra_accepted", "extra_refused", "to_refuse", "refused", "rightly",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Found:
    """One pull that was listed; forces in N."""

    t_break_s: float
    breakaway_n: float
    under_read_n: float
    reasons: tuple[str, ...]


def found_in(pulls: Iterable[Pull]) -> list[Found]:
    return [Found(pull.t_break_s, pull.breakaway_n, pull.under_read_n, pull.reasons) for pull in pulls]


@dataclass(slots=True)
class Tally:
    """Sums over some traces; forces in N."""

    true: int = 0
    found: int = 0
    accepted: int = 0
    extra_accepted: int = 0
    extra_refused: int = 0
    errors_n: list[float] = field(default_factory=list)
    """Breakaway less true peak, of pulls that should be and were accepted."""
    limits_n: list[float] = field(default_factory=list)
    """Display step plus stated under-read of each."""
    true_n: list[float] = field(default_factory=list)
    to_refuse: int = 0
    """True pulls that should be refused; of these `refused` were, `rightly` for the reason meant."""
    refused: int = 0
    rightly: int = 0

    def add(self, other: "Tally") -> None:
        for name in COUNTS:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.errors_n += other.errors_n
        self.limits_n += other.limits_n
        self.true_n += other.true_n

    @property
    def taken(self) -> int:
        """All pulls that capture accepted, true or false."""
        return self.accepted + self.extra_accepted


def tally(truths: list[PullTruth], pulls: list[Found], *, step_s: float, resolution_n: float) -> Tally:
    """Matches pulls to truths one to one, in order of time; what is left over is extra."""
    result = Tally(true=len(truths), to_refuse=sum(truth.verdict == "refused" for truth in truths))
    left = list(pulls)
    for truth in truths:
        early, late = truth.t_start_s - 2 * step_s, truth.t_release_s + 2 * step_s
        match = next((p for p in left if early <= p.t_break_s <= late), None)
        if match is None:
            continue
        left.remove(match)
        result.found += 1
        if truth.verdict == "refused" and match.reasons:
            result.refused += 1
            result.rightly += any(reason.startswith(REASONS[truth.why]) for reason in match.reasons)
        if not match.reasons:
            result.accepted += 1
            if truth.verdict == "accepted":
                result.errors_n.append(error_n(match, truth))
                result.limits_n.append(resolution_n + match.under_read_n)
                result.true_n.append(truth.peak_n)
    result.extra_accepted = sum(not pull.reasons for pull in left)
    result.extra_refused = len(left) - result.extra_accepted
    return result


def error_n(pull: Found, truth: PullTruth) -> float:
    """Against the peak at the first break ("initial (peak) force before sliding", ASTM D1894, from memory).

    Without a drop there is no peak; then anything between the force at which the block first moved and the
    first top after it is the force at which it levelled off.
    """
    if truth.kind != "no-drop":
        return pull.breakaway_n - truth.peak_n
    low, high = truth.breakaway_n, truth.peak_n
    return pull.breakaway_n - float(np.clip(pull.breakaway_n, low, high))
