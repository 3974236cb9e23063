"""Checks of a gauge, from bytes to verdict."""

from datetime import timedelta
from pathlib import Path

import pytest

from acquire.calibration.checks import AbortedCheck, Check
from acquire.errors import ConfigError
from acquire.model import CalibrationState
from simulators.speech import ForceState, Shown, force_poll_gf, gloss_key, wash_stroke
from tests.rig import BENCH_MORE, WEIGHT_N, Rig, SteppedClock, gloss, lay_out, rig


def check_of(bench: Rig) -> Check:
    (event,) = bench.service.journal.events("check")
    return Check.model_validate(event.body)


def weigh(bench: Rig, *weights_n: float, zero_n: float = 0.0) -> None:
    """Hangs weights, each after an empty hook, and empties it at last."""
    for weight_n in weights_n:
        bench.hang(zero_n)
        bench.hang(weight_n)
    bench.hang(zero_n)


def test_a_weight_is_taken_three_times_each_from_its_own_zero(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g")
        weigh(bench, WEIGHT_N, WEIGHT_N, WEIGHT_N)
        assert task.done
        check = check_of(bench)
        assert check.verdict == "pass"
        assert check.zero == (0.0, 0.0, 0.0)
        assert check.readings == pytest.approx([1.96] * 3, abs=0.005)
        assert len(check.raw) == 3
        assert bench.told("waiting") == [
            "leave the hook empty until the zero is taken",
            "zero +0 N taken: hang weight-200g",
            "1 of 3 on weight-200g: 1.96 N",
            "take it off again",
            "zero +0 N taken: hang weight-200g",
            "2 of 3 on weight-200g: 1.96 N",
            "take it off again",
            "zero +0 N taken: hang weight-200g",
            "3 of 3 on weight-200g: 1.96 N",
            "take it off, for the last zero",
        ]
        assert check.zero_after == (0.0,)
        assert check.zero_drift == 0.0
        assert bench.told("check") == [f"pass: {check.reason}"]


def test_a_zero_that_drifts_is_not_taken_for_the_gauge_being_wrong(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("force", "weight-200g")
        for drift_n in (0.0, 0.02, 0.04):
            bench.hang(drift_n)
            bench.hang(1.97 + drift_n)
        bench.hang(0.06)
        check = check_of(bench)
        assert check.zero == pytest.approx((0.0, 0.02, 0.04))
        assert check.zero_drift == pytest.approx(0.06)
        assert check.mean == pytest.approx(1.96)
        assert abs(check.deviation) < 0.01


def test_a_weight_that_hangs_already_must_come_off_for_the_zero(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("force", "weight-200g", repeats=1)
        bench.hang(WEIGHT_N)
        assert bench.told("waiting")[-1].startswith(
            "1.96 N hang on the hook: take it off first, for the zero; "
        )
        weigh(bench, WEIGHT_N)
        assert check_of(bench).verdict == "pass"


def test_a_weight_hung_twice_without_a_zero_between_counts_once(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=2)
        weigh(bench, WEIGHT_N)
        bench.hang(0.0, 0.3)  # not long enough to settle
        bench.hang(WEIGHT_N)
        assert not task.done
        weigh(bench, WEIGHT_N)
        assert len(check_of(bench).readings) == 2


def test_a_swinging_weight_is_waited_for(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=1)
        bench.hang(0.0)
        for _ in range(8):
            bench.hang(WEIGHT_N + 0.2, 0.3)
            bench.hang(WEIGHT_N - 0.2, 0.3)
        assert not task.done
        bench.hang(WEIGHT_N)
        bench.hang(0.0)
        assert check_of(bench).verdict == "pass"


def test_a_light_weight_is_told_and_the_right_one_then_taken(tmp_path: Path) -> None:
    """A fifth of the load, as 100 g are of 500 g: settled, well seen, and not what should hang there."""
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=1)
        bench.hang(0.0)
        bench.hang(0.39)
        assert bench.told("waiting")[-1] == (
            "0.39 N hang on the hook, weight-200g should give 1.96 N: hang weight-200g"
        )
        assert not task.done
        weigh(bench, WEIGHT_N)
        assert check_of(bench).verdict == "pass"


def test_a_weight_that_hangs_at_the_start_is_not_taken_for_the_zero(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("force", "weight-200g", repeats=1)
        bench.hang(0.39)
        assert bench.told("waiting")[-1].startswith(
            "0.39 N hang on the hook: take it off first, for the zero; "
        )


def test_a_zero_that_jumped_is_taken_and_remarked_upon(tmp_path: Path) -> None:
    """A fifth of the weight left after it was taken off is no lighter weight: nobody hung one."""
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=1)
        for force_n in (0.0, WEIGHT_N, 0.4):
            bench.hang(force_n)
        assert task.done
        check = check_of(bench)
        assert check.zero_drift == pytest.approx(0.4)
        assert check.verdict == "fail"
        assert check.remarks[0].startswith("the zero moved by more than the tolerance")
        assert "; the zero moved by +0.4 N" in bench.told("check")[0]


def test_care_of_a_reference_is_told_before_it_is_touched(tmp_path: Path) -> None:
    lay_out(tmp_path, BENCH_MORE.replace("{ 60 = 93.0 }", '{ 60 = 93.0 }\ncare = "dry cloth only"'))
    with rig(tmp_path) as bench:
        bench.service.check("gloss", "tile")
        assert bench.told("waiting")[0] == "care of tile: dry cloth only"


def test_a_port_lost_before_the_last_zero_ends_the_check_without_it(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=1)
        bench.hang(0.0)
        bench.hang(WEIGHT_N)
        assert not task.done
        bench.lose("force")
        assert task.done
        assert check_of(bench).zero_after == ()


def test_a_lost_port_throws_away_the_zero_and_nothing_settled_spans_it(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=1)
        bench.hang(0.0)
        bench.hang(WEIGHT_N, 0.7)
        bench.lose("force")
        bench.open("force")
        bench.hang(WEIGHT_N, 0.7)
        assert not task.done
        assert "the zero is taken anew" in bench.told("waiting")[-1]
        weigh(bench, WEIGHT_N)
        check = check_of(bench)
        assert len(check.zero) == len(check.readings) == 1
        assert check.raw[0].opening == 1


def test_too_few_and_too_scattered_values_decide_nothing(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("force", "weight-200g", repeats=2)
        weigh(bench, 1.94, 1.98)
        assert check_of(bench).verdict == "undecided"


def test_a_failed_check_puts_earlier_readings_in_doubt_and_says_so_once(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("gloss", "tile")
        bench.press(93.0, 93.1, 93.0)
        bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.2)
        bench.service.check("gloss", "tile")
        bench.press(95.0, 95.1, 95.0)
        assert [reading.stamp.state for reading in bench.readings] == [CalibrationState.DOUBTFUL] * 2
        (told,) = bench.told("amended")
        assert told.startswith("2 earlier readings are doubtful now (")
        assert "failed against tile" in told
        assert bench.told("check")[-1].startswith("fail: ")


@pytest.mark.parametrize(
    ("gauge", "reference", "named"),
    [
        ("force", "tile", "no reference for a gauge of force"),
        ("gloss", "weight-200g", "no reference for a gauge of gloss"),
        ("wash", "weight-200g", "no reference for a gauge of count"),
        ("force", "weight-20g", "no reference 'weight-20g'"),
        ("forse", "weight-200g", "no gauge 'forse'"),
    ],
)
def test_what_does_not_fit_is_refused(tmp_path: Path, gauge: str, reference: str, named: str) -> None:
    with rig(tmp_path) as bench, pytest.raises(ConfigError, match=named):
        bench.service.check(gauge, reference)


def test_an_angle_the_tile_has_no_value_for_is_refused(tmp_path: Path) -> None:
    with rig(tmp_path) as bench, pytest.raises(ConfigError, match="angle 20; it has 60"):
        bench.service.check("gloss", "tile", channel="20")


def test_of_several_angles_one_must_be_named(tmp_path: Path) -> None:
    lay_out(tmp_path, BENCH_MORE.replace("{ 60 = 93.0 }", "{ 20 = 88.0, 60 = 93.0 }"))
    with rig(tmp_path) as bench, pytest.raises(ConfigError, match="several angles: 20, 60") as refused:
        bench.service.check("gloss", "tile")
    assert refused.value.hint == "say which one is checked, such as --angle 20"


def test_a_tile_that_does_not_go_with_its_glass_is_told_and_still_checked(tmp_path: Path) -> None:
    lay_out(tmp_path, BENCH_MORE.replace("{ 60 = 93.0 }", "{ 60 = 93.0 }\nrefractive_index = 1.567"))
    with rig(tmp_path) as bench:
        bench.service.check("gloss", "tile")
        assert bench.told("waiting")[0].startswith("tile tile: polished glass of index 1.567 has 100.0 GU")
        bench.press(93.0, 93.1, 93.0)
        check = check_of(bench)
        assert (check.verdict, len(check.remarks)) == ("pass", 1)
        assert "(tile tile: polished glass" in bench.told("check")[0]


def test_a_tile_measured_at_another_angle_is_told_and_not_taken(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("gloss", "tile", repeats=2)
        bench.press(93.0)
        bench.press(88.0, angle=20)
        assert not task.done
        bench.press(93.1)
        assert check_of(bench).readings == (93.0, 93.1)
        assert bench.told("refused") == ["measured at 20°, the check is at 60°"]
        assert bench.refusals == []


def test_a_line_that_came_twice_during_a_check_is_kept_as_refused(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("gloss", "tile", repeats=2)
        bench.say("gloss", [gloss_key(60, 93.0)] * 2, every_s=0.05)
        (refusal,) = bench.refusals
        assert (refusal.trial, refusal.step) == (None, None)
        assert bench.told("refused") == ["; ".join(refusal.reasons)]


def test_strokes_are_taken_once_the_machine_stands(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("wash", "strokes-10", repeats=2)
        bench.strokes(1, 10)
        bench.wait(5.0)
        assert not task.done
        bench.wait(2.0)
        assert bench.told("waiting")[-1] == "make exactly 10 strokes, counted by hand, then stop the machine"
        bench.strokes(11, 20)
        bench.wait(7.0)
        check = check_of(bench)
        assert (check.readings, check.verdict) == ((10.0, 10.0), "pass")


def test_a_counter_that_misses_strokes_fails(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("wash", "strokes-10", repeats=1)
        bench.strokes(1, 9)
        bench.wait(7.0)
        assert check_of(bench).verdict == "fail"


def test_a_counter_lost_in_between_is_counted_anew(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("wash", "strokes-10", repeats=1)
        bench.strokes(1, 6)
        bench.lose("wash")
        bench.wait(10.0)
        assert not task.done
        assert "what it had counted is left out" in bench.told("waiting")[-2]
        bench.open("wash")
        bench.strokes(7, 16)
        bench.wait(7.0)
        assert check_of(bench).readings == (10.0,)


def test_strokes_that_cannot_be_are_refused_in_a_check_too(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("wash", "strokes-10", repeats=1)
        bench.say("wash", [wash_stroke(1), wash_stroke(800)], every_s=1.7)
        assert len(bench.refusals) == 1
        assert "not believed" in bench.told("refused")[0]


def test_a_gauge_of_coarse_steps_sees_a_light_weight_hung_and_taken_off(tmp_path: Path) -> None:
    """Ten gram-force steps: four of them, what a still gauge may flicker, are a fifth of the weight."""
    lay_out(
        tmp_path,
        BENCH_MORE.replace('description = "force-stream-n"', 'description = "force-poll-gf"').replace(
            "absolute = 0.03", "absolute = 0.2"
        ),
    )
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g", repeats=2)
        for force_n in (0.0, WEIGHT_N, 0.0, WEIGHT_N, 0.0):
            line = force_poll_gf(Shown(force_n), ForceState())
            bench.say("force", [line] * 15, every_s=0.1)
        assert task.done
        assert check_of(bench).readings == pytest.approx([1.961, 1.961], abs=0.001)


def test_a_check_is_dated_as_its_readings_are_though_the_calendar_was_set(tmp_path: Path) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        trial = bench.trial()
        clock.ahead_s = 45.0
        bench.pump()
        bench.service.check("gloss", "tile")
        bench.press(93.0, 93.0, 93.1)
        check = check_of(bench)
        bench.service.measure(trial, gloss())
        bench.press(90.0)
        assert check.t_utc == bench.readings[0].t_utc - timedelta(seconds=2.0)
        assert bench.readings[0].stamp.state is CalibrationState.IN_TOLERANCE


@pytest.mark.parametrize("ended", ["rest", "another task", "the service"])
def test_a_check_that_is_given_up_leaves_what_it_measured(tmp_path: Path, ended: str) -> None:
    bench = Rig(lay_out(tmp_path), SteppedClock())
    task = bench.service.check("gloss", "tile")
    bench.press(80.0, 80.1)
    if ended == "rest":
        bench.service.rest(task)
    elif ended == "another task":
        bench.service.measure(bench.trial(), gloss())
    bench.end(KeyboardInterrupt())
    with bench.home.journal(readonly=True) as journal:
        (event,) = journal.events("check aborted")
        assert list(journal.events("check")) == []
    aborted = AbortedCheck.model_validate(event.body)
    assert (aborted.gauge, aborted.reference, aborted.channel) == ("gloss", "tile", "60")
    assert (aborted.readings, aborted.wanted_n, aborted.assigned) == ((80.0, 80.1), 3, 93.0)
    assert [raw.ordinal for raw in aborted.raw] == [0, 1]
    assert "given up after 2 of 3" in bench.told("waiting")[-1] or ended == "another task"


def test_a_check_that_measured_nothing_leaves_nothing(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.rest(bench.service.check("gloss", "tile"))
        task = bench.service.check("gloss", "tile", repeats=1)
        bench.press(93.0)
        bench.service.rest(task)
        assert list(bench.service.journal.events("check aborted")) == []


def test_a_zero_alone_is_written_down_too(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("force", "weight-200g")
        bench.hang(0.0)
        bench.service.rest(task)
        (event,) = bench.service.journal.events("check aborted")
        assert (event.body["zero"], event.body["readings"]) == ([0.0], [])
