"""Rounding rules against published examples."""

from decimal import Decimal

import pytest

from acquire.scoring.rounding import Rounding, Rule, round_to


def rounded(value: str, quantum: str, rule: Rule = "half-even") -> Decimal:
    return round_to(value, Rounding(quantum=Decimal(quantum), rule=rule))


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("45.71", "45.7"),
        ("45.74", "45.7"),
        ("45.76", "45.8"),
        ("45.79", "45.8"),
        ("45.7500", "45.8"),
        ("45.4500", "45.4"),
        ("45.45001", "45.5"),
    ],
)
def test_half_even_to_a_tenth(value: str, expected: str) -> None:
    """ASTM E29, second-hand: a public field manual that applies it."""
    assert rounded(value, "0.1") == Decimal(expected)


@pytest.mark.parametrize(
    ("value", "quantum", "expected"),
    [
        ("4.36", "1", "4"),
        ("2.355", "1", "2"),
        ("15.205", "0.1", "15.2"),
        ("9.625", "1", "10"),
        ("2.651", "0.1", "2.7"),
        ("0.3552", "0.01", "0.36"),
        ("12.545001", "0.01", "12.55"),
    ],
)
def test_half_even_examples(value: str, quantum: str, expected: str) -> None:
    """IS 2:1960, second-hand from a public page; recomputed."""
    assert rounded(value, quantum) == Decimal(expected)


@pytest.mark.parametrize(
    ("limit", "quantum", "observed", "expected", "conforms"),
    [
        (">=60000", "100", "59940", "59900", False),
        (">=60000", "100", "59950", "60000", True),
        (">=60000", "100", "59960", "60000", True),
        (">=57", "1", "56.4", "56", False),
        (">=57", "1", "56.5", "56", False),
        (">=57", "1", "56.6", "57", True),
        ("<=40", "1", "40.4", "40", True),
        ("<=40", "1", "40.5", "40", True),
        ("<=40", "1", "40.6", "41", False),
        ("<=0.5", "0.1", "0.54", "0.5", True),
        ("<=0.5", "0.1", "0.55", "0.6", False),
        ("<=0.5", "0.1", "0.56", "0.6", False),
    ],
)
def test_rounded_value_against_a_limit(
    limit: str, quantum: str, observed: str, expected: str, conforms: bool
) -> None:
    """ASTM E29, rounding an observed value to the limit's last place; from memory, recomputed."""
    found = rounded(observed, quantum)
    assert found == Decimal(expected)
    bound = Decimal(limit[2:])
    assert (found >= bound if limit.startswith(">=") else found <= bound) is conforms


@pytest.mark.parametrize(
    ("value", "quantum", "rule", "expected"),
    [
        ("12.223", "0.1", "half-even", "12.2"),
        ("12.251", "0.1", "half-even", "12.3"),
        ("12.275", "0.1", "half-even", "12.3"),
        ("1222.3", "10", "half-even", "1220"),
        ("1225.1", "10", "half-even", "1230"),
        ("1227.5", "10", "half-even", "1230"),
        ("12.25", "0.1", "half-even", "12.2"),
        ("12.35", "0.1", "half-even", "12.4"),
        ("1225", "10", "half-even", "1220"),
        ("1235", "10", "half-even", "1240"),
        ("12.25", "0.1", "half-up", "12.3"),
        ("12.35", "0.1", "half-up", "12.4"),
        ("1225", "10", "half-up", "1230"),
        ("1235", "10", "half-up", "1240"),
    ],
)
def test_both_rules(value: str, quantum: str, rule: Rule, expected: str) -> None:
    """ISO 80000-1 annex B, rules A and B; from memory, recomputed."""
    assert rounded(value, quantum, rule) == Decimal(expected)


def test_rounding_twice_is_wrong() -> None:
    """ISO 80000-1 annex B; from memory, recomputed."""
    twice = round_to(rounded("12.251", "0.01"), Rounding(quantum=Decimal("0.1"), rule="half-even"))
    assert twice == Decimal("12.2")
    assert rounded("12.251", "0.1") == Decimal("12.3")
