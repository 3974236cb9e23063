"""What checks differ by from day to day beyond their own scatter."""

from math import sqrt

import pytest

from acquire.bench import Tolerance
from acquire.calibration.checks import Check, evaluate_check
from acquire.calibration.components import check_components, components_in_words
from acquire.calibration.references import Assigned
from acquire.errors import ConfigError
from tests.bench_tools import NOON

WEIGHT = Assigned("weight-200g", 2.0, "N", 0.001, "W-1 (invented)", None, "invented")


def on_a_day(off_n: float, *, zero_n: float = 0.0, assigned: Assigned = WEIGHT) -> Check:
    """Three readings 10 mN apart around 2 N and what the day adds, each from a zero of its own."""
    readings = [zero_n + 2.0 + off_n + scatter_n for scatter_n in (-0.01, 0.0, 0.01)]
    return evaluate_check(
        "force",
        assigned,
        readings,
        unit="N",
        resolution=0.001,
        tolerance=Tolerance(absolute=0.1),
        t_utc=NOON,
        zero=[zero_n] * 3,
    )


def test_scatter_between_and_within_checks_is_told_apart() -> None:
    """Days at -30, 0 and 30 mN: variance 900 between the means, 100 / 3 of it from within."""
    found = check_components([on_a_day(off_n) for off_n in (-0.03, 0.0, 0.03)])
    assert found.within_sd == pytest.approx(0.010)
    assert found.between_sd == pytest.approx(sqrt(0.0009 - 0.0001 / 3))
    assert found.f == pytest.approx(27.0)
    assert found.mean == pytest.approx(0.0, abs=1e-12)
    assert not found.clamped


def test_another_zero_each_day_is_no_difference() -> None:
    found = check_components([on_a_day(0.0, zero_n=zero_n) for zero_n in (0.0, 0.05, -0.05)])
    assert found.between_sd == 0.0
    assert found.clamped


def test_only_what_can_be_compared_is() -> None:
    other = Assigned("weight-500g", 2.0, "N", 0.001, "W-2 (invented)", None, "invented")
    with pytest.raises(ConfigError, match="cannot be compared"):
        check_components([on_a_day(0.0), on_a_day(0.0, assigned=other)])
    with pytest.raises(ValueError, match="two groups"):
        check_components([on_a_day(0.0)])


def test_both_are_told_in_a_sentence() -> None:
    """Days at 0 and twice at ±30 mN: variance 900 between the five means, 100 / 3 of it from within."""
    moved = components_in_words([on_a_day(off_n) for off_n in (-0.03, 0.0, 0.03, -0.03, 0.03)], "N")
    between = sqrt(0.0009 - 0.0001 / 3)
    assert f"within a check scatter by 0.01 N; beyond that, checks differ by {between:.2g} N" in moved
    assert "no more than that explains" in components_in_words([on_a_day(0.0)] * 5, "N")
    assert components_in_words([on_a_day(0.0)] * 4, "N") == ""
