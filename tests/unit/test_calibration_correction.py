"""A fitted correction: from a check at several loads to the amount added to a reading."""

from datetime import timedelta
from math import sqrt

import pytest
from pydantic import ValidationError

from acquire.calibration.correction import (
    Correction,
    active_correction,
    correction_at,
    fit_correction,
    in_words,
    not_corrected,
)
from acquire.errors import ConfigError
from tests.bench_tools import NOON, check
from tests.unit.test_calibration_multipoint import Shows, measure


def fitted(shows: Shows, **changes: object) -> Correction:
    made = fit_correction(
        measure(shows), id="correction.force.all.1", from_check="check-1", by="A", reason="why", t_utc=NOON
    )
    return made.model_copy(update=changes)


def switched(on: bool, seq: int, *, gauge: str = "force", channel: str | None = None) -> Correction:
    made = fitted(lambda load_n, direction, run: 1.01 * load_n)
    return made.model_copy(update={"on": on, "id": f"c{seq}", "gauge": gauge, "channel": channel})


def test_a_gauge_that_shows_a_hundredth_too_much_is_corrected_by_that() -> None:
    correction = fitted(lambda load_n, direction, run: 1.01 * load_n)
    for shown in (0.0, 1.01, 2.02, 5.05):
        found = correction_at(correction, shown)
        assert found is not None
        amount, uncertainty = found
        assert shown + amount == pytest.approx(shown / 1.01, abs=1e-12)
        # Points that lie on the line to the last digit still have the display steps of load and zero.
        assert uncertainty >= 0.001 / sqrt(6) / sqrt(12)
    assert len(correction.coefficients) == 2
    assert correction.lowest == 0.0
    assert correction.highest == pytest.approx(5.05)


def test_its_uncertainty_is_that_of_the_fit_with_correlation() -> None:
    """Recomputed from the covariance by hand, as in GUM H.3."""
    correction = fitted(lambda load_n, direction, run: 1.01 * load_n + 0.003 * (-1) ** run)
    found = correction_at(correction, 4.0)
    assert found is not None
    away = 4.0 - correction.reference_point
    (c00, c01), (_, c11) = correction.covariance
    assert found[1] == pytest.approx(sqrt(c00 + 2 * away * c01 + away**2 * c11), rel=1e-12)
    assert correction.degrees_of_freedom == 10  # five loads and a zero in each of two runs, less two


def test_a_bent_gauge_gets_a_parabola_where_there_are_loads_enough() -> None:
    """Zero and three loads are four places."""
    correction = fitted(lambda load_n, direction, run: load_n + 0.002 * load_n**2 + 0.0002 * (-1) ** run)
    assert len(correction.coefficients) == 3
    found = correction_at(correction, 2.008)
    assert found is not None
    assert found[0] == pytest.approx(-0.008, abs=3e-4)


def test_outside_the_range_of_the_check_nothing_is_added_and_that_is_said() -> None:
    correction = fitted(lambda load_n, direction, run: 1.01 * load_n)
    assert correction_at(correction, 5.10) is not None  # the same weight a little higher the next time
    assert correction_at(correction, 5.11) is None
    assert correction_at(correction, -0.06) is None
    assert not_corrected(correction, 7.0) == (
        "7 N lies outside 0 to 5.05 N, where the correction of force was fitted: nothing is added"
    )


def test_the_newest_word_rules() -> None:
    on, off, again = switched(True, 1), switched(False, 2), switched(True, 3)
    assert active_correction([], "force") is None
    assert active_correction([on], "force") == on
    assert active_correction([on, off], "force") is None
    assert active_correction([on, off, again], "force") == again
    assert active_correction([on, switched(False, 2, gauge="other")], "force") == on
    assert active_correction([on], "force", "60") is None
    assert correction_at(off, 1.0) is None
    assert not_corrected(off, 1.0) == "the correction of force is switched off"


def test_order_of_the_journal_counts_not_the_date() -> None:
    newer = switched(True, 1).model_copy(update={"t_utc": NOON + timedelta(days=1)})
    assert active_correction([newer, switched(False, 2)], "force") is None


def test_a_check_at_one_value_makes_no_correction() -> None:
    with pytest.raises(ConfigError, match="cannot tell how the deviation changes") as refused:
        fit_correction(check(), id="c", from_check="check-1", by="A", reason="why", t_utc=NOON)
    assert "panelwright check force --against WEIGHT,WEIGHT" in refused.value.hint


def test_it_is_told_in_words() -> None:
    said = in_words(fitted(lambda load_n, direction, run: 1.01 * load_n))
    assert said.startswith("a straight line between 0 and 5.05 N: ")
    assert "-0.05 ± " in said
    assert in_words(switched(False, 1)) == "no correction is used for force"


@pytest.mark.parametrize(
    "changes", [{"coefficients": ()}, {"from_check": None}, {"covariance": ((1.0,),)}, {"reason": ""}]
)
def test_one_that_does_not_fit_together_is_refused(changes: dict[str, object]) -> None:
    good = fitted(lambda load_n, direction, run: 1.01 * load_n)
    with pytest.raises(ValidationError):
        Correction.model_validate({**good.model_dump(), **changes})


def test_it_survives_the_journal() -> None:
    good = fitted(lambda load_n, direction, run: 1.01 * load_n)
    assert Correction.model_validate_json(good.model_dump_json()) == good
