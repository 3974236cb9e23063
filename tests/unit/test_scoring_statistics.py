"""What the statistics refuse; their values are held in tests/published."""

import pytest

from acquire.scoring.statistics import effective_freedom, grubbs_critical, mean, sd


def test_too_few_values_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one value"):
        mean([])
    with pytest.raises(ValueError, match="at least two values"):
        sd([1.0])
    with pytest.raises(ValueError, match="at least three values"):
        grubbs_critical(2, 0.05, "two")


def test_freedom_is_infinite_without_random_parts() -> None:
    assert effective_freedom([]) is None
    assert effective_freedom([(0.3, None), (0.0, 4)]) is None


def test_tiny_contributions_do_not_underflow() -> None:
    assert effective_freedom([(1e-100, 5), (1e-100, 5)]) == pytest.approx(10)
