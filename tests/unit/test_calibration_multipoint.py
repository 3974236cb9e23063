"""A force gauge at several loads: its figures worked out by hand."""

from collections.abc import Callable
from math import hypot, sqrt
from typing import Literal

import pytest

from acquire.bench import Decision, Tolerance
from acquire.calibration.checks import Check, CheckPoint
from acquire.calibration.multipoint import evaluate_ladder, ladder, merged
from acquire.calibration.references import Assigned
from acquire.errors import ConfigError
from tests.bench_tools import NOON

Direction = Literal["up", "down"]
Shows = Callable[[float, Direction, int], float]


def load(name: str, value_n: float) -> Assigned:
    return Assigned(name, value_n, "N", 0.001, f"certificate of {name}", None, "invented")


WIDE = Tolerance(absolute=0.05)
LOADS = [load("small", 1.0), load("middle", 2.0), load("large", 5.0)]


def measure(
    shows: Shows,
    *,
    zeros: tuple[float, ...] = (0.0, 0.0, 0.0),
    tolerance: Tolerance = WIDE,
    resolution: float = 0.001,
) -> Check:
    steps: list[tuple[Assigned, Direction]] = [(one, "up") for one in LOADS]
    steps += [(one, "down") for one in reversed(LOADS[:-1])]
    points = [
        CheckPoint(
            reference=one.reference,
            run=run,
            direction=direction,
            assigned=one.value,
            assigned_standard_uncertainty=one.standard_uncertainty,
            shown=shows(one.value, direction, run),
            zero=0.0,
            tolerance=tolerance.at(one.value),
            t_us=0,
        )
        for run in (1, 2)
        for one, direction in steps
    ]
    return evaluate_ladder(
        "force",
        LOADS,
        points,
        zeros,
        resolution=resolution,
        t_utc=NOON,
        decision=Decision(),
    )


def traits(check: Check) -> dict[str, float]:
    return {trait.name: trait.value for trait in check.traits}


def test_a_perfect_gauge_passes_with_nothing_to_show() -> None:
    check = measure(lambda load_n, direction, run: load_n)
    assert check.verdict == "pass"
    assert traits(check) == {"linearity": 0.0, "hysteresis": 0.0, "repeatability": 0.0, "return to zero": 0.0}
    assert (check.reference, check.references) == ("small, middle, large", ("small", "middle", "large"))
    assert check.certificate == "certificate of small, certificate of middle, certificate of large"
    assert len(check.points) == 10


def test_the_main_figures_are_those_of_the_worst_load() -> None:
    """A gauge that shows 0.4 % too much is 0.020 N off at 5 N, and less elsewhere."""
    check = measure(lambda load_n, direction, run: 1.004 * load_n)
    assert (check.at_reference, check.worst_reference) == ("large", "large")
    assert check.assigned == 5.0
    assert check.deviation == pytest.approx(0.020)
    assert check.mean == pytest.approx(5.02)
    assert check.readings == pytest.approx((5.02, 5.02))
    assert check.verdict == "pass"
    assert traits(check)["linearity"] == pytest.approx(0.0, abs=1e-12)
    assert check.reason.startswith("worst at large going up: deviation +0.02 ± ")


def test_against_a_relative_tolerance_another_load_may_be_the_worst() -> None:
    """0.01 N off everywhere: at 1 N that is a whole per cent."""
    check = measure(
        lambda load_n, direction, run: load_n + 0.01, tolerance=Tolerance(relative=0.008), resolution=0.0001
    )
    assert (check.at_reference, check.verdict) == ("small", "fail")
    assert check.tolerance == pytest.approx(0.008)


def test_hysteresis_is_down_less_up() -> None:
    check = measure(lambda load_n, direction, run: load_n + (0.02 if direction == "down" else 0.0))
    assert traits(check)["hysteresis"] == pytest.approx(0.02)
    assert "hysteresis +0.02 N" in check.reason


def test_linearity_is_the_distance_from_the_terminal_line() -> None:
    """0.5 % too much at the top, right at 1 and 2 N: the line through zero and the top passes them by 5 and
    10 mN."""
    check = measure(lambda load_n, direction, run: load_n if load_n < 5 else 5.025)
    assert traits(check)["linearity"] == pytest.approx(-0.010)


def test_repeatability_is_the_largest_difference_between_runs() -> None:
    check = measure(lambda load_n, direction, run: load_n + (0.004 * run if load_n == 2.0 else 0.0))
    assert traits(check)["repeatability"] == pytest.approx(0.004)


def test_scatter_is_pooled_over_the_loads() -> None:
    """Runs 4 mN apart at each of five loads: sd 4/sqrt(2) mN with 5 degrees of freedom, two in a mean."""
    check = measure(lambda load_n, direction, run: load_n + 0.004 * run)
    (part,) = [part for part in check.parts if part.source == "repeatability"]
    assert part.standard_uncertainty == pytest.approx(0.004 / sqrt(2) / sqrt(2))
    assert part.degrees_of_freedom == 5
    expected = hypot(0.001, 0.002, 0.001 * sqrt(2) / sqrt(12))
    assert check.standard_uncertainty == pytest.approx(expected)


def test_a_gauge_that_does_not_return_to_zero_fails_though_its_loads_are_right() -> None:
    check = measure(lambda load_n, direction, run: load_n, zeros=(0.0, 0.0, 0.06))
    assert abs(check.deviation) < 1e-12
    assert check.verdict == "fail"
    assert "beyond tolerance: return to zero" in check.reason
    assert [trait.name for trait in check.traits if not trait.within] == ["return to zero"]


def test_loads_are_put_in_order_and_must_be_told_apart() -> None:
    assert [one.reference for one in ladder([LOADS[2], LOADS[0], LOADS[1]])] == ["small", "middle", "large"]
    with pytest.raises(ConfigError, match="middle and other cannot be told apart on the hook"):
        ladder([*LOADS, load("other", 2.1)])
    with pytest.raises(ConfigError, match="only a force gauge"):
        ladder([LOADS[0], Assigned("tile", 93.0, "GU", 0.2, "", None, "", "60")])


def test_all_loads_of_a_ladder_have_one_name_and_the_first_due_date() -> None:
    whole = merged(LOADS)
    assert (whole.reference, whole.value, whole.due) == ("small, middle, large", 5.0, None)


def test_one_run_is_not_enough() -> None:
    with pytest.raises(ValueError, match="two runs"):
        evaluate_ladder(
            "force",
            LOADS,
            measure(lambda load_n, direction, run: load_n).points[:5],
            (0.0, 0.0),
            resolution=0.001,
            t_utc=NOON,
        )
