"""Detection limits against published figures; how far each source was read stands beside it."""

import math

import pytest

from acquire.scoring.detection import critical_value, smallest_detectable


def test_currie_with_a_known_standard_deviation() -> None:
    """Currie, Anal. Chem. 40 (1968) 586: 1.645, 3.29; paired 2.33, 4.65. From memory, recomputed."""
    assert critical_value(1.0, 0.05, None) == pytest.approx(1.645, abs=5e-4)
    assert smallest_detectable(1.0, 0.05, 0.05, None) == pytest.approx(3.29, abs=5e-3)
    assert critical_value(math.sqrt(2), 0.05, None) == pytest.approx(2.33, abs=5e-3)
    assert smallest_detectable(math.sqrt(2), 0.05, 0.05, None) == pytest.approx(4.65, abs=5e-3)
    assert critical_value(math.sqrt(2 * 100), 0.05, None) == pytest.approx(23.3, abs=0.05)


def test_currie_with_few_degrees_of_freedom() -> None:
    """IUPAC 1995 (Pure Appl. Chem. 67, 1699): 4.07 with 4 degrees of freedom. From memory, recomputed."""
    assert critical_value(1.0, 0.05, 4) == pytest.approx(2.132, abs=5e-4)
    assert smallest_detectable(1.0, 0.05, 0.05, 4) == pytest.approx(4.07, abs=5e-3)
    assert smallest_detectable(1.0, 0.05, 0.05, 1e6) == pytest.approx(3.29, abs=5e-3)
    assert smallest_detectable(1.0, 0.05, 0.05, 9_000) == pytest.approx(3.29, abs=5e-3)


def test_a_calibration_line() -> None:
    """DIN 32645, the national relative of ISO 11843: figures as a public package's tests have them."""
    x = [0.05 * i for i in range(1, 11)]
    y = [3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178]
    centre, height = sum(x) / 10, sum(y) / 10
    across = sum((a - centre) ** 2 for a in x)
    slope = sum((a - centre) * (b - height) for a, b in zip(x, y, strict=True)) / across
    rest = sum((b - height - slope * (a - centre)) ** 2 for a, b in zip(x, y, strict=True))
    size = math.sqrt(rest / 8) / slope * math.sqrt(1 + 1 / 10 + centre**2 / across)
    assert critical_value(size, 0.01, 8) == pytest.approx(0.0698127, abs=5e-7)
    # The standard doubles the decision limit, which the noncentral t shows to be slightly too much.
    detection = smallest_detectable(size, 0.01, 0.01, 8)
    assert detection == pytest.approx(0.1396, rel=0.05)
    assert detection < 0.1396
