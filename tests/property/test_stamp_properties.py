"""What must hold of stamps and brackets whatever happened to a gauge."""

from datetime import datetime, timedelta
from math import hypot

from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.calibration.brackets import Confirmed, confirming_spans, span_of
from acquire.calibration.checks import Check
from acquire.calibration.history import Incident, IncidentKind, Known
from acquire.calibration.rules import Rules
from acquire.calibration.stamp import stamp
from acquire.model import CalibrationState
from tests.bench_tools import NOON, check, rules

IN = CalibrationState.IN_TOLERANCE
KINDS: tuple[IncidentKind, ...] = ("drop", "adjustment", "battery change", "re-plug", "other")

quick = settings(max_examples=40, deadline=None)
minutes = st.integers(-2000, 2000)
deviations = st.floats(-0.06, 0.06).map(lambda size: round(size, 4))


@st.composite
def checks(draw: st.DrawFn) -> Check:
    return check(
        draw(st.sampled_from(["pass", "fail", "undecided"])),
        at=NOON + timedelta(minutes=draw(minutes)),
        gauge=draw(st.sampled_from(["force", "force", "force", "other"])),
        reference=draw(st.sampled_from(["heavy", "light"])),
        deviation=draw(deviations),
    )


@st.composite
def incidents(draw: st.DrawFn) -> Incident:
    return Incident(
        gauge="force",
        t_utc=NOON + timedelta(minutes=draw(minutes)),
        what="invented",
        needs_check=draw(st.booleans()),
        kind=draw(st.sampled_from(KINDS)),
    )


histories = st.lists(checks() | incidents(), max_size=14).map(
    lambda facts: [Known(2 * seq, f"event-{2 * seq}", fact) for seq, fact in enumerate(facts, 1)]
)
"""Events 2, 4, 6, ...; the odd numbers are left for readings."""
moments = minutes.map(lambda after: NOON + timedelta(minutes=after))
all_rules = st.builds(
    rules,
    check_valid_h=st.floats(0.5, 24),
    at_start_of_day=st.booleans(),
    drift_per_h=st.none() | st.floats(0, 0.1),
    certificate_standard_uncertainty=st.floats(0, 0.01),
)


@given(histories, moments, all_rules)
@quick
def test_the_uncertainty_is_what_its_parts_make_it(known: list[Known], at: datetime, held: Rules) -> None:
    made = stamp("force", at, known, held)
    assert made.standard_uncertainty == hypot(*(part.standard_uncertainty for part in made.parts))
    assert all(part.standard_uncertainty > 0 for part in made.parts)
    assert len({part.key for part in made.parts}) == len(made.parts)


@given(histories, moments, all_rules)
@quick
def test_the_same_events_give_the_same_stamp(known: list[Known], at: datetime, held: Rules) -> None:
    others = [one for one in known if one.fact.gauge != "force"]
    assert stamp("force", at, known, held) == stamp("force", at, list(known), held)
    without = [one for one in known if one not in others]
    assert stamp("force", at, known, held) == stamp("force", at, without, held), "other gauges do not matter"


@given(histories, moments, all_rules)
@quick
def test_in_tolerance_rests_on_a_pass_that_nothing_has_taken_back(
    known: list[Known], at: datetime, held: Rules
) -> None:
    made = stamp("force", at, known, held)
    if made.state is not IN:
        return
    rests = next(one for one in known if one.id == made.check)
    assert isinstance(rests.fact, Check)
    assert rests.fact.verdict == "pass"
    assert 0 <= (at - rests.fact.t_utc).total_seconds() <= held.check_valid_h * 3600
    later = [one.fact for one in known if one.seq > rests.seq and one.fact.gauge == "force"]
    assert not any(isinstance(fact, Incident) and fact.needs_check for fact in later)
    assert not any(isinstance(fact, Check) and fact.verdict == "fail" for fact in later)


@given(histories, moments, all_rules, st.sampled_from(["heavy", "light"]))
@quick
def test_a_failed_check_is_never_forgotten_by_time(
    known: list[Known], at: datetime, held: Rules, reference: str
) -> None:
    failed = [*known, Known(2 * len(known) + 2, "failed", check("fail", reference=reference))]
    assert stamp("force", at, failed, held).state is CalibrationState.OUT_OF_TOLERANCE


def confirmed(known: list[Known]) -> set[int]:
    places = Confirmed(confirming_spans(known))
    return {seq for seq in range(1, 2 * len(known) + 2, 2) if places.holds(seq, "force", None)}


@given(histories, st.sampled_from(["heavy", "light"]))
@quick
def test_one_more_pass_takes_no_confirmation_back(known: list[Known], reference: str) -> None:
    more = [*known, Known(2 * len(known) + 2, "passed", check(reference=reference))]
    assert confirmed(known) <= confirmed(more)


@given(histories)
@quick
def test_what_was_in_doubt_is_never_confirmed_by_a_later_pass(known: list[Known]) -> None:
    """Whatever a failed check reached back to, later passes leave alone."""
    for index, one in enumerate(known):
        fact = one.fact
        if isinstance(fact, Check) and fact.verdict == "fail" and fact.gauge == "force":
            doubted = {seq for seq in range(1, one.seq, 2) if span_of(one, known).since < seq}
            newly = confirmed(known) - confirmed(known[: index + 1])
            assert newly.isdisjoint(doubted)


@given(histories)
@quick
def test_a_confirmed_reading_has_a_pass_on_either_side_and_no_failure_between(known: list[Known]) -> None:
    own = [
        (one.seq, one.fact.verdict)
        for one in known
        if isinstance(one.fact, Check)
        if one.fact.gauge == "force"
    ]
    for seq in confirmed(known):
        assert any(verdict == "pass" for place, verdict in own if place < seq)
        behind = [verdict for place, verdict in own if place > seq and verdict != "undecided"]
        assert behind[0] == "pass"


@given(histories)
@quick
def test_doubt_reaches_back_to_a_pass_and_no_further(known: list[Known]) -> None:
    for one in known:
        if isinstance(one.fact, Check) and one.fact.verdict == "fail":
            span = span_of(one, known)
            passes = [
                other.seq
                for other in known
                if isinstance(other.fact, Check)
                and other.fact.verdict == "pass"
                and other.fact.gauge == one.fact.gauge
                and other.seq < one.seq
            ]
            assert span.since in (*passes, 0)
            assert bool(span.since) == bool(passes)
