from datetime import UTC, datetime

import pytest

from acquire.clock import SystemClock


def test_at_speed_one_it_is_the_machines_clock() -> None:
    clock = SystemClock()
    before, now, after = datetime.now(UTC), clock.utc(), datetime.now(UTC)
    assert before <= now <= after
    first, second = clock.monotonic_ns(), clock.monotonic_ns()
    assert first <= second


def test_a_fast_clock_passes_time_faster_for_sleep_utc_and_intervals_alike() -> None:
    clock = SystemClock(speed=10_000.0)
    utc, start_ns = clock.utc(), clock.monotonic_ns()
    clock.sleep(100.0)  # ten milliseconds of the machine's time
    passed_s = (clock.monotonic_ns() - start_ns) / 1e9
    assert passed_s >= 100.0
    assert (clock.utc() - utc).total_seconds() >= passed_s


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_clock_must_move_forward(speed: float) -> None:
    with pytest.raises(ValueError, match="speed must be a finite number above zero"):
        SystemClock(speed)
