from datetime import date, datetime, timedelta, timezone
from math import hypot, sqrt
from pathlib import Path

import pytest

from acquire.bench import Tolerance
from acquire.calibration.checks import Check
from acquire.calibration.brackets import doubtful_readings
from acquire.calibration.stamp import Incident, Known, Rules, channel_of, rules_for, stamp
from acquire.model import CalibrationState, RawRef, Reading, Stamp
from tests.bench_tools import NOON, STEP, after, check, history, make_bench, rules

IN, UNCHECKED, OVERDUE, OUT = (
    CalibrationState.IN_TOLERANCE,
    CalibrationState.UNCHECKED,
    CalibrationState.OVERDUE,
    CalibrationState.OUT_OF_TOLERANCE,
)
MS = timedelta(milliseconds=1)
TODAY, YESTERDAY = NOON.date(), NOON.date() - timedelta(days=1)


def incident(hours: float, *, needs_check: bool = True, gauge: str = "force") -> Incident:
    return Incident(gauge=gauge, t_utc=after(hours), what="dropped", needs_check=needs_check)


# What the journal knows, the moment of the reading, the rules, the state, and a word of the reason.
TABLE: dict[str, tuple[list[Check | Incident], datetime, Rules, CalibrationState, str]] = {
    "never checked": ([], NOON, rules(), UNCHECKED, "no check has passed"),
    "just checked": ([check()], NOON, rules(), IN, "passed against weight-200g at 2031-05-04 12:00"),
    "validity, last moment": ([check()], after(8), rules(), IN, "passed"),
    "validity, just over": ([check()], after(8) + MS, rules(), UNCHECKED, "a check holds 8 h"),
    "day, last moment": ([check()], after(12) - MS, rules(check_valid_h=24), IN, "passed"),
    "day, midnight": ([check()], after(12), rules(check_valid_h=24), UNCHECKED, "not on this day"),
    "bench's midnight comes earlier": (
        [check()],
        after(3),
        rules(zone=timezone(timedelta(hours=9))),
        UNCHECKED,
        "last passed at 2031-05-04 21:00, not on this day",
    ),
    "bench's midnight comes later": (
        [check(at=after(11))],
        after(13),
        rules(zone=timezone(timedelta(hours=-9))),
        IN,
        "passed",
    ),
    "failed": ([check("fail")], NOON, rules(), OUT, "failed against weight-200g"),
    "failed after a pass": ([check(), check("fail", at=after(1))], after(2), rules(), OUT, "failed"),
    "failed, then passed": ([check("fail"), check(at=after(1))], after(2), rules(), IN, "13:00"),
    "failed, passed on another reference": (
        [check("fail"), check(at=after(1), reference="weight-500g")],
        after(2),
        rules(),
        OUT,
        "failed against weight-200g",
    ),
    "failed long ago": ([check("fail")], after(1000), rules(), OUT, "failed"),
    "failed, clock then set back": ([check("fail", at=after(5))], NOON, rules(), OUT, "failed"),
    "passed, clock then set back": ([check(at=after(5))], NOON, rules(), UNCHECKED, "no check has passed"),
    "undecided only": ([check("undecided")], NOON, rules(), UNCHECKED, "no check has passed"),
    "undecided after a pass": ([check(), check("undecided", at=after(1))], after(2), rules(), IN, "12:00"),
    "undecided after a failure": ([check("fail"), check("undecided")], after(1), rules(), OUT, "failed"),
    "another gauge's pass": ([check(gauge="other")], NOON, rules(), UNCHECKED, "no check has passed"),
    "another gauge's failure": ([check(), check("fail", gauge="other")], NOON, rules(), IN, "passed"),
    "certificate's last day": ([check()], after(1), rules(certificate_due=TODAY), IN, "passed"),
    "certificate's day after": (
        [check()],
        after(1),
        rules(certificate_due=YESTERDAY),
        OVERDUE,
        "certificate was due on 2031-05-03",
    ),
    "reference's last day": ([check(reference_due=TODAY)], after(1), rules(), IN, "passed"),
    "reference's day after": (
        [check(reference_due=YESTERDAY)],
        after(1),
        rules(),
        OVERDUE,
        "reference weight-200g was due on 2031-05-03",
    ),
    "overdue and unchecked": ([], NOON, rules(certificate_due=YESTERDAY), OVERDUE, "no check has passed"),
    "overdue and failed": (
        [check("fail")],
        NOON,
        rules(certificate_due=YESTERDAY),
        OUT,
        "certificate was due on 2031-05-03",
    ),
    "dropped after its check": ([check(), incident(1)], after(2), rules(), UNCHECKED, "was dropped at"),
    "dropped, then checked": ([incident(-1), check()], after(1), rules(), IN, "passed"),
    "harmless incident": ([check(), incident(1, needs_check=False)], after(2), rules(), IN, "passed"),
    "another gauge dropped": ([check(), incident(1, gauge="other")], after(2), rules(), IN, "passed"),
}


@pytest.mark.parametrize("case", TABLE)
def test_states(case: str) -> None:
    facts, at, held, state, word = TABLE[case]
    made = stamp("force", at, history(*facts), held)
    assert made.state is state
    assert word in made.reason


def test_a_gloss_check_speaks_for_its_angle_only() -> None:
    known = history(check(gauge="gloss", channel="60", unit="GU"))
    assert stamp("gloss", NOON, known, rules(), channel="60").state is IN
    assert stamp("gloss", NOON, known, rules(), channel="20").state is UNCHECKED
    assert stamp("gloss", NOON, known, rules()).state is UNCHECKED


def test_a_stamp_names_what_it_rests_on() -> None:
    known = history(check(at=after(-3), reference="old"), check())
    made = stamp("force", after(0.5), known, rules())
    assert (made.check, made.reference, made.checked_utc, made.age_s) == (
        "event-2",
        "weight-200g",
        NOON,
        1800.0,
    )
    assert made.deviation == 0.01
    failed = stamp("force", after(0.5), history(check(), check("fail")), rules())
    assert (failed.check, failed.deviation) == ("event-2", 0.05)


def test_its_uncertainty_holds_certificate_check_and_uncorrected_deviation() -> None:
    held = rules(certificate_standard_uncertainty=0.003)
    made = stamp("force", NOON, history(check()), held)
    assert made.standard_uncertainty == pytest.approx(hypot(0.003, 0.004, 0.01), rel=1e-12)


def test_without_a_valid_check_the_tolerance_stands_in() -> None:
    """Rectangular within ± tolerance: a/sqrt(3), GUM 4.3.7."""
    never = stamp("force", NOON, [], rules(certificate_standard_uncertainty=0.003))
    assert never.standard_uncertainty == pytest.approx(hypot(0.003, 0.03 / sqrt(3)), rel=1e-12)
    stale = stamp("force", after(9), history(check()), rules())
    assert stale.standard_uncertainty == pytest.approx(hypot(0.004, 0.01, 0.03 / sqrt(3)), rel=1e-12)
    relative = stamp("force", NOON, [], rules(tolerance=Tolerance(relative=0.02)), value=-5.0)
    assert relative.standard_uncertainty == pytest.approx(0.1 / sqrt(3), rel=1e-12)


def test_it_says_at_which_value_its_uncertainty_was_found() -> None:
    assert stamp("force", NOON, history(check()), rules(), value=0.5).at_value == 2.0
    assert stamp("force", NOON, [], rules(), value=0.5).at_value is None
    # Stale: all parts hold at the checked value, the relative tolerance too (2 % of 2 N, not of 0.5 N).
    held = rules(tolerance=Tolerance(relative=0.02))
    stale = stamp("force", after(9), history(check()), held, value=0.5)
    assert stale.at_value == 2.0
    assert stale.standard_uncertainty == pytest.approx(hypot(0.004, 0.01, 0.04 / sqrt(3)), rel=1e-12)


def test_a_bench_gives_its_gauges_rules(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    force = rules_for(bench, "force")
    assert (force.check_valid_h, force.certificate_due) == (8.0, date(2031, 12, 31))
    assert force.certificate_standard_uncertainty == 0.01
    gloss = rules_for(bench, "gloss")
    assert (gloss.certificate_due, gloss.certificate_standard_uncertainty) == (None, 0.0)


def test_a_channel_is_the_text_of_an_angle() -> None:
    assert channel_of({"channel": 60}) == channel_of({"channel": "60"}) == "60"
    assert channel_of({}) is None


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
