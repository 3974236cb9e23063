from datetime import date, datetime, timedelta, timezone
from math import hypot, sqrt
from pathlib import Path

import pytest

from acquire.bench import Tolerance
from acquire.calibration.checks import Check, CheckPoint
from acquire.calibration.correction import Correction
from acquire.calibration.history import Incident, Known, channel_of
from acquire.calibration.rules import Rules, rules_for
from acquire.calibration.stamp import corrected_stamp, stamp
from acquire.errors import ConfigError
from acquire.model import AppliedCorrection, CalibrationState, Stamp, UncertaintyPart
from tests.bench_tools import BENCH, NOON, after, check, history, make_bench, rules

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
    assert (gloss.at_start_of_day, gloss.before_trial, gloss.after_trial) == (True, False, False)
    assert gloss.after == ("drop", "battery change", "adjustment")


RULES = """
[gauges.force.rules]
every_h = 4.0
at_start_of_day = false
after = ["re-plug"]
after_trial = true
"""


def test_rules_are_a_table_of_the_gauge(tmp_path: Path) -> None:
    text = BENCH.replace("check_valid_h = 8.0", "drift_per_h = 0.02").replace(
        "[gauges.force.certificate]", RULES + "[gauges.force.certificate]"
    )
    force = rules_for(make_bench(tmp_path, text), "force")
    assert (force.check_valid_h, force.at_start_of_day, force.after) == (4.0, False, ("re-plug",))
    assert (force.before_trial, force.after_trial, force.drift_per_h) == (False, True, 0.02)


def test_a_check_cannot_hold_two_lengths_of_time(tmp_path: Path) -> None:
    text = BENCH.replace("[gauges.force.certificate]", RULES + "[gauges.force.certificate]")
    with pytest.raises(ConfigError, match=r"gauges\.force: .*give either check_valid_h or rules\.every_h"):
        make_bench(tmp_path, text)
    with pytest.raises(ConfigError, match=r"gauges\.force\.rules\.after.*'drop'"):
        make_bench(tmp_path, BENCH.replace("check_valid_h = 8.0", 'rules = { after = ["rain"] }'))


def test_a_channel_is_the_text_of_an_angle() -> None:
    assert channel_of({"channel": 60}) == channel_of({"channel": "60"}) == "60"
    assert channel_of({}) is None


def sizes(made: Stamp) -> dict[str, float]:
    return {part.key: part.standard_uncertainty for part in made.parts}


def test_the_uncertainty_is_the_root_sum_of_squares_of_its_parts() -> None:
    held = rules(certificate_standard_uncertainty=0.003, certificate="F-1", drift_per_h=0.02)
    made = stamp("force", after(0.5), history(check()), held)
    # The check's 0.004 without the reference's 0.001; half an hour at 0.02 N an hour, rectangular: GUM 4.3.7.
    assert sizes(made) == pytest.approx(
        {
            "certificate force F-1": 0.003,
            "reference weight-200g": 0.001,
            "check event-1": sqrt(0.004**2 - 0.001**2),
            "deviation event-1": 0.01,
            "drift force event-1 hour 0": 0.01 / sqrt(3),
        }
    )
    assert made.standard_uncertainty == pytest.approx(hypot(*sizes(made).values()), rel=1e-12)
    assert {part.key: part.distribution for part in made.parts}["drift force event-1 hour 0"] == "rectangular"


def test_what_a_check_told_part_by_part_is_told_on() -> None:
    told = (
        UncertaintyPart(source="weight-200g", key="reference weight-200g", standard_uncertainty=0.001),
        UncertaintyPart(
            source="repeatability",
            key="check repeatability",
            standard_uncertainty=0.003,
            degrees_of_freedom=2,
        ),
    )
    made = stamp("force", NOON, history(check().model_copy(update={"parts": told})), rules())
    assert sizes(made) == {
        "reference weight-200g": 0.001,
        "check repeatability event-1": 0.003,
        "deviation event-1": 0.01,
    }
    assert made.parts[1].degrees_of_freedom == 2


def test_two_stamps_under_one_check_share_their_errors_by_key() -> None:
    known = history(check(), check(at=after(2)))
    held = rules(drift_per_h=0.02)
    early, late, later = (
        set(sizes(stamp("force", after(at), known[:n], held))) for at, n in ((0.5, 1), (1.5, 1), (2.5, 2))
    )
    assert early - late == {"drift force event-1 hour 0"}, "drift of different hours is not the same error"
    assert early & later == {"reference weight-200g"}


def test_without_a_check_trials_do_not_share_an_error() -> None:
    one, other = (stamp("force", NOON, [], rules(), trial=trial) for trial in ("larch", "alder"))
    assert set(sizes(one)) == {"unchecked force larch"}
    assert set(sizes(one)).isdisjoint(sizes(other))


def test_drift_at_the_check_is_the_change_since_the_one_before() -> None:
    known = history(
        check(deviation=0.002), check(reference="other", deviation=0.02), check(at=after(1), deviation=0.008)
    )
    assert stamp("force", after(2), known, rules()).drift == pytest.approx(0.006)
    assert stamp("force", NOON, known[:1], rules()).drift is None


def test_drift_since_the_check_is_unknown_until_somebody_says() -> None:
    made = stamp("force", after(1), history(check()), rules())
    assert made.drift_standard_uncertainty is None
    assert made.drift_basis == "not known: its own checks give 0 changes of the 8 needed"
    assert not any(key.startswith("drift") for key in sizes(made))
    said = stamp("force", after(1), history(check()), rules(drift_per_h=0.03))
    assert said.drift_standard_uncertainty == pytest.approx(0.03 / sqrt(3))
    assert stamp("force", NOON, history(check()), rules(drift_per_h=0.03)).drift_standard_uncertainty == 0.0


def hourly(*deviations: float) -> list[Check]:
    return [check(at=after(hour), deviation=size) for hour, size in enumerate(deviations)]


def test_a_gauges_own_checks_tell_how_it_drifts() -> None:
    """Nine hourly checks, each 3 mN up or down; by hand: 3 mN at an hour, sqrt(1/4) and 4 times that."""
    facts = hourly(*([0.0, 0.003] * 4), 0.0)
    held = rules(drift_per_h=1.0)
    after_h = {
        hours: stamp("force", after(8 + hours), history(*facts), held).drift_standard_uncertainty
        for hours in (0.25, 1.0, 4.0)
    }
    assert after_h == pytest.approx({0.25: 0.0015, 1.0: 0.003, 4.0: 0.012})
    made = stamp("force", after(9), history(*facts), held)
    assert made.drift_basis.startswith("from 8 changes between its own checks, 0.003 in 1 h")
    assert made.parts[-1].degrees_of_freedom == 8
    fewer = stamp("force", after(8), history(*facts[1:]), held)
    assert fewer.drift_basis == "at most 1 an hour, as the bench file says"


def test_what_is_no_drift_does_not_count_as_one() -> None:
    facts: list[Check | Incident] = [*hourly(*([0.0, 0.003] * 4), 0.0)]
    dropped = [*facts[:4], incident(3.5), *facts[4:]]
    assert "7 changes" in stamp("force", after(8), history(*dropped), rules()).drift_basis
    weekend = [*facts[:8], check(at=after(7 + 48), deviation=0.02)]
    assert "7 changes" in stamp("force", after(56), history(*weekend), rules()).drift_basis
    other_load = [*facts[:8], check(at=after(8)).model_copy(update={"assigned": 5.0})]
    assert "7 changes" in stamp("force", after(7.5), history(*other_load[:8]), rules()).drift_basis
    assert stamp("force", after(9), history(*other_load), rules()).drift is None


def test_a_rule_can_let_a_check_hold_over_midnight() -> None:
    night = rules(check_valid_h=20, at_start_of_day=False)
    assert stamp("force", after(18), history(check()), night).state is IN
    assert stamp("force", after(21), history(check()), night).state is UNCHECKED
    assert stamp("force", after(18), history(check()), rules(check_valid_h=20)).state is UNCHECKED


def test_a_rule_can_ask_for_a_check_before_each_trial() -> None:
    held = rules(before_trial=True)
    known = [Known(5, "passed", check())]
    assert stamp("force", NOON, known, held, trial_opened=4).state is IN
    made = stamp("force", NOON, known, held, trial_opened=6)
    assert made.state is UNCHECKED
    assert "a check before each trial" in made.reason
    assert stamp("force", NOON, known, rules(), trial_opened=6).state is IN
    assert stamp("force", NOON, known, rules(after_trial=True)).closing_due


def test_a_check_at_several_loads_makes_good_each_of_them() -> None:
    ladder = "weight-100g,weight-200g"
    points = tuple(
        CheckPoint(
            reference=name,
            run=1,
            direction="up",
            assigned=2.0,
            assigned_standard_uncertainty=0.001,
            shown=2.0,
            zero=0.0,
            tolerance=0.03,
            t_us=0,
        )
        for name in ladder.split(",")
    )
    whole = check(at=after(1), reference=ladder).model_copy(update={"points": points})
    assert stamp("force", after(2), history(check("fail"), whole), rules()).state is IN
    failed = check("fail", reference=ladder).model_copy(update={"points": points})
    assert stamp("force", after(2), history(failed, check(at=after(1))), rules()).state is OUT


def correction(*, on: bool = True) -> Correction:
    """Adds 5 mN everywhere from 1 N to 3 N, known to 1 mN."""
    figures = {"from_check": "event-1", "coefficients": (0.005,), "covariance": ((1e-6,),)} if on else {}
    return Correction.model_validate(
        {
            "id": "correction.1",
            "gauge": "force",
            "unit": "N",
            "on": on,
            "lowest": 1.0,
            "highest": 3.0,
            "by": "K.",
            "reason": "as of its last check at several loads",
            "t_utc": NOON,
            **figures,
        }
    )


def test_a_correction_in_use_leaves_less_of_the_deviation() -> None:
    known = history(check(deviation=-0.008))
    made, applied = corrected_stamp("force", NOON, known, [correction()], rules(), value=2.5)
    assert applied is not None
    assert (applied.id, applied.amount) == ("correction.1", 0.005)
    assert applied.standard_uncertainty == pytest.approx(0.001)
    assert sizes(made)["deviation event-1"] == pytest.approx(0.003)
    assert "deviation that the correction leaves" in made.parts[-1].source


@pytest.mark.parametrize(
    ("deviation", "guard", "state", "said"),
    [
        (-0.02, 0.0, IN, "passed against"),
        (-0.025, 1.0, UNCHECKED, "that would have been -0.025 ± 0.008 N, tolerance 0.03 N"),
        (-0.05, 1.0, OUT, "is used without a correction and not as it was at its last check"),
    ],
)
def test_a_check_must_hold_for_the_gauge_as_it_is_used_now(
    deviation: float, guard: float, state: CalibrationState, said: str
) -> None:
    """By hand: without a correction the deviation is ±0.008 N known, against 0.03 N, less U as guard band."""
    used = AppliedCorrection(id="correction.1", amount=0.05, standard_uncertainty=0.0)
    passed = check(deviation=deviation).model_copy(update={"correction": used, "guard": guard})
    switched_off = [correction(), correction(on=False)]
    made, _ = corrected_stamp("force", NOON, history(passed), switched_off, rules(), value=2.5)
    assert made.state is state
    assert said in made.reason
    still_on, _ = corrected_stamp("force", NOON, history(passed), [correction()], rules(), value=2.5)
    assert still_on.state is IN
    # Beyond the range of the fit a reading is not corrected either.
    beyond, _ = corrected_stamp("force", NOON, history(passed), [correction()], rules(), value=9.0)
    assert beyond.state is state


def test_a_correction_that_does_not_reach_a_value_is_not_used_and_that_is_said() -> None:
    known = history(check(deviation=-0.008))
    made, applied = corrected_stamp("force", NOON, known, [correction()], rules(), value=9.0)
    assert applied is None
    assert "where the correction of force was fitted: nothing is added" in made.reason
    assert sizes(made)["deviation event-1"] == 0.008
    switched_off = [correction(), correction(on=False)]
    made, applied = corrected_stamp("force", NOON, known, switched_off, rules(), value=2.5)
    assert applied is None
    assert made == stamp("force", NOON, known, rules(), value=2.5)
