from datetime import timedelta

import pytest

from acquire.calibration.brackets import Confirmed, confirming_spans, doubtful_readings, span_of
from acquire.calibration.checks import Check
from acquire.calibration.history import Incident, Known
from acquire.model import CalibrationState, RawRef, Reading, Stamp
from tests.bench_tools import NOON, STEP, after, check, history

IN, UNCHECKED, OVERDUE, OUT = (
    CalibrationState.IN_TOLERANCE,
    CalibrationState.UNCHECKED,
    CalibrationState.OVERDUE,
    CalibrationState.OUT_OF_TOLERANCE,
)


def reading(
    name: str, *, gauge: str = "force", state: CalibrationState = IN, channel: str | None = None
) -> Reading:
    return Reading(
        id=name,
        trial="t",
        step=STEP,
        quantity="force",
        value=1.0,
        unit="N",
        gauge=gauge,
        t_utc=NOON,
        t_mono_ns=0,
        t_source="host read",
        raw=RawRef(recording="r.rec", opening=0, first_byte=0, last_byte=9, ordinal=0),
        details={} if channel is None else {"channel": channel},
        stamp=Stamp(state=state, reason="invented"),
    )


def test_a_failed_check_puts_the_readings_since_the_last_pass_in_doubt() -> None:
    failed = Known(20, "failed", check("fail"))
    known = [Known(5, "passed", check()), Known(9, "open", check("undecided")), failed]
    logged = [(seq, reading(f"r{seq}")) for seq in (3, 6, 12, 19, 21)]
    assert doubtful_readings(failed, known, logged) == ["r6", "r12", "r19"]


def test_what_was_bad_already_or_anothers_is_not_doubted() -> None:
    failed = Known(20, "failed", check("fail"))
    logged = [
        (6, reading("unchecked", state=UNCHECKED)),
        (7, reading("overdue", state=OVERDUE)),
        (8, reading("out", state=OUT)),
        (9, reading("doubtful", state=CalibrationState.DOUBTFUL)),
        (10, reading("other gauge", gauge="gloss")),
        (11, reading("other channel", channel="60")),
    ]
    assert doubtful_readings(failed, [Known(5, "passed", check())], logged) == ["unchecked", "overdue"]


def test_only_a_pass_on_the_same_reference_ends_the_doubt_if_there_is_one() -> None:
    failed = Known(20, "failed", check("fail", reference="heavy"))
    lighter = Known(10, "lighter", check(reference="light"))
    logged = [(seq, reading(f"r{seq}")) for seq in (2, 6, 12)]
    assert doubtful_readings(failed, [lighter], logged) == ["r12"]
    heavy = Known(4, "heavy", check(reference="heavy"))
    assert doubtful_readings(failed, [heavy, lighter], logged) == ["r6", "r12"]


def test_a_gauge_that_never_passed_puts_everything_in_doubt() -> None:
    failed = Known(20, "failed", check("fail"))
    assert doubtful_readings(failed, [], [(1, reading("first"))]) == ["first"]


def test_only_a_failed_check_puts_anything_in_doubt() -> None:
    with pytest.raises(ValueError, match="is not a failed check"):
        doubtful_readings(Known(20, "passed", check()), [], [])


def happened(kind: str) -> Incident:
    return Incident.model_validate(
        {"gauge": "force", "t_utc": NOON, "what": kind, "needs_check": True, "kind": kind}
    )


# What the journal knows as events 1, 2, ...; the bracket of the last check: (opening, verdict).
SPANS: dict[str, tuple[list[Check | Incident], tuple[int, str]]] = {
    "two passes": ([check(), check()], (1, "confirmed")),
    "no check before": ([check()], (0, "confirmed")),
    "three passes": ([check(), check(), check()], (2, "confirmed")),
    "a failed closing check": ([check(), check("fail")], (1, "failed")),
    "undecided closes nothing": ([check(), check("undecided"), check()], (1, "confirmed")),
    "an undecided closing check": ([check(), check("undecided")], (1, "undecided")),
    "behind a failure nothing is confirmed": ([check(), check("fail"), check()], (0, "confirmed")),
    "behind a failure on another reference neither": (
        [check(), check("fail", reference="heavy"), check()],
        (0, "confirmed"),
    ),
    "a pass behind the failure opens anew": (
        [check(), check("fail", reference="heavy"), check(reference="light"), check()],
        (3, "confirmed"),
    ),
    "a failure reaches behind a failure": ([check(), check("fail"), check("fail")], (1, "failed")),
    "the same reference before another": ([check(), check(reference="light"), check()], (1, "confirmed")),
    "another reference for want of the same": ([check(reference="light"), check()], (1, "confirmed")),
    "another gauge's check": ([check(gauge="other"), check()], (0, "confirmed")),
    "another angle's check": ([check(channel="60"), check(channel="20")], (0, "confirmed")),
    "a drop is proved harmless": ([check(), happened("drop"), check()], (1, "confirmed")),
    "an adjustment ends the bracket": ([check(), happened("adjustment"), check()], (0, "confirmed")),
    "so does a new battery": ([check(), happened("battery change"), check()], (0, "confirmed")),
    "but a failure reaches behind it": ([check(), happened("adjustment"), check("fail")], (1, "failed")),
}


@pytest.mark.parametrize("case", SPANS)
def test_a_check_closes_a_bracket(case: str) -> None:
    facts, expected = SPANS[case]
    known = history(*facts)
    span = span_of(known[-1], known)
    assert (span.since, span.verdict) == expected
    # The walk through all of them finds the same ones.
    confirmed = [
        (one.since, one.until)
        for known_check in known
        if isinstance(known_check.fact, Check)
        for one in [span_of(known_check, known)]
        if one.verdict == "confirmed" and one.opening is not None
    ]
    assert [(one.since, one.until) for one in confirming_spans(known)] == confirmed


def test_confirmed_are_the_readings_between_two_passes() -> None:
    known = [Known(5, "opening", check()), Known(9, "closing", check()), Known(20, "next", check())]
    confirmed = Confirmed(confirming_spans(known))
    assert [seq for seq in range(1, 25) if confirmed.holds(seq, "force", None)] == [
        *range(6, 9),
        *range(10, 20),
    ]
    assert not confirmed.holds(7, "gloss", None)
    assert not confirmed.holds(7, "force", "60")


def test_brackets_that_overlap_confirm_what_either_does() -> None:
    heavy = [Known(seq, f"heavy-{seq}", check(reference="heavy")) for seq in (1, 10)]
    light = [Known(seq, f"light-{seq}", check(reference="light")) for seq in (4, 14)]
    known = sorted([*heavy, *light], key=lambda one: one.seq)
    confirmed = Confirmed(confirming_spans(known))
    assert [seq for seq in range(16) if confirmed.holds(seq, "force", None)] == list(range(2, 14))


def test_a_bracket_is_written_down_with_its_first_and_last_reading() -> None:
    known = [Known(5, "opening", check()), Known(9, "closing", check(at=after(1)))]
    said = span_of(known[1], known).bracket(["r6", "r7", "r8"])
    assert (said.opening, said.closing, said.verdict) == ("opening", "closing", "confirmed")
    assert (said.first, said.last, said.n, said.t_utc) == ("r6", "r8", 3, NOON + timedelta(hours=1))


def test_only_a_check_closes_anything() -> None:
    with pytest.raises(ValueError, match="is not a check"):
        span_of(Known(3, "event-3", happened("drop")), [])
