"""The one rule that says in what calibration state a gauge is, and the rule for readings put in doubt.

Pure functions of the gauge's history, in the order of the journal. Order counts, not the clock: a failed
check stays the newest one even if somebody set the computer's clock back afterwards.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from math import hypot, sqrt

from acquire.bench import Bench, Tolerance
from acquire.calibration.checks import Check
from acquire.model import CalibrationState, Details, Model, Reading, Stamp


class Incident(Model):
    """Something happened to a gauge that a person should know of: re-plugged, dropped, adjusted."""

    gauge: str
    t_utc: datetime
    what: str
    """Completes "the gauge was …"."""
    needs_check: bool
    """Checks made before it no longer count as proof."""


@dataclass(frozen=True, slots=True)
class Known:
    """One event of a gauge's history: its place in the journal, its id, what it says."""

    seq: int
    id: str
    fact: Check | Incident


@dataclass(frozen=True, slots=True)
class Rules:
    """What holds for one gauge."""

    check_valid_h: float
    zone: tzinfo
    tolerance: Tolerance
    certificate_due: date | None = None
    """Last day of the gauge's certificate; None: it has none."""
    certificate_standard_uncertainty: float = 0.0


def rules_for(bench: Bench, gauge: str) -> Rules:
    """The rules of one gauge of a bench.

    Raises:
        ConfigError: the bench has no such gauge.
    """
    entry = bench.gauge(gauge)
    certificate = entry.certificate
    return Rules(
        entry.check_valid_h,
        bench.zone,
        entry.tolerance,
        certificate.due if certificate else None,
        certificate.standard_uncertainty if certificate else 0.0,
    )


def stamp(
    gauge: str,
    at: datetime,
    history: Sequence[Known],
    rules: Rules,
    *,
    channel: str | None = None,
    value: float = 0.0,
) -> Stamp:
    """Calibration state of `gauge` for a reading taken at `at`.

    A failed check rules until the gauge passes against the same reference. A passed check holds for
    `check_valid_h` hours, both ends included, and to the end of its day in the bench's time zone.
    Certificates hold to the end of their due day; a reference's must have held on the day of the check.
    A check that could not decide counts for nothing. Of several faults the gravest names the state.

    Args:
        history: what the journal knew of this gauge and others when the reading was logged, in its order.
        channel: angle of a gloss reading; only checks at that angle count.
        value: the reading's value in its unit, for a relative tolerance where there is no check at all.
    """
    own = [known for known in history if _concerns(known.fact, gauge, channel)]
    failed = _standing_failure(own)
    resting = failed or _newest_pass(own, at)
    faults = list(_faults(at, resting, own, rules))
    check = resting[1] if resting else None
    parts = [rules.certificate_standard_uncertainty]
    if check is not None:
        # Readings are not corrected for the deviation, so all of it stays in the uncertainty.
        parts += [check.standard_uncertainty, check.deviation]
    if any(state is CalibrationState.UNCHECKED for state, _ in faults):
        # All parts must hold at one value, or they could not be scaled to another together.
        parts.append(rules.tolerance.at(check.assigned if check else value) / sqrt(3))
    return Stamp(
        state=faults[0][0] if faults else CalibrationState.IN_TOLERANCE,
        reason="; ".join(reason for _, reason in faults) or _well(check, rules),
        check=resting[0].id if resting else None,
        reference=check.reference if check else None,
        checked_utc=check.t_utc if check else None,
        age_s=(at - check.t_utc).total_seconds() if check else None,
        deviation=check.deviation if check else None,
        standard_uncertainty=hypot(*parts),
        at_value=check.assigned if check else None,
    )


def _concerns(fact: Check | Incident, gauge: str, channel: str | None) -> bool:
    return fact.gauge == gauge and (isinstance(fact, Incident) or fact.channel == channel)


_Resting = tuple[Known, Check]


def _checks(own: Iterable[Known]) -> Iterator[_Resting]:
    for known in own:
        if isinstance(known.fact, Check) and known.fact.verdict != "undecided":
            yield known, known.fact


def _standing_failure(own: Sequence[Known]) -> _Resting | None:
    """The newest failed check that no later one against the same reference has made good."""
    newest = {check.reference: (known, check) for known, check in _checks(own)}
    failures = [resting for resting in newest.values() if resting[1].verdict == "fail"]
    return max(failures, key=lambda resting: resting[0].seq, default=None)


def _newest_pass(own: Sequence[Known], at: datetime) -> _Resting | None:
    """A pass dated later than the reading proves nothing: the clock was set back in between."""
    passes = [resting for resting in _checks(own) if resting[1].verdict == "pass" and resting[1].t_utc <= at]
    return passes[-1] if passes else None


def _faults(
    at: datetime, resting: _Resting | None, own: Sequence[Known], rules: Rules
) -> Iterator[tuple[CalibrationState, str]]:
    """What speaks against the gauge, the gravest first."""
    check = resting[1] if resting else None
    if check is not None and check.verdict == "fail":
        reason = f"failed against {check.reference} at {_local(check.t_utc, rules)}: {check.reason}"
        yield CalibrationState.OUT_OF_TOLERANCE, reason
    if rules.certificate_due is not None and _day(at, rules) > rules.certificate_due:
        yield CalibrationState.OVERDUE, f"its certificate was due on {rules.certificate_due}"
    if (
        check is not None
        and check.reference_due is not None
        and _day(check.t_utc, rules) > check.reference_due
    ):
        reason = f"reference {check.reference} was due on {check.reference_due}, before the check"
        yield CalibrationState.OVERDUE, reason
    if check is None or check.verdict == "pass":
        for reason in _stale(at, resting, own, rules):
            yield CalibrationState.UNCHECKED, reason


def _stale(at: datetime, resting: _Resting | None, own: Sequence[Known], rules: Rules) -> Iterator[str]:
    """Why the newest pass, if any, does not speak for this moment."""
    if resting is None:
        yield "no check has passed before this reading"
        return
    known, check = resting
    if _day(check.t_utc, rules) != _day(at, rules):
        yield f"last passed at {_local(check.t_utc, rules)}, not on this day"
    elif (at - check.t_utc).total_seconds() > rules.check_valid_h * 3600:
        yield f"last passed at {_local(check.t_utc, rules)}; a check holds {rules.check_valid_h:g} h"
    for later in own:
        if isinstance(later.fact, Incident) and later.fact.needs_check and later.seq > known.seq:
            yield f"was {later.fact.what} at {_local(later.fact.t_utc, rules)}, after its last check"


def _day(t_utc: datetime, rules: Rules) -> date:
    return t_utc.astimezone(rules.zone).date()


def _local(t_utc: datetime, rules: Rules) -> str:
    return t_utc.astimezone(rules.zone).strftime("%Y-%m-%d %H:%M")


def _well(check: Check | None, rules: Rules) -> str:
    assert check is not None, "a gauge without a check has a fault"
    return f"passed against {check.reference} at {_local(check.t_utc, rules)}: {check.reason}"


def channel_of(details: Details) -> str | None:
    """The angle of a gloss value, from what capture noted; None where the gauge has no channels."""
    channel = details.get("channel")
    return None if channel is None else str(channel)


def doubtful_readings(
    failed: Known, history: Sequence[Known], readings: Iterable[tuple[int, Reading]]
) -> list[str]:
    """Ids of the readings that a failed check puts in doubt.

    These are the gauge's readings since it last passed against the same reference; if it never did, since it
    last passed at all. Readings that were doubtful or out of tolerance already are left out.

    Args:
        failed: the failed check.
        history: what the journal knows of the gauge.
        readings: (place in the journal, reading), in any order.

    Raises:
        ValueError: `failed` is not a failed check.
    """
    check = failed.fact
    if not (isinstance(check, Check) and check.verdict == "fail"):
        raise ValueError(f"event {failed.id} is not a failed check")
    own = [known for known in history if _concerns(known.fact, check.gauge, check.channel)]
    passes = [
        resting for resting in _checks(own) if resting[1].verdict == "pass" and resting[0].seq < failed.seq
    ]
    same = [resting for resting in passes if resting[1].reference == check.reference]
    since = max((known.seq for known, _ in same or passes), default=0)
    known_bad = (CalibrationState.OUT_OF_TOLERANCE, CalibrationState.DOUBTFUL)
    return [
        reading.id
        for seq, reading in readings
        if since < seq < failed.seq
        and reading.gauge == check.gauge
        and channel_of(reading.details) == check.channel
        and reading.stamp.state not in known_bad
    ]
