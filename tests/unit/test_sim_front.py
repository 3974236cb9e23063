"""The simulated gauge in front of the physics, held against closed forms."""

import math
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from simulators.force import HANDS, ForceTrace, Surface, simulate_pulls
from simulators.front import FrontStream, GaugeFront

PERFECT = GaugeFront(rate_hz=1000.0, resolution_n=0.0, noise_n=0.0)


def constant(force_n: float, seconds: float = 1.0, step_s: float = 0.00025) -> ForceTrace:
    return ForceTrace(step_s, np.full(round(seconds / step_s), force_n))


@pytest.mark.parametrize("rate_hz", [5.0, 9.3, 100.0, 1000.0, 10_000.0])
def test_samples_come_at_the_gauges_rate_and_on_the_line_between_grid_points(rate_hz: float) -> None:
    ramp = ForceTrace(0.00025, 3.0 * 0.00025 * np.arange(8000.0))
    t_s, shown_n = replace(PERFECT, rate_hz=rate_hz).sample(ramp)
    assert len(t_s) == int(1.99975 * rate_hz) + 1
    assert t_s == pytest.approx(np.arange(len(t_s)) / rate_hz)
    assert shown_n == pytest.approx(3.0 * t_s, abs=1e-9)


def test_the_display_step_rounds_to_the_nearest() -> None:
    front = replace(PERFECT, resolution_n=0.05)
    assert front.sample(constant(1.024))[1] == pytest.approx(1.0)
    assert front.sample(constant(1.026))[1] == pytest.approx(1.05)
    ramp = ForceTrace(0.001, np.linspace(0.0, 10.0, 10_001))
    _, shown_n = front.sample(ramp)
    error_n = shown_n - ramp.force_n
    # Rectangular distribution: standard deviation of the step over the square root of 12 (JCGM 100, F.2.2.1,
    # from memory).
    assert float(error_n.std()) == pytest.approx(0.05 / math.sqrt(12), rel=0.01)
    assert np.abs(error_n).max() <= 0.025 + 1e-9


def test_noise_is_white_with_the_stated_standard_deviation() -> None:
    noise_n = replace(PERFECT, noise_n=0.02).sample(constant(0.0, 20.0), seed=3)[1]
    assert float(noise_n.std()) == pytest.approx(0.02, rel=0.03)
    assert abs(float(np.corrcoef(noise_n[1:], noise_n[:-1])[0, 1])) < 0.03


def test_zero_and_drift_add_up() -> None:
    t_s, shown_n = replace(PERFECT, zero_n=-0.2, drift_n_per_h=3.6).sample(constant(1.0, 10.0))
    assert shown_n == pytest.approx(0.8 + 0.001 * t_s)


@pytest.mark.slow  # loads scipy
def test_a_first_order_filter_answers_a_step_exponentially() -> None:
    step = ForceTrace(0.00025, np.ones(4000))
    t_s, shown_n = replace(PERFECT, filter="first order", filter_s=0.1).sample(step)
    # The step lies one grid point before the first sample.
    assert shown_n == pytest.approx(1.0 - np.exp(-(t_s + 0.00025) / 0.1))


def test_a_moving_average_answers_a_step_with_a_ramp() -> None:
    step = ForceTrace(0.00025, np.ones(4000))
    t_s, shown_n = replace(PERFECT, filter="moving average", filter_s=0.1).sample(step)
    assert shown_n == pytest.approx(np.minimum(1.0, (t_s + 0.00025) / 0.1))


def test_beyond_its_range_it_overloads_and_the_pull_is_saturated() -> None:
    trace = simulate_pulls(Surface(mu_static=0.35), HANDS["clean"], pulls=1, seed=1)
    front = GaugeFront(range_n=3.0)
    _, shown_n = front.sample(trace)
    assert shown_n.max() == 3.0
    assert front.verdict(trace.truth[0]) == ("refused", "saturated")
    assert GaugeFront().verdict(trace.truth[0]) == ("accepted", "")


@pytest.mark.parametrize("filter_", ["none", "first order", "moving average"])
@pytest.mark.parametrize("rate_hz", [7.0, 1000.0, 10_000.0])
def test_pieces_give_the_same_as_the_whole(
    filter_: Literal["none", "first order", "moving average"], rate_hz: float
) -> None:
    trace = simulate_pulls(Surface(), HANDS["clean"], pulls=1, seed=1)
    front = GaugeFront(rate_hz=rate_hz, filter=filter_, drift_n_per_h=3.0)
    whole_t_s, whole_n = front.sample(trace, seed=5)
    stream = FrontStream(front, step_s=trace.step_s, rng=np.random.default_rng(5))
    cuts = np.sort(np.random.default_rng(0).integers(0, len(trace.force_n), 200))
    pieces = [stream.feed(piece) for piece in np.split(trace.force_n, cuts)]
    assert np.array_equal(np.concatenate([t_s for t_s, _ in pieces]), whole_t_s)
    assert np.concatenate([shown_n for _, shown_n in pieces]) == pytest.approx(whole_n, abs=1e-9)


@pytest.mark.parametrize(
    "numbers",
    [{"rate_hz": 4.0}, {"rate_hz": 20_000.0}, {"noise_n": -1.0}, {"range_n": 0.0}, {"filter_s": 0.0}],
)
def test_gauges_without_meaning_are_refused(numbers: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"rate|noise_n|range_n|filter_s"):
        GaugeFront(**numbers)  # type: ignore[arg-type]  # all of these are numbers
