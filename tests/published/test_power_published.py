"""Power of the t test against published sample sizes."""

import math

import pytest

from acquire.planning import power_of


@pytest.mark.parametrize(("effect", "each"), [(0.5, 64), (0.8, 26), (0.2, 394)])
def test_sample_sizes_for_a_power_of_80_percent(effect: float, each: int) -> None:
    """Two groups, 5 % two-sided: 64, 26 and 394 (393 in older tables) in each, in textbooks since Cohen 1988.

    From memory; the second is recomputed by simulation in the tests of planning.
    """

    def power(count: int) -> float:
        return power_of(effect, math.sqrt(2 / count), 2 * (count - 1), 0.05)

    assert power(each) >= 0.8
    assert power(each - 1) < 0.8


def test_power_as_the_usual_programs_print_it() -> None:
    """Effect 0.5, 64 in each group: 0.8015. From memory."""
    assert power_of(0.5, math.sqrt(2 / 64), 126, 0.05) == pytest.approx(0.8015, abs=5e-5)


def test_known_doubt_is_the_normal_case() -> None:
    """1.96 + 1.2816 = 3.2415 standard uncertainties for 90 %: from any table of the normal distribution."""
    assert power_of(3.2415, 1.0, None, 0.05) == pytest.approx(0.9, abs=1e-4)
    assert power_of(3.2415, 1.0, 9e3, 0.05) == pytest.approx(0.9, abs=1e-3)
