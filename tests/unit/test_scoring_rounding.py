from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.scoring.rounding import Rounding, Rule, exact, round_to
from tests.scoring_kit import GRAM_FORCE_N

RULES: list[Rule] = ["half-even", "half-up"]
QUANTA = st.sampled_from(
    [Decimal(text) for text in ("0.001", "0.01", "0.05", "0.1", "0.25", "1", "10", "100")]
)
VALUES = st.fractions(min_value=-10000, max_value=10000, max_denominator=4000)


@given(VALUES, QUANTA, st.sampled_from(RULES))
def test_a_rounded_value_is_the_nearest_multiple(value: Fraction, quantum: Decimal, rule: Rule) -> None:
    found = Fraction(round_to(value, Rounding(quantum=quantum, rule=rule)))
    assert (found / Fraction(quantum)).denominator == 1
    assert abs(found - value) <= Fraction(quantum) / 2


@given(VALUES, QUANTA, st.sampled_from(RULES))
def test_rounding_again_to_the_same_step_changes_nothing(
    value: Fraction, quantum: Decimal, rule: Rule
) -> None:
    how = Rounding(quantum=quantum, rule=rule)
    assert round_to(round_to(value, how), how) == round_to(value, how)


@given(VALUES, QUANTA, st.sampled_from(RULES))
def test_rounding_treats_both_signs_alike(value: Fraction, quantum: Decimal, rule: Rule) -> None:
    how = Rounding(quantum=quantum, rule=rule)
    assert round_to(-value, how) == -round_to(value, how)


@given(VALUES, VALUES, QUANTA, st.sampled_from(RULES))
def test_rounding_keeps_the_order(one: Fraction, other: Fraction, quantum: Decimal, rule: Rule) -> None:
    how = Rounding(quantum=quantum, rule=rule)
    low, high = sorted((one, other))
    assert round_to(low, how) <= round_to(high, how)


@given(st.integers(-10000, 10000), QUANTA)
def test_the_rules_differ_on_exact_halves_only(count: int, quantum: Decimal) -> None:
    half = (count + Fraction(1, 2)) * Fraction(quantum)
    even = Fraction(round_to(half, Rounding(quantum=quantum, rule="half-even"))) / Fraction(quantum)
    up = Fraction(round_to(half, Rounding(quantum=quantum, rule="half-up")))
    assert even % 2 == 0
    assert abs(up) > abs(half)


def test_binary_floats_are_refused() -> None:
    how = Rounding(quantum=Decimal("0.01"), rule="half-even")
    with pytest.raises(TypeError, match="float"):
        round_to(2.675, how)  # type: ignore[arg-type]
    # The float is 2.67499999999999982: rounding it as it stands gives 2.67.
    assert round_to(exact(2.675), how) == Decimal("2.68")


@given(st.integers(-(10**9), 10**9), st.integers(0, 6))
def test_exact_gives_back_the_decimal_that_was_sent(digits: int, places: int) -> None:
    text = str(Decimal(digits).scaleb(-places))
    assert exact(float(text)) == Fraction(text)


@given(st.integers(1, 50000))
def test_exact_drops_the_dust_of_a_change_of_unit(gram_force: int) -> None:
    assert exact(gram_force * GRAM_FORCE_N) == gram_force * Fraction("0.00980665")


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_exact_refuses_what_is_not_a_number(value: float) -> None:
    with pytest.raises(ValueError, match="not a number"):
        exact(value)


def test_trailing_zeros_are_kept() -> None:
    assert str(round_to("0.3", Rounding(quantum=Decimal("0.01"), rule="half-even"))) == "0.30"
