"""How many readings it takes; products, panels and their numbers are invented."""

import math

import numpy as np
import numpy.typing as npt
import pytest

from acquire.errors import MethodError
from acquire.model import CalibrationState, Reading, Stamp, UncertaintyPart
from acquire.model import Test as Kind
from acquire.planning import Past, Plan, past_of, plan, power_of
from acquire.scoring.method import Method
from acquire.scoring.results import Scorecard
from acquire.scoring.scorecard import score
from acquire.scoring.statistics import sd
from tests.scoring_kit import STANDARD, TRIAL, method, series

BARE = [3.10, 3.05, 3.12, 3.08, 3.11, 3.07]
TREATED = [1.02, 1.05, 1.01, 1.04, 1.00, 1.03]
WEIGHT_N = 0.8 * 9.80665
Floats = npt.NDArray[np.float64]


def past(**changed: object) -> Past:
    whole: dict[str, object] = {
        "test": Kind.SLIP,
        "unit": "1",
        "trials_n": 5,
        "sets_n": 10,
        "readings": 6,
        "panels": 1,
        "repeatability_sd": 0.01,
        "panel_sd": 0.0,
        "panel_freedom": 5,
        "panel_clamped": False,
        "display": 0.0,
        "check": 0.0,
        "shared_fraction": 0.0,
    }
    return Past.model_validate(whole | changed)


def trial(lift: float = 0.0, panels: int = 2, stamp: Stamp | None = None, name: str = TRIAL) -> Scorecard:
    """Slip on panels whose gain differs by `lift` newton from one to the next."""
    readings: list[Reading] = []
    for number in range(panels):
        here = [value + lift * number for value in BARE]
        readings += series(Kind.SLIP, here, panel=f"P{number}")
        readings += series(Kind.SLIP, TREATED, phase="treated", panel=f"P{number}")
    own = [
        reading.model_copy(
            update={
                "trial": name,
                "id": f"{name}-{reading.id}",
                "resolution": 0.01,
                "stamp": stamp or reading.stamp,
            }
        )
        for reading in readings
    ]
    return score(method(), own, trial=name, gravity=STANDARD)


def slip(cards: list[Scorecard], how: Method | None = None) -> Past:
    return past_of(cards, how or method(), Kind.SLIP)


def planned(
    difference: float, known: Past, *, readings: int | None = None, panels: int | None = None
) -> Plan:
    return plan(known, difference, readings=readings, panels=panels)


def test_repeatability_is_pooled_over_all_sets() -> None:
    found = slip([trial(), trial(name="other")])
    pooled = math.sqrt((sd(BARE) ** 2 + sd(TREATED) ** 2) / 2) / WEIGHT_N
    assert found.repeatability_sd == pytest.approx(pooled, rel=2e-3)  # friction is rounded to 0.001
    assert (found.trials_n, found.sets_n, found.readings, found.panels) == (2, 8, 6, 2)


def test_panels_that_differ_are_told_from_repeating() -> None:
    alike = slip([trial(lift=0.0)])
    assert (alike.panel_sd, alike.panel_clamped) == (0.0, True)
    unlike = slip([trial(lift=0.4)])
    assert unlike.panel_sd == pytest.approx(0.4 / WEIGHT_N / math.sqrt(2), rel=0.02)
    assert slip([trial(panels=1)]).panel_sd is None


def test_the_display_step_is_a_share_of_each_set() -> None:
    """The under-read is nothing here; the step of 0.01 N is divided by the square root of 12."""
    assert slip([trial()]).display == pytest.approx(0.01 / math.sqrt(12) / WEIGHT_N, rel=1e-6)


def test_what_trials_have_in_common_is_told_from_a_check() -> None:
    parts = (
        UncertaintyPart(source="weight", key="reference weight", standard_uncertainty=0.02),
        UncertaintyPart(source="repeats of the check", key="check one", standard_uncertainty=0.01),
    )
    stamp = Stamp(
        state=CalibrationState.IN_TOLERANCE,
        reason="as the test says",
        check="one",
        standard_uncertainty=math.hypot(0.02, 0.01),
        at_value=2.0,
        parts=parts,
    )
    found = slip([trial(stamp=stamp)])
    gain = (sum(BARE) - sum(TREATED)) / 6 / WEIGHT_N
    assert found.check == pytest.approx(0.01 / 2 * gain, rel=1e-3)
    assert found.shared_fraction == pytest.approx(math.hypot(0.02 / 2, 0.0005 / 0.8), rel=1e-3)


def test_more_readings_are_needed_for_less() -> None:
    counts = [planned(difference, past()).needed_readings for difference in (0.04, 0.02, 0.01)]
    assert counts[0] is not None
    assert counts == sorted(counts, key=lambda count: count or math.inf)
    found = planned(0.02, past())
    assert found.needed_readings is not None
    u = math.sqrt(4 * 0.01**2 / found.needed_readings)
    assert power_of(0.02, u, 4 * (found.needed_readings - 1), 0.05) >= 0.9
    fewer = found.needed_readings - 1
    assert power_of(0.02, math.sqrt(4 * 0.01**2 / fewer), 4 * (fewer - 1), 0.05) < 0.9


def test_the_smallest_difference_now_has_the_wanted_power() -> None:
    found = planned(0.02, past(check=0.002, shared_fraction=0.01))
    assert found.smallest_now is not None
    assert planned(found.smallest_now, found.past).power_now == pytest.approx(0.9, abs=1e-6)


def test_a_gauge_that_no_reading_can_mend_is_named() -> None:
    found = planned(0.02, past(check=0.02))
    assert (found.needed_readings, found.needed_panels) == (None, None)
    assert found.power_at_best < 0.9
    assert found.limited_by[0].share == "check"
    assert found.words[0] == (
        "no number of pulls or panels shows a difference of 0.02 with a power of 90 %; what it takes: better "
        "checks of the gauge, or both products under one check"
    )


def test_a_shared_doubt_can_hide_any_difference() -> None:
    found = planned(0.02, past(shared_fraction=0.5))
    assert found.smallest_now is None
    assert "better references" in found.words[0]


def test_panels_help_where_readings_do_not() -> None:
    found = planned(0.02, past(panel_sd=0.01))
    assert found.needed_readings is None
    assert found.words[0].startswith("no number of pulls on 1 panel(s) of each product shows")
    assert found.words[0].endswith("what it takes: more panels")
    assert found.needed_panels is not None
    assert found.words[1] == f"{found.needed_panels} panels of each product with 6 pulls each do"


def test_too_many_readings_are_not_called_impossible() -> None:
    found = planned(0.002, past())
    assert found.needed_readings is None
    assert found.power_at_best_readings == pytest.approx(1)
    assert found.words[0].startswith("more than 200 pulls on 1 panel(s) of each product would be needed")


def test_what_is_not_known_of_panels_is_said() -> None:
    assert "too hopeful" in planned(0.02, past(panel_sd=None)).words[-1]
    assert "set to 0" in planned(0.02, past(panel_clamped=True)).words[-1]


def test_a_plan_from_trials_on_one_panel_each() -> None:
    """All that a new bench has: how panels differ is not known, with no degrees of freedom at all."""
    known = slip([trial(panels=1)])
    assert (known.panel_sd, known.panel_freedom) == (None, 0)
    found = planned(0.02, known)
    assert found.needed_readings is not None
    assert "too hopeful" in found.words[-1]


@pytest.mark.parametrize(
    ("said", "fault"),
    [
        ({"difference": 0.0}, "a difference of 0"),
        ({"difference": math.nan}, "a difference of nan"),
        ({"power": 1.0}, "a power of 1"),
        ({"level": 0.0}, "a level of 0"),
    ],
)
def test_numbers_that_cannot_be(said: dict[str, float], fault: str) -> None:
    whole = {"difference": 0.02, "power": 0.9, "level": 0.05} | said
    with pytest.raises(MethodError, match=fault):
        plan(past(), whole["difference"], power=whole["power"], level=whole["level"])


def test_a_plan_needs_a_past() -> None:
    with pytest.raises(MethodError, match="no trial has a score in slip yet") as caught:
        slip([])
    assert "measure one first" in caught.value.hint
    with pytest.raises(MethodError, match="handling is not planned by counting readings"):
        past_of([trial()], method(), Kind.HANDLING)


def drawn(panel: float, repeat: float, gap: float) -> tuple[Floats, Floats]:
    """Differences of two products on 3 panels each, 6 readings a set, and the variance within their sets."""
    rng = np.random.default_rng(5)
    readings = rng.normal(0, repeat, (20_000, 2, 3, 2, 6))
    sets = readings.mean(axis=-1)
    gains = (
        np.array([0.0, gap])[None, :, None]
        + rng.normal(0, panel, (20_000, 2, 3))
        + sets[..., 0]
        - sets[..., 1]
    )
    means = gains.mean(axis=2)
    return means[:, 1] - means[:, 0], readings.var(axis=-1, ddof=1).mean(axis=(1, 2, 3))


@pytest.mark.slow
def test_the_power_of_a_plan_is_what_a_simulation_finds() -> None:
    found = planned(0.05, past(repeatability_sd=0.03, panel_sd=None), readings=6, panels=3)
    differences, within = drawn(0.0, 0.03, 0.05)
    t = differences / np.sqrt(4 * within / (6 * 3))
    # Student with 4 × 3 × 5 degrees of freedom, 5 % two-sided.
    assert float((np.abs(t) > 2.000298).mean()) == pytest.approx(found.power_now, abs=0.01)


@pytest.mark.slow
def test_the_doubt_of_a_plan_is_what_a_simulation_finds() -> None:
    found = planned(0.05, past(repeatability_sd=0.03, panel_sd=0.02), readings=6, panels=3)
    differences, _ = drawn(0.02, 0.03, 0.05)
    size = math.sqrt(sum(one.standard_uncertainty**2 for one in found.limited_by))
    assert float(differences.std()) == pytest.approx(size, rel=0.02)
    assert float(differences.mean()) == pytest.approx(0.05, abs=0.001)


@pytest.mark.slow
def test_sample_sizes_by_simulation() -> None:
    """Two groups of 26 that lie 0.8 standard deviations apart are told apart in 80 of 100 cases."""
    rng = np.random.default_rng(3)
    one, other = rng.normal(0, 1, (20_000, 26)), rng.normal(0.8, 1, (20_000, 26))
    t = (other.mean(1) - one.mean(1)) / np.sqrt((one.var(1, ddof=1) + other.var(1, ddof=1)) / 26)
    assert float((np.abs(t) > 2.008559).mean()) == pytest.approx(
        power_of(0.8, math.sqrt(2 / 26), 50, 0.05), abs=0.01
    )
