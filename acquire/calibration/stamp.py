"""The one rule that says in what calibration state a gauge is, and how far its values can be trusted.

    checks, incidents (in the journal's order) + rules of the gauge + moment, value ──stamp──> Stamp

A pure function: the same events give the same stamp, so that any stamp can be derived again years later.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from math import hypot, sqrt

from acquire.calibration.ageing import ageing
from acquire.calibration.checks import Check
from acquire.calibration.correction import Correction, active_correction, correction_at, not_corrected
from acquire.calibration.guard import CheckVerdict, decide
from acquire.calibration.history import (
    Checked,
    Incident,
    Known,
    covers,
    decided,
    own_of,
)
from acquire.calibration.rules import Rules
from acquire.model import AppliedCorrection, CalibrationState, Stamp, UncertaintyPart


def stamp(
    gauge: str,
    at: datetime,
    history: Sequence[Known],
    rules: Rules,
    *,
    channel: str | None = None,
    value: float = 0.0,
    trial: str = "",
    trial_opened: int | None = None,
    correction: Correction | None = None,
) -> Stamp:
    """Calibration state of `gauge` for a reading taken at `at`.

    A failed check rules until the gauge passes against the same references. A passed check holds for
    `check_valid_h` hours, both ends included, and by the rule `at_start_of_day` to the end of its day in the
    bench's time zone. Certificates hold to the end of their due day; a reference's must have held on the day
    of the check. A check that could not decide counts for nothing. One that passed must still have passed as
    the gauge is used now, with this correction or with none. Of several faults the gravest names the state.

    `standard_uncertainty` is the root sum of squares of `parts`. All of a deviation stays in it; of a reading
    that is corrected, what the correction leaves of it. The correction's own uncertainty is not among them:
    it stands in the reading's `correction`.

    Args:
        history: what the journal knew of this gauge and others when the reading was logged, in its order.
        channel: angle of a gloss reading; only checks at that angle count.
        value: the reading's value in its unit, for a relative tolerance where there is no check at all.
        trial: what is not known of a gauge without a valid check may differ from trial to trial.
        trial_opened: number of the event that opened the trial, for the rule `before_trial`.
        correction: the one that the reading uses, if any.
    """
    own = own_of(history, gauge, channel)
    failed = _standing_failure(own)
    resting = failed or _newest_pass(own, at)
    faults = list(_faults(at, resting, own, rules, trial_opened, correction))
    known, check = resting or (None, None)
    aged = None
    parts = list(_certificate_part(gauge, rules))
    if resting is not None:
        aged = ageing(resting, (at - resting[1].t_utc).total_seconds(), own, rules)
        parts += _check_parts(resting, correction, rules)
        parts += [aged.part] if aged.part else []
    if any(state is CalibrationState.UNCHECKED for state, _ in faults):
        # All parts must hold at one value, or they could not be scaled to another together.
        parts.append(_unchecked_part(gauge, trial, rules.tolerance.at(check.assigned if check else value)))
    return Stamp(
        state=faults[0][0] if faults else CalibrationState.IN_TOLERANCE,
        reason="; ".join(reason for _, reason in faults) or _well(check, rules),
        check=known.id if known else None,
        reference=check.reference if check else None,
        checked_utc=check.t_utc if check else None,
        age_s=(at - check.t_utc).total_seconds() if check else None,
        deviation=check.deviation if check else None,
        standard_uncertainty=hypot(*(part.standard_uncertainty for part in parts)),
        at_value=check.assigned if check else None,
        parts=tuple(parts),
        drift=aged.change if aged else None,
        drift_standard_uncertainty=aged.standard_uncertainty if aged else None,
        drift_basis=aged.basis if aged else "",
        closing_due=rules.after_trial,
    )


def corrected_stamp(
    gauge: str,
    at: datetime,
    history: Sequence[Known],
    corrections: Iterable[Correction],
    rules: Rules,
    *,
    channel: str | None = None,
    value: float,
    trial: str = "",
    trial_opened: int | None = None,
) -> tuple[Stamp, AppliedCorrection | None]:
    """The stamp of a reading together with the correction that is in use for it, if any.

    Args:
        corrections: what the journal knew of them, in its order; the others are as for `stamp`.
    """
    active = active_correction(corrections, gauge, channel)
    found = correction_at(active, value) if active is not None else None
    made = stamp(
        gauge,
        at,
        history,
        rules,
        channel=channel,
        value=value,
        trial=trial,
        trial_opened=trial_opened,
        correction=active if found else None,
    )
    if active is None:
        return made, None
    if found is None:
        said = f"{made.reason}; {not_corrected(active, value)}"
        return made.model_copy(update={"reason": said}), None
    amount, uncertainty = found
    return made, AppliedCorrection(id=active.id, amount=amount, standard_uncertainty=uncertainty)


def _certificate_part(gauge: str, rules: Rules) -> Iterator[UncertaintyPart]:
    if rules.certificate_standard_uncertainty:
        yield UncertaintyPart(
            source=f"certificate {rules.certificate} of {gauge}".replace("  ", " "),
            key=f"certificate {gauge} {rules.certificate}".rstrip(),
            standard_uncertainty=rules.certificate_standard_uncertainty,
        )


def _check_parts(resting: Checked, correction: Correction | None, rules: Rules) -> Iterator[UncertaintyPart]:
    """What made the check uncertain, and the deviation that nobody took off."""
    known, check = resting
    which = f"{check.gauge} check of {rules.local(check.t_utc)}"
    for part in check.parts or _told_whole(check):
        if not part.standard_uncertainty:
            continue
        if part.key.split()[0] == "check":
            # Scores may rest on several checks, whose parts must be told apart by key and by word.
            own = {"key": f"{part.key} {known.id}", "source": f"{part.source}, {which}"}
            part = part.model_copy(update=own)
        yield part
    left = abs(_left(check, correction))
    if left:
        added = correction is not None and correction.covers(check.mean)
        what = "deviation that the correction leaves," if added else "deviation, not corrected for,"
        yield UncertaintyPart(
            source=f"{what} {which}",
            key=f"deviation {known.id}",
            standard_uncertainty=left,
        )


def _left(check: Check, correction: Correction | None) -> float:
    """What a correction leaves of a check's deviation; all of it without one, or beyond its range."""
    added = correction_at(correction, check.mean) if correction is not None else None
    return check.deviation + (added[0] if added else 0.0)


def _told_whole(check: Check) -> Iterator[UncertaintyPart]:
    """Of a check by an earlier version: the reference, and what is left when it is taken off."""
    if check.assigned_standard_uncertainty:
        yield UncertaintyPart(
            source=check.worst_reference,
            key=f"reference {check.worst_reference}",
            standard_uncertainty=check.assigned_standard_uncertainty,
        )
    rest = check.standard_uncertainty**2 - check.assigned_standard_uncertainty**2
    # Less than a millionth of a millionth is what binary fractions leave of nothing.
    if rest > 1e-12 * check.standard_uncertainty**2:
        yield UncertaintyPart(
            source="repeatability and display steps", key="check", standard_uncertainty=sqrt(rest)
        )


def _unchecked_part(gauge: str, trial: str, tolerance: float) -> UncertaintyPart:
    return UncertaintyPart(
        source=f"tolerance of {gauge}, for want of a valid check",
        key=f"unchecked {gauge} {trial}".rstrip(),
        standard_uncertainty=tolerance / sqrt(3),
        distribution="rectangular",
    )


def _standing_failure(own: Sequence[Known]) -> Checked | None:
    """The newest failed check that no later one against the same references has made good."""
    standing: list[Checked] = []
    for known, check in decided(own):
        if check.verdict == "fail":
            standing.append((known, check))
        else:
            standing = [one for one in standing if not covers(check, one[1])]
    return standing[-1] if standing else None


def _newest_pass(own: Sequence[Known], at: datetime) -> Checked | None:
    """A pass dated later than the reading proves nothing: the clock was set back in between."""
    passes = [resting for resting in decided(own) if resting[1].verdict == "pass" and resting[1].t_utc <= at]
    return passes[-1] if passes else None


def _faults(
    at: datetime,
    resting: Checked | None,
    own: Sequence[Known],
    rules: Rules,
    trial_opened: int | None,
    correction: Correction | None,
) -> Iterator[tuple[CalibrationState, str]]:
    """What speaks against the gauge, the gravest first."""
    check = resting[1] if resting else None
    if check is not None and check.verdict == "fail":
        reason = f"failed against {check.reference} at {rules.local(check.t_utc)}: {check.reason}"
        yield CalibrationState.OUT_OF_TOLERANCE, reason
    as_used, told = _used_otherwise(check, correction)
    if as_used == "fail":
        yield CalibrationState.OUT_OF_TOLERANCE, told
    if rules.certificate_due is not None and rules.day(at) > rules.certificate_due:
        yield CalibrationState.OVERDUE, f"its certificate was due on {rules.certificate_due}"
    if check is not None and check.reference_due is not None and rules.day(check.t_utc) > check.reference_due:
        reason = f"reference {check.reference} was due on {check.reference_due}, before the check"
        yield CalibrationState.OVERDUE, reason
    if check is None or check.verdict == "pass":
        if as_used == "undecided":
            yield CalibrationState.UNCHECKED, told
        for why in _stale(at, resting, own, rules, trial_opened):
            yield CalibrationState.UNCHECKED, why


def _used_otherwise(check: Check | None, correction: Correction | None) -> tuple[CheckVerdict, str]:
    """What a check that passed would have said, had it been judged with the correction that is used now."""
    judged_with = check.correction.id if check is not None and check.correction else None
    if check is None or check.verdict == "fail" or judged_with == (correction.id if correction else None):
        return "pass", ""
    left = _left(check, correction)
    verdict = decide(left, check.expanded_uncertainty, check.tolerance, check.guard)
    used = f"with the correction {correction.id}" if correction else "without a correction"
    unit = "strokes" if check.unit == "1" else check.unit
    reason = (
        f"is used {used} and not as it was at its last check: that would have been"
        f" {left:+.3g} ± {check.expanded_uncertainty:.2g} {unit}, tolerance {check.tolerance:.3g} {unit}"
    )
    return verdict, reason


def _stale(
    at: datetime, resting: Checked | None, own: Sequence[Known], rules: Rules, trial_opened: int | None
) -> Iterator[str]:
    """Why the newest pass, if any, does not speak for this moment."""
    if resting is None:
        yield "no check has passed yet"
        return
    known, check = resting
    if rules.at_start_of_day and rules.day(check.t_utc) != rules.day(at):
        yield f"last passed at {rules.local(check.t_utc)}, not on this day"
    elif (at - check.t_utc).total_seconds() > rules.check_valid_h * 3600:
        yield f"last passed at {rules.local(check.t_utc)}; a check holds {rules.check_valid_h:g} h"
    if rules.before_trial and trial_opened is not None and known.seq < trial_opened:
        yield "the rule asks for a check before each trial, and none has passed since this one was opened"
    for later in own:
        if isinstance(later.fact, Incident) and later.fact.needs_check and later.seq > known.seq:
            yield f"was {later.fact.what} at {rules.local(later.fact.t_utc)}, after its last check"


def _well(check: Check | None, rules: Rules) -> str:
    assert check is not None, "a gauge without a check has a fault"
    return f"passed against {check.reference} at {rules.local(check.t_utc)}: {check.reason}"
