"""What a score's uncertainty is made of: parts of stamps, corrections, and what trials have in common."""

import math
from typing import Any, Literal

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from acquire.model import AppliedCorrection, CalibrationState, Reading, Stamp, UncertaintyPart
from acquire.model import Test as Kind
from acquire.scoring.method import Gravity, Method
from acquire.scoring.results import BudgetLine, Points, Scorecard
from acquire.scoring.scorecard import score
from acquire.scoring.statistics import mean
from acquire.scoring.uncertainty import Sources, Uncertain
from tests.scoring_kit import STANDARD, TRIAL, method, series, stamp

BARE = [3.10, 3.05, 3.12, 3.08, 3.11, 3.07]
TREATED = [1.02, 1.05, 1.01, 1.04, 1.00, 1.03]
WEIGHT_N = 0.8 * 9.80665
RATE = 40 / WEIGHT_N
GAIN_N = mean(BARE) - mean(TREATED)


def part(
    key: str,
    u: float,
    freedom: float | None = None,
    distribution: Literal["normal", "rectangular"] = "normal",
) -> UncertaintyPart:
    return UncertaintyPart(
        source=f"the {key}",
        key=key,
        standard_uncertainty=u,
        degrees_of_freedom=freedom,
        distribution=distribution,
    )


def stamped(check: str | None, at: float | None, *parts: UncertaintyPart) -> Stamp:
    return Stamp(
        state=CalibrationState.IN_TOLERANCE,
        reason="as the test says",
        check=check,
        at_value=at,
        standard_uncertainty=math.hypot(*(one.standard_uncertainty for one in parts)),
        parts=parts,
    )


def slip(bare: Stamp, treated: Stamp, trial: str = TRIAL, **fields: Any) -> list[Reading]:
    fields = {"trial": trial} | fields
    return series(Kind.SLIP, BARE, stamp=bare, **fields) + series(
        Kind.SLIP, TREATED, phase="treated", stamp=treated, **fields
    )


def scored(readings: list[Reading], rules: Method | None = None, trial: str = TRIAL) -> Scorecard:
    return score(rules or method(), readings, trial=trial, gravity=STANDARD)


def budget(card: Scorecard) -> dict[str, BudgetLine]:
    found = points_of(card)
    lines = {line.key: line for line in found.budget}
    assert len(lines) == len(found.budget), "a key stands for one line"
    return lines


def points_of(card: Scorecard) -> Points:
    found = card.score(Kind.SLIP)
    assert found is not None
    assert found.points is not None, found.reasons
    return found.points


def test_each_part_of_a_stamp_is_a_line_that_keeps_its_words() -> None:
    one = stamped(
        "check-1", 1.96, part("reference weight-200g", 0.002), part("drift", 0.003, 4.0, "rectangular")
    )
    lines = budget(scored(slip(one, one)))
    drift = lines["drift"]
    assert (drift.source, drift.distribution, drift.degrees_of_freedom) == ("the drift", "rectangular", 4.0)
    # 0.003 N at 1.96 N is a share of the scale, and the gain rests on the difference of the means.
    assert drift.standard_uncertainty == pytest.approx(0.003 / 1.96, rel=1e-12)
    assert drift.sensitivity == pytest.approx(RATE * GAIN_N, rel=1e-12)
    assert drift.contribution == pytest.approx(RATE * GAIN_N * 0.003 / 1.96, rel=1e-12)
    assert lines["reference weight-200g"].contribution == pytest.approx(RATE * GAIN_N * 0.002 / 1.96)
    assert "gauge force-gauge by check-1" not in lines


def test_two_checks_err_apart_but_for_the_reference_they_share() -> None:
    first, second = (
        stamped(id_, 2.0, part("reference", 0.004), part(f"check {id_}", 0.006)) for id_ in ("one", "two")
    )
    found = budget(scored(slip(first, second)))
    assert found["reference"].contribution == pytest.approx(RATE * GAIN_N * 0.002)
    assert found["check one"].sensitivity == pytest.approx(RATE * mean(BARE))
    assert found["check two"].sensitivity == pytest.approx(-RATE * mean(TREATED))
    within = budget(scored(slip(first, first)))
    assert within["check one"].contribution < found["check one"].contribution


def test_a_check_in_the_middle_of_a_set_weighs_by_its_readings() -> None:
    first, second = (stamped(id_, 2.0, part(f"check {id_}", 0.006)) for id_ in ("one", "two"))
    readings = slip(first, second)
    readings[4:6] = [item.model_copy(update={"stamp": second}) for item in readings[4:6]]
    found = budget(scored(readings))
    assert found["check one"].sensitivity == pytest.approx(RATE * sum(BARE[:4]) / 6)
    assert found["check two"].sensitivity == pytest.approx(RATE * (sum(BARE[4:]) / 6 - mean(TREATED)))


def test_one_error_known_less_well_later_on_counts_by_its_size_then() -> None:
    """Drift since one check: nothing of it at once, 0.01 N an hour later. It does not cancel."""
    early = stamped("check-1", 2.0, part("drift", 0.001))
    late = stamped("check-1", 2.0, part("drift", 0.01))
    found = budget(scored(slip(early, late)))["drift"]
    assert found.contribution == pytest.approx(RATE * (mean(TREATED) * 0.005 - mean(BARE) * 0.0005))


def test_parts_of_an_offset_are_in_the_readings_unit() -> None:
    rules = method(
        ('gauge_error = "scale"            # a gauge', 'gauge_error = "offset"           # a gauge')
    )
    first, second = (
        stamped(id_, 2.0, part("reference", 0.004), part(f"check {id_}", 0.006)) for id_ in ("one", "two")
    )
    found = budget(scored(slip(first, second), rules))
    assert found["reference"].contribution == pytest.approx(0, abs=1e-12)
    assert found["check two"].contribution == pytest.approx(RATE * 0.006)
    assert found["check two"].unit == "N"


def test_parts_without_a_check_hold_at_every_reading_alike() -> None:
    open_ended = stamped(None, None, part("unchecked force", 0.02, distribution="rectangular"))
    found = budget(scored(slip(open_ended, open_ended)))["unchecked force"]
    assert found.contribution == pytest.approx(RATE * GAIN_N * 0.02 / max(BARE))


def test_an_older_journal_keeps_the_whole_stamp_as_one_error_of_its_check() -> None:
    readings = slip(stamp(u=0.05), stamp(u=0.05))
    lines = budget(scored(readings))
    assert f"{TRIAL}: gauge force-gauge unchecked" in lines
    checked = stamp(u=0.05).model_copy(update={"check": "check-7"})
    assert "gauge force-gauge by check-7" in budget(scored(slip(checked, checked)))


def test_a_correction_moves_the_value_and_brings_its_own_doubt() -> None:
    fit = AppliedCorrection(id="correction-9", amount=0.25, standard_uncertainty=0.004)
    plain = slip(stamp(), stamp())
    corrected = [
        item.model_copy(update={"correction": fit}) if item.step.phase == "treated" else item
        for item in plain
    ]
    card = scored(corrected)
    assert points_of(card).unrounded == pytest.approx(RATE * (GAIN_N - 0.25), rel=1e-12)
    line = budget(card)["correction correction-9"]
    assert line.sensitivity == pytest.approx(-RATE)
    assert (line.standard_uncertainty, line.unit) == (0.004, "N")
    assert corrected[6].value == TREATED[0]
    assert card.scores[0].notes[0] == (
        "treated on P1: 6 of the 6 readings used are corrected as fitted (correction-9)"
    )


def test_gravity_cancels_between_check_weights_and_block() -> None:
    """Gravity makes both the newton of the gauge and the load of the block: friction knows nothing of it."""
    u = 0.002
    weighed = stamped("check-1", 2.0, part("gravity", 2.0 * u / 9.80665), part("reference", 0.001))
    here = Gravity(9.80665, u, "the same for both")
    found = score(method(), slip(weighed, weighed), trial=TRIAL, gravity=here)
    assert budget(found)["gravity"].contribution == pytest.approx(0, abs=1e-12)
    apart = score(method(), slip(stamp(), stamp()), trial=TRIAL, gravity=here)
    assert budget(apart)["gravity"].contribution == pytest.approx(RATE * GAIN_N * u / 9.80665)


def test_only_what_is_common_has_a_common_key() -> None:
    one = stamped("check-1", 2.0, part("reference weight-200g", 0.004), part("check check-1", 0.006))
    both = [
        scored(slip(one, one, trial, resolution=0.01, under_read=0.02), trial=trial)
        for trial in ("one", "other")
    ]
    common = set(budget(both[0])) & set(budget(both[1]))
    assert common == {"block", "reference weight-200g", "check check-1"}
    for name in set(budget(both[0])) - common:
        assert name.startswith("one: ")


def test_a_difference_of_two_trials_by_their_budgets_against_random_draws() -> None:
    """Covariance by equal keys, as BudgetLine says, against the same model drawn 200,000 times."""
    one = stamped("check-1", 2.0, part("reference", 0.03), part("check check-1", 0.02))
    two = stamped("check-2", 2.0, part("reference", 0.03), part("check check-2", 0.02))
    rules = method(("uncertainty_kg = 0.0005", "uncertainty_kg = 0.004"))
    first = budget(scored(slip(one, one), rules))
    worse = [item.model_copy(update={"trial": "b", "value": item.value * 0.8}) for item in slip(two, two)]
    second = budget(scored(worse, rules, "b"))
    keys = first.keys() | second.keys()

    def signed(lines: dict[str, BudgetLine], key: str) -> float:
        return lines[key].sensitivity * lines[key].standard_uncertainty if key in lines else 0.0

    by_keys = math.sqrt(sum((signed(first, key) - signed(second, key)) ** 2 for key in keys))
    rng = np.random.default_rng(11)
    draws = 200_000
    mass = rng.normal(0.8, 0.004, draws)
    shared = rng.normal(0, 0.03 / 2, draws)
    totals = []
    for scale, spread in ((1.0, first), (0.8, second)):
        own = [
            line.standard_uncertainty
            for line in spread.values()
            if line.source.startswith(("repeatability", "resolution"))
        ]
        noise = np.sum([rng.normal(0, u, draws) for u in own], axis=0)
        factor = 1 + shared + rng.normal(0, 0.02 / 2, draws)
        totals.append(40 * (scale * GAIN_N * factor + noise) / (mass * 9.80665))
    assert by_keys == pytest.approx(float(np.std(totals[0] - totals[1])), rel=0.01)


def test_readings_of_the_control_zone_are_not_mixed_with_the_treated_ones() -> None:
    readings = slip(stamp(), stamp())
    beside = [
        item.model_copy(
            update={
                "id": f"{item.id}-control",
                "value": 3.0,
                "step": item.step.model_copy(update={"zone": "control"}),
            }
        )
        for item in readings[6:]
    ]
    found, plain = (scored(items).score(Kind.SLIP) for items in (readings + beside, readings))
    assert found is not None
    assert plain is not None
    assert found.points == plain.points
    assert {out.why for out in found.left_out} == {
        "measured on the control zone; the method scores the treated area"
    }


finite = st.floats(0.5, 20.0) | st.floats(-20.0, -0.5)


@given(
    st.lists(st.tuples(finite, st.floats(0.001, 0.5)), min_size=4, max_size=4),
    st.lists(st.tuples(st.sampled_from("+-*/"), st.integers(0, 3)), min_size=1, max_size=6),
)
def test_propagation_agrees_with_an_independent_library(
    made: list[tuple[float, float]], steps: list[tuple[str, int]]
) -> None:
    """Against the `uncertainties` package, through sums, products and quotients that share variables."""
    sources = Sources()
    ours = [sources.make(value, u, name=str(i), unit="1") for i, (value, u) in enumerate(made)]
    theirs = [uncertainties.ufloat(value, u) for value, u in made]
    mine: Uncertain = ours[0]
    reference: Any = theirs[0]
    for sign, index in steps:
        match sign:
            case "+":
                mine, reference = mine + ours[index], reference + theirs[index]
            case "-":
                mine, reference = mine - ours[index], reference - theirs[index]
            case "*":
                mine, reference = mine * ours[index], reference * theirs[index]
            case _:
                mine, reference = mine / ours[index], reference / theirs[index]
    size = 1e-9 * (1 + abs(mine.value))
    assert mine.value == pytest.approx(reference.nominal_value, rel=1e-9, abs=size)
    assert mine.standard_uncertainty == pytest.approx(reference.std_dev, rel=1e-9, abs=size)


def test_a_key_made_twice_is_one_error_and_a_name_made_twice_is_two() -> None:
    sources = Sources("larch")
    first, again = (sources.make(1.0, u, name="scale", unit="1", key="scale") for u in (0.1, 0.2))
    assert (first - again).standard_uncertainty == pytest.approx(0.1)
    apart = [sources.make(1.0, 0.1, name="step", unit="1") for _ in range(2)]
    assert (apart[0] - apart[1]).standard_uncertainty == pytest.approx(0.1 * math.sqrt(2))
