"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook and its constants."""

import numpy as np
import pytest

from acquire.calibration.charts import D4, ewma, ewma_half_widths, individuals, limits, moving_ranges
from acquire.calibration.series import D2

# e-Handbook 6.3.2.2, individuals and moving ranges: data and printed limits from public copies that agree.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# e-Handbook 6.3.2.4, EWMA with weight 0.3, start 50, s 2.0539: data and printed values from the same.
PROCESS = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
PRINTED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_constants_for_ranges_of_two() -> None:
    # Exact values d2 = 1.12838 and D4 = 3.26653 (printed tables round D4 to 3.267).
    assert pytest.approx(1.12838, abs=5e-6) == D2
    assert pytest.approx(3.26653, abs=5e-6) == D4


def test_individuals_chart_of_the_handbook() -> None:
    found = individuals(FLOW)
    assert found.centre == pytest.approx(50.81)
    assert float(np.mean(moving_ranges(FLOW))) == pytest.approx(1.8778, abs=5e-5)
    # Printed 55.8041 and 45.8159 use d2 rounded to 1.128, which widens them by 0.0017.
    assert found.upper == pytest.approx(55.8041, abs=0.0018)
    assert found.lower == pytest.approx(45.8159, abs=0.0018)
    assert found.range_upper == pytest.approx(6.1338, abs=1e-4)
    assert not any(found.outside(value) for value in FLOW)


def test_ewma_chart_of_the_handbook() -> None:
    found = ewma(PROCESS, start=50.0, weight=0.3)
    assert found == pytest.approx(PRINTED, abs=0.0051)
    widths = ewma_half_widths(200, 2.0539, weight=0.3)
    assert 50 + widths[-1] == pytest.approx(52.5884, abs=1e-4)
    assert 50 - widths[-1] == pytest.approx(47.4115, abs=1e-4)
    # Time-dependent half-widths after 1, 2, 3, 5 and 10 values, worked out independently.
    assert widths[[0, 1, 2, 4, 9]] == pytest.approx([1.8485, 2.2564, 2.4314, 2.5516, 2.5874], abs=5e-5)
    assert np.all(np.abs(found - 50) < widths[:20])


def test_limits_around_a_known_centre() -> None:
    assert (limits(1.0, 2.0).lower, limits(1.0, 2.0).upper) == (-5.0, 7.0)


def test_one_value_has_no_chart() -> None:
    with pytest.raises(ValueError, match="at least two"):
        individuals([1.0])
