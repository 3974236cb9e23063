"""A check evaluated anew from what it keeps: readings, zeros, what its references were worth."""

from acquire.bench import Decision, Tolerance
from acquire.calibration.checks import Check, Corrected, evaluate_check
from acquire.calibration.multipoint import evaluate_ladder
from acquire.calibration.references import Assigned


def evaluated_again(check: Check, *, corrected: Corrected) -> Check:
    """The same check by the rules of this version; everything but its words must come out the same.

    Args:
        corrected: the correction that was in use when it was made.
    """
    if check.points:
        return evaluate_ladder(
            check.gauge,
            _loads(check),
            check.points,
            check.zero,
            resolution=check.resolution,
            t_utc=check.t_utc,
            raw=check.raw,
            decision=Decision(guard=check.guard),
            corrected=corrected,
        )
    return evaluate_check(
        check.gauge,
        _worst(check, check.reference),
        check.readings,
        unit=check.unit,
        resolution=check.resolution,
        tolerance=Tolerance(absolute=check.tolerance),
        t_utc=check.t_utc,
        zero=check.zero,
        zero_after=check.zero_after,
        raw=check.raw,
        decision=Decision(guard=check.guard),
        corrected=corrected,
    )


def _loads(check: Check) -> list[Assigned]:
    """What each load was worth, from the smallest; why it is uncertain is kept of the worst one only."""
    found = {
        point.reference: Assigned(
            reference=point.reference,
            value=point.assigned,
            unit=check.unit,
            standard_uncertainty=point.assigned_standard_uncertainty,
            certificate="",
            due=None,
            basis="",
        )
        for point in check.points
    }
    found[check.worst_reference] = _worst(check, check.worst_reference)
    return sorted(found.values(), key=lambda one: one.value)


def _worst(check: Check, reference: str) -> Assigned:
    """The reference that the figures of the check are of."""
    return Assigned(
        reference=reference,
        value=check.assigned,
        unit=check.unit,
        standard_uncertainty=check.assigned_standard_uncertainty,
        certificate=check.certificate,
        due=check.reference_due,
        basis=check.basis,
        channel=check.channel,
        parts=tuple(part for part in check.parts if part.key.split()[0] != "check"),
    )
