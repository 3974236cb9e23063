"""Sums that testers of such products do on paper. Common practice, no source."""

from datetime import timedelta

import pytest

from acquire.bench import Tolerance
from acquire.calibration.checks import evaluate_check
from acquire.calibration.history import Known
from acquire.calibration.references import Assigned
from acquire.calibration.stamp import stamp
from acquire.model import Reading
from acquire.model import Test as Kind
from acquire.scoring.method import Method
from acquire.scoring.results import Points, Score
from acquire.scoring.scorecard import score
from acquire.scoring.selection import flag_outliers
from tests.bench_tools import NOON, rules
from tests.scoring_kit import GRAM_FORCE_N, SHIPPED, STANDARD, TRIAL, inspection, method, rating, series

GLOSS = [88.8, 90.6, 88.6, 91.1, 91.2, 91.6, 90.8, 89.9, 89.9, 94.5, 90.0]


def the_score(kind: Kind, rules: Method, **data: list[Reading]) -> Score:
    found = score(rules, data.get("readings", []), trial=TRIAL, gravity=STANDARD).score(kind)
    assert found is not None
    return found


def points_of(found: Score) -> Points:
    assert found.points is not None, found.reasons
    return found.points


def paper_slip() -> Method:
    return method(
        ("pulls = 6 ", "pulls = 5 "),
        ("block_mass_kg = 0.800", "block_mass_kg = 1.040"),
        ("points_per_unit = 40", "points_per_unit = 30"),
        ("friction = { quantum = 0.001,", "friction = { quantum = 0.01,"),
    )


def paper_gloss(*changes: tuple[str, str]) -> Method:
    return method(
        ("readings = 8 ", "readings = 10 "),
        ("points_per_unit_lost = -0.8", "points_per_unit_lost = -1"),
        *changes,
    )


def test_pulls_on_a_block() -> None:
    """110, 130, 130, 110, 130 gf on 1040 g: 122 gf, 0.12; from bare 0.38 a gain of 0.26; at 30 a unit 7.8."""
    treated = [gf * GRAM_FORCE_N for gf in (110, 130, 130, 110, 130)]
    bare = [gf * GRAM_FORCE_N for gf in (390, 400, 390, 400, 400)]
    readings = series(Kind.SLIP, bare) + series(Kind.SLIP, treated, phase="treated")
    found = the_score(Kind.SLIP, paper_slip(), readings=readings)
    panel = found.panels[0]
    before, after = panel.sets
    assert after.mean is not None
    assert after.mean.value / GRAM_FORCE_N == pytest.approx(122, rel=1e-12)
    assert before.result is not None
    assert before.result.text == "0.38"
    assert after.result is not None
    assert after.result.text == "0.12"
    assert panel.figure is not None
    assert panel.figure.value == 0.26
    assert points_of(found).text == "7.8"
    # Beside it, the same without rounding on the way: (396 - 122) / 1040 × 30.
    assert points_of(found).unrounded == pytest.approx(30 * 274 / 1040, rel=1e-12)


def gloss_readings(extra_counts: bool | None) -> list[Reading]:
    bare = series(Kind.GLOSS, [94.0] * 10)
    treated = series(Kind.GLOSS, GLOSS, phase="treated")
    treated[10] = treated[10].model_copy(update={"extra": True, "counts": extra_counts})
    return bare + treated


def says_both(found: Score) -> bool:
    """Eleven although ten were meant, and one of them an outlier at 5 %."""
    eleven = any("11 readings were taken although the method asks for 10" in note for note in found.notes)
    outlier = [flag for flag in found.flags if flag.id == "P1-treated-gloss-9"]
    return eleven and len(outlier) == 1 and "94.5 GU" in outlier[0].why and "5 %" in outlier[0].why


@pytest.mark.parametrize(("shown", "state"), [(104.0, "in tolerance"), (102.0, "out of tolerance")])
def test_the_tile_is_read_before_the_panel(shown: float, state: str) -> None:
    """The meter must read its tile's assigned 104 at 20° before ten readings of the panel are worth anything.

    Common practice, no source. The certificate's ±0.5 and the tolerance of 1 are invented.
    """
    tile = Assigned("tile", 104.0, "GU", 0.25, "T-1 (invented)", None, "invented", "20")
    read = evaluate_check(
        "gloss", tile, [shown] * 3, unit="GU", resolution=0.1, tolerance=Tolerance(absolute=1.0), t_utc=NOON
    )
    ten = [NOON + timedelta(seconds=20 * nth) for nth in range(1, 11)]
    known = [Known(1, "check-1", read)]
    assert {stamp("gloss", at, known, rules(), channel="20").state.value for at in ten} == {state}
    assert {stamp("gloss", at, [], rules(), channel="20").state.value for at in ten} == {"unchecked today"}


def test_eleven_gloss_readings_all_counted() -> None:
    """They average 90.6, a loss of 3.4 from a bare 94, once a person has ruled that the eleventh counts."""
    found = the_score(Kind.GLOSS, paper_gloss(), readings=gloss_readings(extra_counts=True))
    after = found.panels[0].sets[1]
    assert len(after.used) == 11
    assert after.mean is not None
    assert after.mean.text == "90.6"
    assert found.panels[0].figure is not None
    assert found.panels[0].figure.value == -3.4
    assert points_of(found).text == "-3.4"
    assert says_both(found)


@pytest.mark.parametrize("offered_as_extra", [True, False])
def test_the_eleventh_is_not_silently_averaged_in(offered_as_extra: bool) -> None:
    """Without a ruling it stays out, even where nobody marked it as extra, and the tool still says both."""
    readings = gloss_readings(extra_counts=None)
    readings[-1] = readings[-1].model_copy(update={"extra": offered_as_extra})
    found = the_score(Kind.GLOSS, paper_gloss(), readings=readings)
    after = found.panels[0].sets[1]
    assert len(after.used) == 10
    assert after.mean is not None
    assert after.mean.text == "90.7"
    assert [out.id for out in found.left_out] == ["P1-treated-gloss-10"]
    assert says_both(found)


def test_the_outlier_is_flagged_by_itself_too() -> None:
    flags = flag_outliers(gloss_readings(extra_counts=None), paper_gloss())
    assert list(flags) == ["P1-treated-gloss-9"]
    assert "above the mean of 11" in flags["P1-treated-gloss-9"]


def test_the_outlier_left_out_by_the_method_leaves_too_few() -> None:
    rules = paper_gloss(("count = true ", "count = false "))
    found = the_score(Kind.GLOSS, rules, readings=gloss_readings(extra_counts=None))
    assert found.status == "not given"
    assert found.points is None
    assert found.reasons == ("treated gloss on P1: 9 of 10 readings count",)
    assert says_both(found)


def test_appearance_is_the_mean_over_panels() -> None:
    """10 and 5 on two panels average 7.5."""
    ratings = [rating("a", Kind.APPEARANCE, 10, "white"), rating("b", Kind.APPEARANCE, 5, "black")]
    found = score(method(), [], ratings, trial=TRIAL).score(Kind.APPEARANCE)
    assert found is not None
    assert points_of(found).text == "7.5"


@pytest.mark.parametrize("looked_at_start", [True, False])
def test_failing_the_first_inspection_earns_nothing(looked_at_start: bool) -> None:
    """Stages 0, 10, 20, 50, 100, 300, 1000 washes; it fails at 10."""
    worth = zip((0, 10, 20, 50, 100, 300, 1000), range(7), strict=True)
    stages = ", ".join(f"{{ at = {at}, points = {points} }}" for at, points in worth)
    shipped = SHIPPED[SHIPPED.index("stages = [") : SHIPPED.index("\n]\n") + 3]
    rules = method((shipped, f"stages = [{stages}]\n"), ('unit = "strokes"', 'unit = "washes"'))
    inspections = [inspection(0, True)] if looked_at_start else []
    found = score(rules, [], [], [*inspections, inspection(10, False)], trial=TRIAL).score(Kind.WASH)
    assert found is not None
    assert found.status == "given"
    assert points_of(found).value == 0
    assert found.panels[0].first_failed == 10
