from math import hypot, nan, sqrt

import pytest

from acquire.bench import Decision, Tolerance
from acquire.calibration.checks import Check, evaluate_check
from acquire.calibration.references import Assigned
from acquire.errors import ConfigError
from tests.bench_tools import NOON

WEIGHT = Assigned("weight-200g", 1.96, "N", 0.001, "W-1 (invented)", None, "invented")


def evaluate(
    readings: list[float],
    *,
    zero: tuple[float, ...] = (),
    tolerance: float = 0.03,
    resolution: float = 0.01,
    assigned: Assigned = WEIGHT,
    zero_after: tuple[float, ...] = (),
    guard: float = 1.0,
) -> Check:
    return evaluate_check(
        "force",
        assigned,
        readings,
        unit="N",
        resolution=resolution,
        tolerance=Tolerance(absolute=tolerance),
        t_utc=NOON,
        zero=zero,
        zero_after=zero_after,
        decision=Decision(guard=guard),
    )


def test_a_check_takes_the_zero_off() -> None:
    check = evaluate([2.01, 2.02, 2.01], zero=(0.04, 0.04))
    assert check.mean == pytest.approx(2.01333333 - 0.04)
    assert check.deviation == pytest.approx(0.01333333)
    assert check.verdict == "pass"
    assert check.zero == (0.04, 0.04)


def test_its_uncertainty_holds_reference_repeatability_and_display_steps() -> None:
    """Of zeros that do not pair with the readings, both scatter for themselves."""
    check = evaluate([2.01, 2.02, 2.03], zero=(0.0, 0.02))
    step = 0.01 / sqrt(12)
    expected = hypot(0.001, 0.01 / sqrt(3), 0.02 / sqrt(2) / sqrt(2), step, step)
    assert check.standard_uncertainty == pytest.approx(expected, rel=1e-12)
    assert check.expanded_uncertainty == pytest.approx(check.coverage_factor * expected, rel=1e-12)


@pytest.mark.parametrize(("count", "factor"), [(2, 13.97), (3, 4.53), (5, 2.87), (11, 2.28)])
def test_few_scattered_readings_widen_it(count: int, factor: float) -> None:
    """Student factors of GUM table G.2 at 95.45 %: from memory, recomputed."""
    exact = Assigned("weight-200g", 1.96, "N", 0.0, "", None, "")
    readings = [1.96 + 0.001 * (-1) ** n for n in range(count)]
    check = evaluate(readings, resolution=0.0, assigned=exact)
    assert check.coverage_factor == pytest.approx(factor, abs=0.005)


def test_without_scatter_the_factor_is_two() -> None:
    assert evaluate([1.97]).coverage_factor == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize(
    ("shown", "verdict"), [(1.99, "pass"), (1.93, "pass"), (1.9901, "fail"), (1.9299, "fail"), (1.96, "pass")]
)
def test_by_simple_acceptance_the_tolerance_itself_still_passes(shown: float, verdict: str) -> None:
    assert evaluate([shown], resolution=0.001, guard=0.0).verdict == verdict


def test_a_guard_band_leaves_room_for_the_uncertainty() -> None:
    """The limit is the tolerance less U, to either side; between it and the tolerance nothing is decided."""
    exact = evaluate([1.96], resolution=0.001)
    room = 0.03 - exact.expanded_uncertainty
    assert exact.acceptance_limit == pytest.approx(room)
    for side in (1, -1):
        inside, outside = 1.96 + side * (room - 1e-6), 1.96 + side * (room + 1e-6)
        assert evaluate([inside], resolution=0.001).verdict == "pass"
        assert evaluate([outside], resolution=0.001).verdict == "undecided"
        assert evaluate([1.96 + side * 0.03], resolution=0.001).verdict == "undecided"
        assert evaluate([1.96 + side * 0.0301], resolution=0.001).verdict == "fail"


def test_a_check_says_how_probable_it_is_that_the_gauge_is_right() -> None:
    good, near, out = (evaluate([shown], resolution=0.001) for shown in (1.96, 1.9888, 1.992))
    assert good.reason == (
        "deviation +0 ± 0.0021 N, tolerance 0.03 N (0.0279 N with guard band): "
        "within tolerance with a probability of more than 99.9 %"
    )
    assert "too near the limit to decide, within tolerance with a probability of 87" in near.reason
    assert near.conformity == pytest.approx(0.876, abs=0.001)
    assert out.verdict == "fail"
    assert out.conformity is not None
    assert out.conformity < 0.05


def test_a_zero_that_drifts_cancels_in_pairs() -> None:
    """Zeros of 0, 20, 40 and 60 mN, readings midway between: the gauge is exactly right."""
    check = evaluate([1.97, 1.99, 2.01], zero=(0.0, 0.02, 0.04), zero_after=(0.06,))
    assert check.deviation == pytest.approx(0.0, abs=1e-12)
    assert check.zero_drift == pytest.approx(0.06)
    (repeatability,) = [part for part in check.parts if part.source == "repeatability"]
    assert repeatability.standard_uncertainty == pytest.approx(0.0, abs=1e-12)
    unpaired = evaluate([1.97, 1.99, 2.01], zero=(0.0, 0.06))
    assert unpaired.standard_uncertainty > 5 * check.standard_uncertainty


def test_pairs_scatter_as_their_differences_do() -> None:
    check = evaluate([2.01, 2.02, 2.04], zero=(0.0, 0.02, 0.02))
    step = 0.01 / sqrt(12)
    expected = hypot(0.001, 0.01 / sqrt(3), step, step)  # differences 2.01, 2.00, 2.02
    assert check.standard_uncertainty == pytest.approx(expected, rel=1e-12)
    assert check.standard_uncertainty == pytest.approx(hypot(*(p.standard_uncertainty for p in check.parts)))


def test_an_uncertain_check_decides_nothing_but_a_gross_error_fails() -> None:
    vague = Assigned("weight-200g", 1.96, "N", 0.05, "", None, "")
    assert evaluate([1.97], assigned=vague).verdict == "undecided"
    assert "too large to decide" in evaluate([1.97], assigned=vague).reason
    assert evaluate([2.4], assigned=vague).verdict == "fail"


def test_counting_does_not_round() -> None:
    strokes = Assigned("strokes-50", 50.0, "1", 0.0, "", None, "")
    check = evaluate_check(
        "wash",
        strokes,
        [150.0],
        unit="1",
        resolution=1.0,
        tolerance=Tolerance(absolute=0.5),
        t_utc=NOON,
        zero=[100.0],
    )
    assert (check.deviation, check.verdict, check.expanded_uncertainty) == (0.0, "pass", 0.0)
    assert "tolerance 0.5 strokes" in check.reason


def test_a_relative_tolerance_is_of_the_assigned_value() -> None:
    check = evaluate_check(
        "force",
        WEIGHT,
        [1.97],
        unit="N",
        resolution=0.001,
        tolerance=Tolerance(relative=0.01),
        t_utc=NOON,
    )
    assert check.tolerance == pytest.approx(0.0196)


def test_what_cannot_be_evaluated_is_refused() -> None:
    with pytest.raises(ConfigError, match="gauge 'force' measures in N, reference 'tile' is in GU"):
        evaluate([90.0], assigned=Assigned("tile", 93.1, "GU", 0.25, "", None, "", "60"))
    with pytest.raises(ValueError, match="at least one reading"):
        evaluate([])
    with pytest.raises(ValueError, match="finite"):
        evaluate([nan])
