"""A force gauge checked up and down several weights, from bytes to verdict."""

from pathlib import Path

import pytest

from acquire.calibration.checks import AbortedCheck, Check
from acquire.errors import ConfigError
from tests.rig import BENCH_MORE, Rig, lay_out, rig

MORE_WEIGHTS = "".join(
    f"""
[references.weight-{mass_g}g]
kind = "weight"
mass_g = {mass_g}.0
expanded_uncertainty = 0.01
certificate = "W-{mass_g} (invented)"
due = 2031-12-31
"""
    for mass_g in (100, 500)
)
N_PER_G = 0.0098108
"""What a gram shows on this bench."""
THREE = ["weight-500g", "weight-100g", "weight-200g"]
RUN_G = (100, 200, 500, 200, 100)


def climb(bench: Rig, *, gain: float = 1.0, zero_n: float = 0.0) -> None:
    """One run up and down, and the empty hook after it."""
    for mass_g in RUN_G:
        bench.hang(zero_n + gain * mass_g * N_PER_G)
    bench.hang(zero_n)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    lay_out(tmp_path, BENCH_MORE + MORE_WEIGHTS)
    return tmp_path


def check_of(bench: Rig) -> Check:
    (event,) = bench.service.journal.events("check")
    return Check.model_validate(event.body)


def test_weights_are_hung_up_and_down_as_told(folder: Path) -> None:
    with rig(folder) as bench:
        task = bench.service.check("force", THREE, runs=2)
        bench.hang(0.0)
        climb(bench)
        assert bench.told("waiting") == [
            "leave the hook empty until the zero is taken",
            "zero +0 N taken; up: hang weight-100g",
            "1 of 10 on weight-100g: 0.98 N",
            "up: hang weight-200g",
            "2 of 10 on weight-200g: 1.96 N",
            "up: hang weight-500g",
            "3 of 10 on weight-500g: 4.91 N",
            "down: hang weight-200g",
            "4 of 10 on weight-200g: 1.96 N",
            "down: hang weight-100g",
            "5 of 10 on weight-100g: 0.98 N",
            "take everything off, for the zero after the run",
            "zero +0 N taken; up: hang weight-100g",
        ]
        assert not task.done
        climb(bench)
        assert task.done
        check = check_of(bench)
        assert check.verdict == "pass"
        assert check.references == ("weight-100g", "weight-200g", "weight-500g")
        assert [(point.run, point.direction) for point in check.points[4:7]] == [
            (1, "down"),
            (2, "up"),
            (2, "up"),
        ]
        assert len(check.zero) == 3
        assert len(check.raw) == 10
        assert len({(raw.first_byte, raw.last_byte) for raw in check.raw}) == 10


def test_the_hook_may_be_empty_while_weights_are_changed(folder: Path) -> None:
    with rig(folder) as bench:
        task = bench.service.check("force", THREE)
        bench.hang(0.0)
        for _ in range(2):
            for mass_g in RUN_G:
                bench.hang(mass_g * N_PER_G)
                bench.hang(0.0)
        assert task.done
        assert len(check_of(bench).zero) == 3


def test_the_wrong_weight_is_told_and_waited_out(folder: Path) -> None:
    with rig(folder) as bench:
        bench.service.check("force", THREE)
        bench.hang(0.0)
        bench.hang(500 * N_PER_G)
        said = "4.91 N hang on the hook, weight-100g should give 0.981 N: hang weight-100g"
        assert bench.told("waiting")[-1] == said
        bench.hang(0.0)
        climb(bench)
        climb(bench)
        assert check_of(bench).verdict == "pass"


def test_a_gauge_wrong_by_a_hundredth_is_seen_at_the_largest_load(folder: Path) -> None:
    with rig(folder) as bench:
        bench.service.check("force", THREE)
        bench.hang(0.0)
        for _ in range(2):
            climb(bench, gain=1.01)
        check = check_of(bench)
        assert (check.verdict, check.at_reference) == ("fail", "weight-500g")
        assert check.deviation == pytest.approx(0.049, abs=0.006)


def test_a_zero_that_drifts_is_taken_off_in_proportion_to_time(folder: Path) -> None:
    """0.02 N from the first zero to the last: half of it lies between the first and the second."""
    with rig(folder) as bench:
        bench.service.check("force", THREE)
        bench.hang(0.0)
        climb(bench, zero_n=0.01)
        climb(bench, zero_n=0.02)
        check = check_of(bench)
        assert check.zero == pytest.approx((0.0, 0.01, 0.02))
        assert check.zero_drift == pytest.approx(0.02)
        first, last = check.points[0], check.points[4]
        assert 0.0 < first.zero < last.zero < 0.01


def test_a_gauge_that_does_not_come_back_to_zero_fails(folder: Path) -> None:
    """0.3 N are left on an empty hook: a third of the smallest weight, and no weight of the bench."""
    with rig(folder) as bench:
        task = bench.service.check("force", THREE)
        bench.hang(0.0)
        climb(bench)
        for mass_g in RUN_G:
            bench.hang(mass_g * N_PER_G)
        bench.hang(0.3)
        assert task.done
        check = check_of(bench)
        assert check.verdict == "fail"
        (back,) = [trait for trait in check.traits if trait.name == "return to zero"]
        assert back.value == pytest.approx(0.3)


def test_a_lost_port_begins_the_check_anew_and_keeps_what_was_measured(folder: Path) -> None:
    with rig(folder) as bench:
        task = bench.service.check("force", THREE)
        bench.hang(0.0)
        climb(bench)
        bench.lose("force")
        bench.open("force")
        bench.hang(0.0)
        climb(bench)
        assert not task.done
        climb(bench)
        check = check_of(bench)
        assert len(check.points) == 10
        assert {raw.opening for raw in check.raw} == {1}
        (event,) = bench.service.journal.events("check aborted")
        aborted = AbortedCheck.model_validate(event.body)
        assert (len(aborted.readings), aborted.wanted_n) == (5, 10)


def test_what_hangs_at_the_start_must_come_off(folder: Path) -> None:
    with rig(folder) as bench:
        bench.service.check("force", THREE)
        bench.hang(1.96)
        assert bench.told("waiting")[-1].startswith(
            "1.96 N hang on the hook: take it off first, for the zero; "
        )


def test_weights_that_hang_together_are_a_load_of_their_own(folder: Path) -> None:
    """For a hysteresis without unloading: 100 g, then 200 g beside it."""
    with rig(folder) as bench:
        task = bench.service.check("force", ["weight-100g", "weight-100g+weight-200g"])
        bench.hang(0.0)
        for _ in range(2):
            for mass_g in (100, 300, 100, 0):
                bench.hang(mass_g * N_PER_G)
        assert task.done
        check = check_of(bench)
        assert check.points[1].assigned == pytest.approx(300 * N_PER_G, abs=1e-4)
        assert check.verdict == "pass"


@pytest.mark.parametrize(
    ("references", "named"),
    [
        (["weight-100g", "tile"], "no reference for a gauge of force"),
        (["weight-100g", "weight-300g"], "no reference 'weight-300g'"),
        (["weight-100g+weight-100g"], "cannot hang together"),
        (["tile+weight-100g"], "cannot hang together"),
        ([], "needs a reference"),
    ],
)
def test_what_does_not_fit_is_refused(folder: Path, references: list[str], named: str) -> None:
    with rig(folder) as bench, pytest.raises(ConfigError, match=named):
        bench.service.check("force", references)


def test_a_weight_named_twice_is_one(folder: Path) -> None:
    with rig(folder) as bench:
        bench.service.check("force", ["weight-200g", "weight-200g"], repeats=1)
        for force_n in (0.0, 1.961, 0.0):
            bench.hang(force_n)
        assert check_of(bench).points == ()
