"""Pull capture on exact, invented traces: what is found, what it is worth, and why it is refused."""

from dataclasses import replace

import numpy as np
import pytest

from acquire.capture.anatomy import Pull
from acquire.capture.finder import PullFinder
from acquire.capture.settings import PullSettings
from simulators.force import HANDS, SURFACES, Rig, simulate_pulls
from simulators.front import GaugeFront
from tests.capture_tools import PULL, REST, SETTINGS, Floats, found, line, only, times

REST_AT_04 = (1.5, 0.4)
KEEN = replace(SETTINGS, noise_n=0.003, rest_n=0.0)


def test_one_pull_is_measured() -> None:
    pull = only(found(line(REST, *PULL, REST)))
    assert pull.verdict == "accepted"
    assert pull.breakaway_n == pytest.approx(3.0)
    assert pull.highest_n == pytest.approx(3.0)
    assert pull.t_break_s == pytest.approx(1.5)
    assert pull.t_start_s == pytest.approx(1.0, abs=0.02)
    assert pull.t_end_s == pytest.approx(2.65, abs=0.06)
    assert pull.sliding_n == pytest.approx(2.2, abs=0.01)
    assert pull.sliding_sd_n == pytest.approx(0.0, abs=0.02)
    assert pull.rise_rate_n_per_s == pytest.approx(6.0, rel=1e-6)
    assert pull.under_read_n == pytest.approx(6.0 / 100, rel=1e-6)
    assert pull.contact_s == pytest.approx(1.0, abs=0.02)
    assert pull.breaks == 1
    assert not pull.levels_off
    assert pull.samples == pull.last_number - pull.first_number


def test_the_force_counts_from_the_level_at_rest() -> None:
    pull = only(found(line(REST, *PULL, REST) - 1.25))
    assert pull.rest_n == pytest.approx(-1.25)
    assert pull.breakaway_n == pytest.approx(3.0)


def test_drift_between_pulls_is_taken_out() -> None:
    force = line(REST, *((*PULL, (1.5, 0.0)) * 8))
    drifting = force + 0.01 * times(force)
    pulls = found(np.round(drifting, 2))
    assert [pull.breakaway_n for pull in pulls] == pytest.approx([3.0] * 8, abs=0.03)


def test_a_tare_between_pulls_is_followed() -> None:
    force = line(REST, *PULL, (2.0, 0.0))
    later = line((6.0, 0.0), *PULL, REST) + 0.8
    pulls = found(np.concatenate([force, later]))
    assert [round(pull.breakaway_n, 2) for pull in pulls if not pull.reasons][-1] == 3.0


def test_tension_that_stays_on_the_string_is_the_next_rest() -> None:
    first = ((0.5, 3.0), (0.05, 2.2), (1.0, 2.2), (0.1, 0.4), (2.0, 0.4))
    second = ((0.5, 3.4), (0.05, 2.6), (1.0, 2.6), (0.1, 0.4), REST_AT_04)
    pulls = found(line(REST, *first, *second))
    assert [pull.breakaway_n for pull in pulls] == pytest.approx([3.0, 3.0], abs=0.01)
    assert [pull.reasons for pull in pulls] == [(), ()]


def test_a_string_that_goes_slack_after_all_is_measured_from_zero_again() -> None:
    spiked = line(REST, *PULL, (1.2, 0.0))
    spiked[120] = 499.0  # next to such a glitch the slide looks as if the hand had let go
    pulls = found(np.concatenate([spiked, line(REST, *PULL, REST)]))
    assert pulls[-1].breakaway_n == pytest.approx(3.0)
    assert pulls[-1].reasons == ()
    assert pulls[-1].contact_s == pytest.approx(2.2, abs=0.5)


def test_a_force_that_levels_off_breaks_away_at_the_corner() -> None:
    pull = only(found(line(REST, (0.5, 2.0), (1.5, 2.0), (0.1, 0.0), REST)))
    assert pull.levels_off
    assert pull.breakaway_n == pytest.approx(2.0, abs=0.01)
    assert pull.t_break_s == pytest.approx(1.5, abs=0.02)


def test_stick_slip_gives_first_and_highest_break() -> None:
    cycle = ((0.3, 3.2), (0.02, 2.0))
    pull = only(found(line(REST, (0.8, 3.0), (0.02, 2.0), *(cycle * 4), (0.1, 0.0), REST)))
    assert pull.breakaway_n == pytest.approx(3.0)
    assert pull.highest_n == pytest.approx(3.2)
    assert pull.breaks >= 4
    assert pull.verdict == "accepted"


def test_a_new_grip_on_the_way_up_is_no_break() -> None:
    grip = ((0.5, 2.0), (0.06, 1.0), (0.1, 2.0))
    pull = only(found(line(REST, *grip, (0.3, 3.2), (0.05, 2.4), (1.0, 2.4), (0.1, 0.0), REST)))
    assert pull.breakaway_n == pytest.approx(3.2)
    assert pull.verdict == "accepted"


def test_tremor_on_the_way_up_is_no_break() -> None:
    force = line(REST, *PULL, REST, rate_hz=1000.0)
    t = times(force, 1000.0)
    shaken = force + np.where((force > 0.3) & (t < 1.5), 0.12 * np.sin(2 * np.pi * 10 * (t - 1.5)), 0.0)
    pull = only(found(shaken, replace(SETTINGS, rate_hz=1000.0)))
    assert pull.breakaway_n == pytest.approx(3.0, abs=0.1)
    assert pull.t_break_s == pytest.approx(1.5, abs=0.06)


def test_the_highest_of_many_noisy_samples_is_not_the_force() -> None:
    rng = np.random.default_rng(1)
    force = line(REST, (8.0, 3.0), (0.05, 2.2), (1.0, 2.2), (0.1, 0.0), REST, rate_hz=1000.0)
    noisy = force + rng.normal(0.0, 0.05, len(force))
    pull = only(found(noisy, PullSettings(1000.0, 0.001)))
    assert noisy.max() - 3.0 > 0.08
    assert abs(pull.breakaway_n - 3.0) < 0.05


def test_a_slow_coarse_gauge_is_read_sensibly() -> None:
    step = 10 * 0.00980665
    force = (
        np.round(line((2.0, 0.0), (1.2, 3.0), (0.2, 2.2), (1.5, 2.2), (0.2, 0.0), (2.0, 0.0)) / step) * step
    )
    pull = only(found(force[::20], PullSettings(5.0, step)))
    assert pull.verdict == "accepted"
    assert abs(pull.breakaway_n - 3.0) <= step + pull.under_read_n
    assert pull.under_read_n == pytest.approx(0.5, abs=0.15)


@pytest.mark.parametrize(
    ("pieces", "reason"),
    [
        ((REST, (0.02, 3.0), (0.05, 2.2), (1.0, 2.2), (0.1, 0.0), REST), "too fast: the force rose in 20 ms"),
        (
            (REST, (18.0, 3.0), (0.05, 2.2), (1.0, 2.2), (0.1, 0.0), REST),
            "too slow: 16 s until it broke away",
        ),
        ((REST, (0.03, 2.0), (0.8, 3.0), (0.05, 2.2), (1.0, 2.2), (0.1, 0.0), REST), "jerked: 6"),
        (((0.3, 0.0), *PULL, (0.03, 0.0), *PULL, REST), "started without rest: "),
        ((REST, *PULL[:3], (0.2, 1.0), (0.3, 1.0), *PULL, REST), "never released: pulled again from 1 N"),
        ((REST, *PULL[:3]), "never released: the recording ends under load"),
        ((REST, (1.0, 600.0), (0.05, 400.0), (1.0, 400.0), (0.1, 0.0), REST), "saturated: "),
    ],
)
def test_a_faulty_pull_is_refused_for_a_plain_reason(
    pieces: tuple[tuple[float, float], ...], reason: str
) -> None:
    chosen = replace(KEEN, min_rest_s=0.1, min_rise_s=0.04)
    pulls = found(np.minimum(line(*pieces), 500.0), chosen)
    said = [one for pull in pulls for one in pull.reasons]
    assert any(one.startswith(reason) for one in said), said


def test_a_pull_held_long_after_its_slide_was_never_released() -> None:
    held = line(REST, *PULL[:3], (0.1, 1.8), (12.0, 1.8), (0.1, 0.0), REST)
    pull = only(found(held, replace(KEEN, max_slide_s=10.0)))
    assert pull.reasons == ("never released: under load for 13 s after it broke away; let go when it slides",)
    assert only(found(held, KEEN)).reasons == ()


def test_only_the_second_of_two_hasty_pulls_is_refused() -> None:
    pulls = found(line(REST, *PULL, (0.03, 0.0), *PULL, REST), replace(KEEN, min_rest_s=0.1))
    assert [bool(pull.reasons) for pull in pulls] == [False, True]
    assert [pull.breakaway_n for pull in pulls] == pytest.approx([3.0, 3.0], abs=0.02)


def test_too_fast_for_a_slow_gauge() -> None:
    force = line((2.0, 0.0), (0.3, 3.0), (0.05, 2.2), (1.5, 2.2), (0.2, 0.0), (2.0, 0.0))
    pull = only(found(force[::20], PullSettings(5.0, 0.1)))
    assert pull.reasons[0].startswith("too fast for this gauge: at 5 readings a second")


def test_a_peak_with_samples_missing_behind_it_may_be_higher_by_so_much() -> None:
    force = line(REST, *PULL, REST)
    lost = slice(150, 153)
    pull = only(found(np.delete(force, lost), SETTINGS, np.delete(times(force), lost)))
    assert pull.reasons == ()
    assert pull.breakaway_n < 3.0 <= pull.breakaway_n + pull.under_read_n + 1e-9


def test_a_gap_in_the_rise_is_refused() -> None:
    force = line(REST, *PULL, REST)
    lost = slice(115, 135)
    t, f = np.delete(times(force), lost), np.delete(force, lost)
    pull = only(found(f, SETTINGS, t))
    assert pull.reasons == ("interrupted: no samples for 0.21 s while the force rose",)


def after_a_loss(force: Floats, settings: PullSettings = SETTINGS) -> list[Pull]:
    """What is found once a port is back that was lost in mid-pull."""
    before = line(REST, *PULL, REST)
    finder = PullFinder(settings)
    assert finder.feed(times(before)[:180], before[:180]) == []
    assert only(finder.interrupt("interrupted: gone")).reasons == ("interrupted: gone",)
    assert finder.rest_n is None
    pulls = [*finder.feed(times(force) + 10.0, force), *finder.finish()]
    assert all(pull.first_number >= 180 for pull in pulls)
    return pulls


def test_back_at_its_old_rest_a_gauge_goes_on_after_a_lost_port() -> None:
    pull = only(after_a_loss(line(REST, *PULL, REST)))
    assert pull.reasons == ()
    assert pull.breakaway_n == pytest.approx(3.0)


def test_another_zero_after_a_lost_port_is_believed_when_it_lasts() -> None:
    hasty = only(after_a_loss(line(REST, *PULL, REST) + 0.7))
    assert hasty.reasons[0].startswith("started without rest: the force had not been back")
    patient = only(after_a_loss(line((4.0, 0.0), *PULL, REST) + 0.7))
    assert patient.reasons == ()
    assert patient.breakaway_n == pytest.approx(3.0)


TAUT = ((1.2, 1.5), (0.6, 3.0), (0.05, 2.3), (0.9, 2.3), (0.12, 0.0), (1.5, 0.0))
"""A string held at 1.5 N for longer than a page, pulled on to 3 N, let go."""


def test_a_string_held_taut_is_no_rest_after_a_lost_port() -> None:
    pulls = after_a_loss(line(*TAUT, *PULL, REST, start_n=1.5))
    assert [bool(pull.reasons) for pull in pulls] == [True, False]
    assert pulls[-1].breakaway_n == pytest.approx(3.0)


def test_a_string_held_taut_is_no_rest_when_a_stream_begins() -> None:
    pulls = found(line(*TAUT, *PULL, (1.5, 0.0), *PULL, REST, start_n=1.5))
    assert [pull.reasons[:1] for pull in pulls[:1]] == [
        (
            "started without rest: the force fell below where it had been before the pull; "
            "let go between pulls",
        )
    ]
    assert [pull.breakaway_n for pull in pulls if not pull.reasons] == pytest.approx([3.0, 3.0])


@pytest.mark.parametrize("seconds", [8.0, 12.0, 35.0])
def test_after_a_pull_that_was_cut_off_nothing_is_measured_from_its_middle(seconds: float) -> None:
    slow = ((seconds, 3.0), (0.05, 2.3), (1.0, 2.3), (0.15, 0.0), (1.5, 0.0))
    force = line(REST, *slow, *PULL, (1.5, 0.0), *PULL, REST)
    noisy = np.round(force + np.random.default_rng(0).normal(0, 0.004, len(force)), 2)
    pulls = found(noisy, replace(SETTINGS, max_pull_s=5.0, min_force_n=0.16))
    cut_off = [pull for pull in pulls if "never released: under load for more than 5 s" in pull.reasons]
    assert cut_off[0].t_start_s < 5.0
    assert [pull.breakaway_n for pull in pulls if not pull.reasons] == pytest.approx([3.0, 3.0], abs=0.03)


def test_a_zero_that_moved_up_under_load_is_believed_in_the_end() -> None:
    force = line(REST, *PULL, REST, (8.0, 2.0), (45.0, 2.0), *((s, 2.0 + n) for s, n in PULL), (1.0, 2.0))
    pulls = found(force, replace(SETTINGS, max_pull_s=5.0, min_force_n=0.16))
    assert [bool(pull.reasons) for pull in pulls] == [False, True, False]
    assert pulls[-1].breakaway_n == pytest.approx(3.0)


@pytest.mark.parametrize("height_n", [0.02, 0.5])
@pytest.mark.parametrize("seconds", [0.01, 0.02])
def test_a_knock_is_no_pull(height_n: float, seconds: float) -> None:
    assert found(line(REST, (seconds / 2, height_n), (seconds / 2, 0.0), REST, REST), KEEN) == []


def drifting(kind: str) -> Floats:
    t = np.arange(6000) / 100.0
    rng = np.random.default_rng(2)
    force = {
        "steady": 0.02 * t,
        "warming up": 0.8 * (1 - np.exp(-t / 15)),
        "to and fro": 0.3 * np.sin(2 * np.pi * t / 20),
        "silent": np.zeros(len(t)),
    }[kind]
    return np.asarray(np.round(force + rng.normal(0, 0.004, len(t)), 2))


@pytest.mark.parametrize("kind", ["steady", "warming up", "to and fro", "silent"])
def test_drift_alone_is_no_pull(kind: str) -> None:
    assert found(drifting(kind), replace(SETTINGS, min_force_n=0.3)) == []


def test_being_pushed_back_is_not_being_at_rest() -> None:
    pull = only(found(line(REST, (0.1, -2.0), (0.5, -2.0), (0.1, 0.0), (0.4, 0.0), *PULL, REST), KEEN))
    assert pull.contact_s == pytest.approx(0.4, abs=0.03)


def test_a_pull_whose_release_ends_with_the_samples_is_complete() -> None:
    pull = only(found(line(REST, *PULL, (0.16, 0.0))))
    assert pull.verdict == "accepted"


def test_a_slippery_panel_s_break_is_not_taken_for_its_sliding() -> None:
    """Little static over kinetic friction and a hand that trembles: the first peak still stands out."""
    surface = replace(SURFACES["treated"], mu_static=0.15, mu_kinetic=0.13)
    trace = simulate_pulls(surface, HANDS["clean"], pulls=30, seed=1, rig=Rig(mass_kg=0.8))
    t, shown = GaugeFront(rate_hz=100.0, resolution_n=0.01, noise_n=0.005).sample(trace, seed=3)
    finder = PullFinder(PullSettings(100.0, 0.01, min_force_n=0.157))
    pulls = [*finder.feed(t, shown), *finder.finish()]
    assert len(pulls) == 30
    for pull, truth in zip(pulls, trace.truth, strict=True):
        assert pull.breakaway_n == pytest.approx(truth.peak_n, rel=0.05)
