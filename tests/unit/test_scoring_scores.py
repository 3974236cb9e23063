"""Scores and their uncertainties: slip and gloss."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.model import CalibrationState, Reading
from acquire.model import Test as Kind
from acquire.scoring.method import Gravity, Method
from acquire.scoring.results import Points, Score
from acquire.scoring.scorecard import score
from acquire.scoring.statistics import mean, relative_sd_of_sd, sd
from tests.scoring_kit import STANDARD, TRIAL, method, series, stamp

BARE = [3.10, 3.05, 3.12, 3.08, 3.11, 3.07]
TREATED = [1.02, 1.05, 1.01, 1.04, 1.00, 1.03]
WEIGHT_N = 0.8 * 9.80665


def slip_readings(**fields: Any) -> list[Reading]:
    return series(Kind.SLIP, BARE, **fields) + series(Kind.SLIP, TREATED, phase="treated", **fields)


def gloss_readings(bare: float, treated: float) -> list[Reading]:
    wobble = [0.1, -0.1, 0.2, -0.2, 0.0, 0.3, -0.3, 0.0]
    return series(Kind.GLOSS, [bare + w for w in wobble]) + series(
        Kind.GLOSS, [treated + w for w in wobble], phase="treated"
    )


def of(
    kind: Kind, readings: list[Reading], rules: Method | None = None, gravity: Gravity = STANDARD
) -> Score:
    found = score(rules or method(), readings, trial=TRIAL, gravity=gravity).score(kind)
    assert found is not None
    return found


def points(found: Score) -> Points:
    assert found.points is not None, found.reasons
    return found.points


def test_slip_points_and_their_way() -> None:
    found = of(Kind.SLIP, slip_readings())
    expected = (mean(BARE) - mean(TREATED)) / WEIGHT_N * 40
    assert points(found).unrounded == pytest.approx(expected, rel=1e-12)
    assert points(found).text == f"{expected:.1f}"
    bare, treated = found.panels[0].sets
    assert bare.result is not None
    assert treated.result is not None
    assert (bare.result.text, treated.result.text) == ("0.394", "0.131")
    assert bare.sd == pytest.approx(sd(BARE))
    assert bare.sd_known_to == relative_sd_of_sd(6)
    assert len(found.used) == 12
    assert found.left_out == ()


def test_repeatability_alone() -> None:
    """Two means of six with nothing else uncertain: Welch and Satterthwaite by hand."""
    rules = method(("uncertainty_kg = 0.0005", "uncertainty_kg = 0.0"))
    found = points(of(Kind.SLIP, slip_readings(), rules))
    parts = [sd(values) / math.sqrt(6) for values in (BARE, TREATED)]
    scale = 40 / WEIGHT_N
    combined = math.hypot(*parts)
    assert found.standard_uncertainty == pytest.approx(scale * combined, rel=1e-9)
    freedom = combined**4 / sum(part**4 / 5 for part in parts)
    assert found.effective_degrees_of_freedom == pytest.approx(freedom, rel=1e-9)
    assert found.expanded_uncertainty == pytest.approx(found.coverage_factor * found.standard_uncertainty)
    assert [line.contribution for line in found.budget] == pytest.approx(
        sorted((scale * part for part in parts), reverse=True), rel=1e-9
    )


def test_the_budget_adds_up() -> None:
    readings = slip_readings(resolution=0.01, under_read=0.02, stamp=stamp(u=0.03))
    found = points(of(Kind.SLIP, readings, gravity=Gravity(9.81, 0.001, "test")))
    squares = math.fsum(line.contribution**2 for line in found.budget)
    assert math.sqrt(squares) == pytest.approx(found.standard_uncertainty, rel=1e-9)
    names = {line.source for line in found.budget}
    assert {"mass of the block", "gravity", "scale of gauge force-gauge"} <= names
    assert {"resolution, bare slip on P1", "under-read peaks, treated slip on P1"} <= names
    by_name = {line.source: line for line in found.budget}
    assert by_name["resolution, bare slip on P1"].standard_uncertainty == pytest.approx(0.01 / math.sqrt(12))
    assert by_name["under-read peaks, bare slip on P1"].standard_uncertainty == pytest.approx(
        0.02 / math.sqrt(3)
    )
    assert by_name["repeatability, bare slip on P1"].degrees_of_freedom == 5


def test_shared_sources_against_monte_carlo() -> None:
    """The same model drawn at random: two panels, one block, one gauge, one place."""
    u_mass, u_gravity, u_gauge, step = 0.004, 0.01, 0.05, 0.05
    second = [value + 0.3 for value in BARE]
    readings = [
        item.model_copy(update={"resolution": step, "stamp": stamp(u=u_gauge)})
        for item in slip_readings()
        + series(Kind.SLIP, second, panel="P2")
        + series(Kind.SLIP, TREATED, panel="P2", phase="treated")
    ]
    rules = method(("uncertainty_kg = 0.0005", f"uncertainty_kg = {u_mass}"))
    found = points(of(Kind.SLIP, readings, rules, Gravity(9.80665, u_gravity, "test")))

    rng = np.random.default_rng(7)
    draws = 200_000
    weight = rng.normal(0.8, u_mass, draws) * rng.normal(9.80665, u_gravity, draws)
    scale = 1 + rng.normal(0, u_gauge / max(second), draws)

    def drawn(values: list[float]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        noise = rng.normal(0, sd(values) / math.sqrt(len(values)), draws)
        return mean(values) * scale + noise + rng.uniform(-step / 2, step / 2, draws)

    gains = [(drawn(BARE) - drawn(TREATED)) / weight, (drawn(second) - drawn(TREATED)) / weight]
    simulated = 40 * (gains[0] + gains[1]) / 2
    assert found.unrounded == pytest.approx(float(simulated.mean()), rel=1e-3)
    assert found.standard_uncertainty == pytest.approx(float(simulated.std()), rel=0.01)


def test_under_reading_is_never_understated() -> None:
    """True forces lie anywhere from the shown one up to the bound: our share covers its mean square."""
    rules = method(("uncertainty_kg = 0.0005", "uncertainty_kg = 0.0"))
    bound = {"bare": 0.3, "treated": 0.1}
    readings = [item.model_copy(update={"under_read": bound[item.step.phase]}) for item in slip_readings()]
    found = points(of(Kind.SLIP, readings, rules))
    rng = np.random.default_rng(7)
    bare = mean(BARE) + rng.uniform(0, 0.3, 100_000) + rng.normal(0, sd(BARE) / math.sqrt(6), 100_000)
    treated = (
        mean(TREATED) + rng.uniform(0, 0.1, 100_000) + rng.normal(0, sd(TREATED) / math.sqrt(6), 100_000)
    )
    away = 40 / WEIGHT_N * (bare - treated) - found.unrounded
    assert math.sqrt(float(np.mean(away**2))) <= found.standard_uncertainty


def gauge_share(found: Points) -> float:
    return math.sqrt(sum(line.contribution**2 for line in found.budget if "gauge" in line.source))


def test_an_offset_of_the_shared_gauge_cancels_and_one_of_two_gauges_does_not() -> None:
    rules = method(
        ('gauge_error = "scale"            # a gauge', 'gauge_error = "offset"           # a gauge')
    )
    shared = slip_readings(stamp=stamp(u=0.05))
    assert gauge_share(points(of(Kind.SLIP, shared, rules))) == pytest.approx(0, abs=1e-12)
    two = [item.model_copy(update={"gauge": item.step.phase}) for item in shared]
    apart = gauge_share(points(of(Kind.SLIP, two, rules)))
    assert apart == pytest.approx(40 / WEIGHT_N * 0.05 * math.sqrt(2), rel=1e-9)


def test_a_scale_error_grows_with_the_gain() -> None:
    found = points(of(Kind.SLIP, slip_readings(stamp=stamp(u=0.05))))
    gain_n = mean(BARE) - mean(TREATED)
    assert gauge_share(found) == pytest.approx(40 / WEIGHT_N * gain_n * 0.05 / max(BARE), rel=1e-9)


@pytest.mark.parametrize("checked_n", [1.961, 4.903, 9.807])
def test_a_gauge_that_errs_in_proportion_weighs_the_same_whatever_weight_it_was_checked_on(
    checked_n: float,
) -> None:
    """2 % of scale found on 200 g, 500 g or 1 kg are 2 % of the gain."""
    found = points(of(Kind.SLIP, slip_readings(stamp=stamp(u=0.02 * checked_n, at=checked_n))))
    gain_n = mean(BARE) - mean(TREATED)
    assert gauge_share(found) == pytest.approx(40 / WEIGHT_N * gain_n * 0.02, rel=1e-9)


def test_the_least_certain_of_two_checks_rules_by_its_share() -> None:
    """0.06 N at 9.8 N is the better knowledge of a scale than 0.05 N at 2 N."""
    checks = {"bare": stamp(u=0.06, at=9.8), "treated": stamp(u=0.05, at=2.0)}
    readings = [item.model_copy(update={"stamp": checks[item.step.phase]}) for item in slip_readings()]
    gain_n = mean(BARE) - mean(TREATED)
    assert gauge_share(points(of(Kind.SLIP, readings))) == pytest.approx(
        40 / WEIGHT_N * gain_n * 0.05 / 2.0, rel=1e-9
    )


def test_a_gauge_without_stated_uncertainty_is_named() -> None:
    assert (
        "gauge force-gauge has no stated uncertainty, so none is counted for it"
        in of(Kind.SLIP, slip_readings()).notes
    )


def test_assumed_gravity_is_said_and_counted() -> None:
    card = score(method(), slip_readings(), trial=TRIAL)
    assert any("standard gravity, because" in line for line in card.assumptions)
    found = card.score(Kind.SLIP)
    assert found is not None
    assert "gravity" in {line.source for line in points(found).budget}


def test_points_average_over_panels_and_one_unfinished_panel_holds_the_score_back() -> None:
    second = series(Kind.SLIP, BARE, panel="P2") + series(
        Kind.SLIP, [value + 0.5 for value in TREATED], panel="P2", phase="treated"
    )
    both = points(of(Kind.SLIP, slip_readings() + second))
    expected = (mean(BARE) - mean(TREATED) - 0.25) / WEIGHT_N * 40
    assert both.unrounded == pytest.approx(expected, rel=1e-9)
    waiting = of(Kind.SLIP, slip_readings() + second[:6])
    assert waiting.status == "not given"
    assert waiting.points is None
    assert waiting.reasons == ("treated slip on P2: 0 of 6 readings count",)
    assert waiting.panels[0].figure is not None
    assert waiting.panels[1].figure is None


def test_no_readings_no_score() -> None:
    found = of(Kind.SLIP, [])
    assert (found.status, found.reasons, found.points) == ("not given", ("no readings yet",), None)


def test_readings_after_washing_are_left_out_and_named() -> None:
    washed = [
        item.model_copy(
            update={"id": f"washed-{item.id}", "step": item.step.model_copy(update={"stage": 400})}
        )
        for item in slip_readings()[6:]
    ]
    found = of(Kind.SLIP, slip_readings() + washed)
    assert found.status == "given"
    assert len(found.left_out) == 6
    assert found.left_out[0].why == "measured at wash stage 400; the method scores the unwashed panel"


def test_marks_and_flags_reach_the_score() -> None:
    readings = slip_readings()
    readings[0] = readings[0].model_copy(update={"stamp": stamp(CalibrationState.UNCHECKED)})
    readings[5] = readings[5].model_copy(update={"value": 5.0})
    found = of(Kind.SLIP, readings)
    assert [mark.id for mark in found.marks] == ["P1-bare-slip-0"]
    assert [flag.id for flag in found.flags] == ["P1-bare-slip-5"]
    assert found.notes[0].startswith("bare on P1: outlier, counted: 5 N lies")


@pytest.mark.parametrize(("treated", "expected"), [(95.0, 0.4 * 5), (86.0, -0.8 * 4), (90.0, 0.0)])
def test_gloss_gained_and_lost_have_their_own_rates(treated: float, expected: float) -> None:
    found = points(of(Kind.GLOSS, gloss_readings(90.0, treated)))
    assert found.value == pytest.approx(expected, abs=1e-12)
    assert found.unrounded == pytest.approx(expected, abs=1e-9)
    assert found.standard_uncertainty > 0


def test_stages_round_the_published_path_only() -> None:
    """A tie at the friction stage, met exactly although the force came in gram-force."""
    rules = method(
        ("block_mass_kg = 0.800", "block_mass_kg = 0.936"),
        ("friction = { quantum = 0.001,", "friction = { quantum = 0.01,"),
    )
    bare = series(Kind.SLIP, [351 * 0.00980665] * 6)
    treated = series(Kind.SLIP, [117 * 0.00980665] * 6, phase="treated")
    found = of(Kind.SLIP, bare + treated, rules)
    result = found.panels[0].sets[1].result
    assert result is not None
    assert result.text == "0.12"
    assert result.unrounded == pytest.approx(0.125, rel=1e-12)


@pytest.mark.slow
@given(st.lists(st.floats(0.2, 5.0), min_size=6, max_size=6), st.floats(0.0, 1.0))
def test_points_do_not_fall_as_friction_falls(treated: list[float], lower_by: float) -> None:
    bare = series(Kind.SLIP, BARE)
    some = points(of(Kind.SLIP, bare + series(Kind.SLIP, treated, phase="treated")))
    less = [value - lower_by * 0.2 for value in treated]
    more = points(of(Kind.SLIP, bare + series(Kind.SLIP, less, phase="treated")))
    assert more.value >= some.value
    assert more.unrounded >= some.unrounded - 1e-9


@pytest.mark.slow
@given(st.permutations(range(28)))
def test_the_order_of_readings_does_not_matter(order: list[int]) -> None:
    readings = slip_readings(resolution=0.01, stamp=stamp(u=0.02)) + gloss_readings(90.0, 93.0)
    readings[3] = readings[3].model_copy(update={"value": 4.4})
    shuffled = [readings[i] for i in order]
    assert score(method(), shuffled, trial=TRIAL) == score(method(), readings, trial=TRIAL)
