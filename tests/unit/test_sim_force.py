"""Physics of the simulated pulls, held against closed forms (derived here from the equation of motion)."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from simulators.block import STANDARD_GRAVITY_M_PER_S2, Block, Rig, Surface
from simulators.force import HANDS, SURFACES, ForceTrace, simulate_pulls

COULOMB = Surface(
    mu_static=0.35,
    mu_kinetic=0.25,
    healing_s=0.0,
    ageing_per_decade=0.0,
    weakening_m_per_s=1e-6,
    scatter=0.0,
    texture=0.0,
)
"""Two coefficients and nothing else."""


def drawn(
    surface: Surface, rig: Rig, speed_m_per_s: float, seconds: float
) -> tuple[Block, NDArray[np.float64]]:
    """Block and force when the hand goes at one speed from a taut string."""
    step_s = 1e-4
    n = round(seconds / step_s)
    block = Block(rig, surface, step_s)
    hand_m = speed_m_per_s * step_s * np.arange(n, dtype=np.float64)
    return block, block.follow(hand_m, np.full(n, speed_m_per_s), np.ones(n))


def test_the_force_rises_with_spring_rate_times_speed() -> None:
    _, force = drawn(COULOMB, Rig(damping=0.0), 0.001, 0.5)
    assert np.diff(force) / 1e-4 == pytest.approx(3000.0 * 0.001)


def test_it_breaks_away_at_the_static_coefficient_times_the_weight() -> None:
    # Standard gravity 9.80665 m/s2 is exact (CGPM 1901; from memory).
    block, force = drawn(COULOMB, Rig(mass_kg=1.2, damping=0.0), 0.001, 2.0)
    limit_n = 0.35 * 1.2 * 9.80665
    assert block.breaks[0].force_n == pytest.approx(limit_n, rel=1e-12)
    step_n = 3000.0 * 0.001 * 1e-4
    assert limit_n - step_n <= force[block.breaks[0].index - 1] <= limit_n
    assert (block.breaks[0].index - 1 + block.breaks[0].after) * 1e-4 == pytest.approx(
        limit_n / 3.0, rel=1e-9
    )


@pytest.mark.parametrize("speed_m_per_s", [0.0005, 0.001])
def test_stick_slip_keeps_the_period_of_a_spring_block(speed_m_per_s: float) -> None:
    """Without damping the force falls as far below the kinetic level as it stood above: 2 (mu_s - mu_k) N.

    The hand makes that good at k v; the slip itself takes half a swing of the block on its spring.
    """
    rig = Rig(damping=0.0)
    period_s = 2 * 0.1 * rig.weight_n / (3000.0 * speed_m_per_s) + math.pi * math.sqrt(1.0 / 3000.0)
    block, force = drawn(
        COULOMB, rig, speed_m_per_s, 5 * period_s + 0.35 * rig.weight_n / 3000.0 / speed_m_per_s
    )
    breaks = np.array([one.index for one in block.breaks])
    assert len(breaks) >= 4
    assert np.diff(breaks) * 1e-4 == pytest.approx(period_s, rel=0.01)
    assert force[breaks[0] :].min() == pytest.approx((2 * 0.25 - 0.35) * rig.weight_n, rel=0.01)


def test_a_damped_block_slides_at_the_kinetic_coefficient() -> None:
    rig = Rig(damping=0.7)
    _, force = drawn(COULOMB, rig, 0.02, 1.0)
    assert force[-1000:] == pytest.approx(0.25 * rig.weight_n, rel=1e-3)


def test_static_friction_grows_with_the_logarithm_of_contact_time() -> None:
    surface = replace(COULOMB, ageing_per_decade=0.02, ageing_s=1.0)
    mu = surface.static_at(np.array([0.0, 9.0, 99.0, 999.0]))
    assert mu == pytest.approx([0.35, 0.37, 0.39, 0.41])
    hand = replace(HANDS["steady"], rest_s=1.0)
    for contact_s in (10.0, 1000.0):
        trace = simulate_pulls(surface, hand, pulls=1, seed=1, contact_s=contact_s)
        pull = trace.truth[0]
        assert pull.contact_s > contact_s + 1.0
        grown = 0.35 + 0.02 * math.log10(1 + pull.contact_s)
        assert pull.breakaway_n == pytest.approx(grown * STANDARD_GRAVITY_M_PER_S2, rel=1e-4)


def test_a_fresh_contact_regains_its_static_friction_exponentially() -> None:
    surface = replace(COULOMB, healing_s=0.5)
    expected = [0.25, 0.25 + 0.1 * (1 - math.exp(-1)), 0.35]
    assert surface.static_at(np.array([0.0, 0.5, 1e3])) == pytest.approx(expected)


def test_a_surface_without_drop_levels_off() -> None:
    trace = simulate_pulls(SURFACES["no-drop"], HANDS["steady"], pulls=3, seed=4)
    for pull in trace.truth:
        assert pull.kind == "no-drop"
        assert pull.sliding_n == pytest.approx(pull.breakaway_n, rel=0.02)
    with_drop = simulate_pulls(SURFACES["treated"], HANDS["steady"], pulls=3, seed=4)
    assert all(pull.sliding_n < 0.85 * pull.breakaway_n for pull in with_drop.truth)


def test_stick_slip_breaks_again_and_again() -> None:
    trace = simulate_pulls(SURFACES["stick-slip"], HANDS["clean"], pulls=2, seed=1)
    assert [pull.kind for pull in trace.truth] == ["stick-slip", "stick-slip"]
    assert all(pull.breaks_n > 3 and pull.highest_n >= pull.breakaway_n for pull in trace.truth)


def force_at(trace: ForceTrace, t_s: float) -> float:
    return float(np.interp(t_s, trace.t_s, trace.force_n))


@pytest.mark.parametrize("name", HANDS)
def test_the_truth_lies_on_the_trace(name: str) -> None:
    trace = simulate_pulls(SURFACES["bare"], HANDS[name], pulls=2, seed=7)
    assert [pull.number for pull in trace.truth] == [1, 2]
    rising_s = 0.0
    for pull in trace.truth:
        assert rising_s <= pull.t_start_s < pull.t_break_s < pull.t_release_s < pull.t_end_s
        assert force_at(trace, pull.t_break_s) == pytest.approx(pull.breakaway_n, abs=0.02 * pull.breakaway_n)
        assert pull.breakaway_n <= pull.peak_n <= pull.highest_n
        inside = (trace.t_s >= pull.t_start_s) & (trace.t_s <= pull.t_release_s)
        assert trace.force_n[inside].max() <= pull.highest_n + 1e-9
        assert 0.31 * 9.8 * 0.9 < pull.sliding_n < pull.highest_n
        rising_s = pull.t_end_s
    assert trace.force_n.min() == 0.0
    assert trace.force_n[-10:].max() == 0.0


def test_hands_that_spoil_a_pull_say_so() -> None:
    def whys(name: str) -> list[str]:
        trace = simulate_pulls(Surface(), HANDS[name], pulls=2, seed=2)
        assert all((pull.verdict == "refused") == bool(pull.why) for pull in trace.truth)
        return [pull.why for pull in trace.truth]

    assert whys("clean") == whys("regrip") == whys("bump-before") == ["", ""]
    assert whys("fast") == ["too fast", "too fast"]
    assert whys("no-rest") == ["", "started without rest"]
    assert whys("held") == ["never released", "started without rest"]
    assert whys("not-released") == ["never released", "never released"]


def test_hands_do_what_their_names_say() -> None:
    def first(name: str) -> tuple[ForceTrace, float, float]:
        trace = simulate_pulls(Surface(), HANDS[name], pulls=2, seed=3)
        pull = trace.truth[0]
        return trace, pull.t_break_s - pull.t_start_s, pull.t_end_s - pull.t_release_s

    assert first("clean")[1] == pytest.approx(0.85, abs=0.2)
    assert first("fast")[1] < 0.05
    assert first("slow")[1] > 10
    assert first("not-released")[2] > 10
    held, *_ = first("held")
    between = (held.t_s > held.truth[0].t_end_s) & (held.t_s < held.truth[1].t_break_s)
    assert held.force_n[between].min() > 0.3
    bumped, *_ = first("bump-before")
    assert len(bumped.bumps_s) == 2
    assert bumped.bumps_s[0] < bumped.truth[0].t_start_s - 0.5
    assert force_at(bumped, bumped.bumps_s[0]) > 0.5
    assert not held.bumps_s
    jerked, *_ = first("jerk")
    start_s = jerked.truth[0].t_start_s
    assert force_at(jerked, start_s + 0.06) > 0.4 * jerked.truth[0].breakaway_n
    regripped, *_ = first("regrip")
    pull = regripped.truth[0]
    inside = (regripped.t_s > pull.t_start_s + 0.2) & (regripped.t_s < pull.t_break_s)
    rising = np.maximum.accumulate(regripped.force_n[inside])
    assert (rising - regripped.force_n[inside]).max() > 0.2


def test_tremor_shakes_at_8_to_12_hz() -> None:
    # Frequency of a hand's tremor: common practice, no source.
    hand = replace(HANDS["shaky"], uneven=0.0, load_m_per_s=0.0002)
    trace = simulate_pulls(Surface(texture=0.0), hand, pulls=1, seed=5)
    pull = trace.truth[0]
    inside = (trace.t_s > pull.t_start_s + 0.5) & (trace.t_s < pull.t_break_s)
    force = trace.force_n[inside]
    force = force - np.polyval(np.polyfit(np.arange(len(force)), force, 1), np.arange(len(force)))
    spectrum = np.abs(np.fft.rfft(force * np.hanning(len(force))))
    assert 7.5 < np.fft.rfftfreq(len(force), trace.step_s)[spectrum.argmax()] < 12.5


def test_the_same_seed_gives_the_same_trace_and_another_one_does_not() -> None:
    def made(seed: int) -> ForceTrace:
        return simulate_pulls(SURFACES["stick-slip"], HANDS["shaky"], pulls=2, seed=seed)

    assert np.array_equal(made(1).force_n, made(1).force_n)
    assert made(1).truth == made(1).truth
    assert made(1).truth != made(2).truth


def test_a_pull_does_not_depend_on_how_many_are_asked_for() -> None:
    three = simulate_pulls(Surface(), HANDS["clean"], pulls=3, seed=1).truth
    first = simulate_pulls(Surface(), HANDS["clean"], pulls=1, seed=1).truth
    third = simulate_pulls(Surface(), HANDS["clean"], pulls=1, seed=1, first_number=3).truth
    assert three[0] == first[0]
    assert third[0].breakaway_n == pytest.approx(three[2].breakaway_n, rel=0.01)


@pytest.mark.parametrize(
    "numbers",
    [
        {"mu_static": 0.2, "mu_kinetic": 0.3},
        {"mu_kinetic": 0.0},
        {"mu_static": math.nan},
        {"healing_s": -1.0},
        {"ageing_s": 0.0},
    ],
)
def test_surfaces_without_meaning_are_refused(numbers: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"mu_kinetic|healing_s|ageing_s"):
        Surface(**numbers)


def test_no_pulls_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one pull"):
        simulate_pulls(Surface(), HANDS["clean"], pulls=0, seed=1)
