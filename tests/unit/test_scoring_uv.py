"""UV screening: detected, or not at this sensitivity; readings and panels are invented."""

import math
from typing import Any

import numpy as np
import pytest

from acquire.model import Phase, RawRef, Reading, Step
from acquire.model import Test as Kind
from acquire.outputs.words import figure_words
from acquire.scoring.detection import critical_value, smallest_detectable
from acquire.scoring.method import Method
from acquire.scoring.results import Score, Scorecard, Screening
from acquire.scoring.scorecard import score
from acquire.scoring.statistics import sd
from tests.scoring_kit import START, TRIAL, method, stamp

WOBBLE = [0.03, -0.02, 0.0, 0.05, -0.04, -0.02]


def rules(*changes: tuple[str, str]) -> Method:
    return method(("[uv]\nused = false", "[uv]\nused = true"), *changes)


def lit(
    centre: float, phase: Phase, zone: str | None = None, *, panel: str = "P1", **fields: Any
) -> list[Reading]:
    """Six irradiances about a centre, in W/m2."""
    defaults: dict[str, Any] = {"resolution": 0.01, "stamp": stamp(u=0.4)}
    return [
        Reading(
            id=f"{panel}-{phase}-{zone}-{i}",
            trial=TRIAL,
            step=Step(test=Kind.UV, panel=panel, phase=phase, zone=zone),
            quantity="irradiance",
            value=round(centre + away * (1 if phase == "bare" else -1), 6),
            unit="W/m2",
            gauge="lamp-gauge",
            t_utc=START,
            t_mono_ns=i,
            t_source="host read",
            raw=RawRef(recording="invented.rec", opening=0, first_byte=0, last_byte=8, ordinal=i),
            **(defaults | fields),
        )
        for i, away in enumerate(WOBBLE)
    ]


def panel_lit(
    bare: float, treated: float, control_bare: float = 10.0, control_treated: float = 10.0, **fields: Any
) -> list[Reading]:
    return (
        lit(bare, "bare", **fields)
        + lit(treated, "treated", **fields)
        + lit(control_bare, "bare", "control", **fields)
        + lit(control_treated, "treated", "control", **fields)
    )


def card(readings: list[Reading], how: Method | None = None, **said: Any) -> Scorecard:
    return score(how or rules(), readings, trial=TRIAL, **said)


def of(readings: list[Reading], how: Method | None = None) -> Score:
    found = card(readings, how).score(Kind.UV)
    assert found is not None
    return found


def screened(found: Score) -> Screening:
    assert found.screening is not None, found.reasons
    return found.screening


def test_an_effect_is_told_with_its_uncertainty() -> None:
    found = of(panel_lit(10.0, 8.0))
    said = screened(found)
    assert said.detected
    assert said.effect == pytest.approx(20.0, abs=1e-9)
    assert said.words == f"effect detected: 20.00 % ± {said.expanded_uncertainty:.2f} % less UV"
    assert found.notes[0] == said.words
    assert figure_words(found.panels[0], found) == "UV 20.00 % lower when treated"


def test_no_effect_is_told_only_at_its_sensitivity() -> None:
    found = of(panel_lit(10.0, 9.99))
    said = screened(found)
    assert not said.detected
    assert said.words == (
        f"no effect detected at this sensitivity (smallest detectable {said.smallest_detectable:.2g} %)"
    )
    assert found.status == "given"
    assert found.panels[0].figure is None
    assert figure_words(found.panels[0], found) == said.words
    assert "protect" not in str(found.model_dump())


def test_the_sensitivity_by_hand() -> None:
    """Four means of six, each with its scatter and the display step; the gauge's scale error cancels."""
    said = screened(of(panel_lit(10.0, 10.0)))
    scatter, step = sd(WOBBLE) / math.sqrt(6), 0.01 / math.sqrt(12)
    each = math.hypot(scatter, step) / 10
    size = 100 * 2 * each
    freedom = (2 * each) ** 4 / (4 * (scatter / 10) ** 4 / 5)
    assert said.effective_degrees_of_freedom == pytest.approx(freedom, rel=1e-6)
    assert said.critical == pytest.approx(critical_value(size, 0.05, freedom), rel=1e-6)
    assert said.smallest_detectable == pytest.approx(smallest_detectable(size, 0.05, 0.05, freedom), rel=1e-6)


def test_a_lamp_that_faded_is_divided_out() -> None:
    said = screened(of(panel_lit(10.0, 9.0, 10.0, 9.0)))
    assert said.effect == pytest.approx(0.0, abs=1e-9)
    assert not said.detected
    both = screened(of(panel_lit(10.0, 7.2, 10.0, 9.0)))
    assert both.effect == pytest.approx(20.0, abs=1e-9)


def test_without_a_control_zone_the_result_is_withheld() -> None:
    alone = lit(10.0, "bare") + lit(8.0, "treated")
    found = of(alone)
    assert (found.status, found.screening) == ("not given", None)
    assert found.reasons[0].startswith("bare UV screening on P1 (control zone)")
    allowed = of(alone, rules(("control = true", "control = false")))
    assert screened(allowed).detected
    assert any("a lamp that changed in between would look like an effect" in note for note in allowed.notes)


def test_more_uv_than_bare_is_no_effect_and_is_noted() -> None:
    found = of(panel_lit(10.0, 11.0))
    assert not screened(found).detected
    assert "more UV with the product than without, beyond chance" in found.notes[1]


def test_several_panels_are_averaged() -> None:
    found = of(panel_lit(10.0, 8.0) + panel_lit(10.0, 9.0, panel="P2"))
    assert screened(found).effect == pytest.approx(15.0, abs=1e-9)
    assert [panel.figure and panel.figure.value for panel in found.panels] == pytest.approx([-20, -10])


def test_an_opaque_film_is_detected() -> None:
    dark = [one.model_copy(update={"value": 0.0}) for one in lit(0.0, "treated")]
    readings = [one for one in panel_lit(10.0, 8.0) if one.step.phase == "bare" or one.step.zone] + dark
    assert screened(of(readings)).effect == pytest.approx(100)


def test_a_dark_reference_is_refused_in_words() -> None:
    dark = [one.model_copy(update={"value": 0.0}) for one in lit(0.0, "bare")]
    readings = [one for one in panel_lit(10.0, 8.0) if one.step.phase != "bare" or one.step.zone] + dark
    assert of(readings).reasons == (
        "bare UV screening on P1: no light to compare with; is the lamp on, and the gauge beneath it?",
    )


def test_without_scatter_and_display_step_there_is_no_sensitivity() -> None:
    still = [one.model_copy(update={"value": 10.0, "resolution": 0.0}) for one in panel_lit(10.0, 10.0)]
    found = of(still)
    assert found.screening is None
    assert found.reasons == (
        "the readings never differ and their gauge tells no display step: sensitivity unknown",
    )


def test_a_screening_is_worth_nothing_and_holds_nothing_up() -> None:
    """By the shipped rule; a method may say otherwise, and then it does both."""
    free = card([])
    assert Kind.UV not in free.total.missing
    paid = rules(("points_if_detected = 0 ", "points_if_detected = 1.5 "))
    assert Kind.UV in card([], paid).total.missing
    assert Kind.UV not in card([], paid, control=True).total.missing
    found = of(panel_lit(10.0, 8.0), paid)
    assert found.points is not None
    assert found.points.value == 1.5
    none = of(panel_lit(10.0, 10.0), paid)
    assert none.points is not None
    assert none.points.value == 0


def test_what_is_none_of_it_is_left_out_with_a_reason() -> None:
    washed = [
        one.model_copy(update={"id": f"w{one.id}", "step": one.step.model_copy(update={"stage": 60})})
        for one in lit(9.0, "treated")
    ]
    warm = [
        one.model_copy(update={"id": f"t{one.id}", "quantity": "temperature", "unit": "degC"})
        for one in washed[:1]
    ]
    warm = [one.model_copy(update={"step": one.step.model_copy(update={"stage": None})}) for one in warm]
    found = of(panel_lit(10.0, 8.0) + washed + warm)
    reasons = {out.why for out in found.left_out}
    assert reasons == {
        "measured at wash stage 60; the method screens the unwashed panel",
        "a temperature in degC, where an irradiance in W/m2 is needed",
    }
    assert len(found.used) == 24


def test_a_method_without_the_section_screens_nothing() -> None:
    assert card(panel_lit(10.0, 8.0), method()).score(Kind.UV) is None


@pytest.mark.slow
def test_alpha_and_beta_are_kept() -> None:
    """Drawn at random with known scatter: false alarms and misses come as often as the method says."""
    rng = np.random.default_rng(11)
    runs, scatter = 4000, 0.05

    def detected(less: float) -> float:
        seen = 0
        for _ in range(runs):
            sets = rng.normal([[10.0], [10.0 * (1 - less)], [10.0], [10.0]], scatter, (4, 6))
            spread = np.sqrt((sets.var(axis=1, ddof=1) / 6).sum()) / 10
            parts = sets.var(axis=1, ddof=1) / 6 / 100
            freedom = parts.sum() ** 2 / (parts**2 / 5).sum()
            means = sets.mean(axis=1)
            effect = 1 - (means[1] / means[0]) / (means[3] / means[2])
            seen += effect > critical_value(spread, 0.05, freedom)
        return seen / runs

    assert detected(0.0) == pytest.approx(0.05, abs=0.012)
    true_size = 2 * scatter / math.sqrt(6) / 10
    assert detected(smallest_detectable(true_size, 0.05, 0.05, 20)) == pytest.approx(0.95, abs=0.015)
