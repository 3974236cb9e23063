"""Wash endurance beside the untreated control: cut through, and strokes as counted."""

from typing import Any

import pytest

from acquire.model import Inspection
from acquire.model import Test as Kind
from acquire.scoring.results import Score
from acquire.scoring.scorecard import score
from acquire.scoring.strokes import stood
from tests.scoring_kit import TRIAL, inspection, method


def seen(stage: int, passed: bool, strokes: int | None = None, **said: Any) -> Inspection:
    return inspection(stage, passed, strokes=strokes).model_copy(update=said)


def wash(*inspections: Inspection) -> Score:
    found = score(method(), [], [], inspections, trial=TRIAL).score(Kind.WASH)
    assert found is not None
    assert found.points is not None, found.reasons
    return found


def test_cut_through_has_failed_whatever_water_does() -> None:
    found = wash(seen(60, True), seen(150, True, cut_through=True, against_control="better"), seen(400, True))
    assert (found.status, found.points and found.points.value) == ("given", 1)
    panel = found.panels[0]
    assert (panel.highest_passed, panel.first_failed, panel.cut_through) == (60, 150, True)
    assert any("finish was cut through" in note and "although water" in note for note in found.notes)
    assert [out.why for out in found.left_out] == ["made after the panel had failed at stage 150"]


def test_an_early_cut_through_counts_as_any_failure_does() -> None:
    """Before its stage is reached a pass does not count; what has failed early has failed."""
    found = wash(seen(60, True), seen(150, True, strokes=90, cut_through=True))
    assert found.points is not None
    assert found.points.value == 1
    assert found.notes[0].endswith(
        "gave way between 60 and 150 strokes: between 60 and 90 strokes as counted"
    )


@pytest.mark.parametrize(
    ("passed", "cut", "stands"), [(True, False, True), (True, True, False), (False, False, False)]
)
def test_stood(passed: bool, cut: bool, stands: bool) -> None:
    assert stood(seen(60, passed, cut_through=cut)) is stands


def test_strokes_as_counted_are_told_where_they_differ_from_the_stages() -> None:
    found = wash(seen(60, True, strokes=64), seen(150, False, strokes=151))
    assert (found.panels[0].passed_strokes, found.panels[0].failed_strokes) == (64, 151)
    assert found.notes == ("P1 gave way between 60 and 150 strokes: between 64 and 151 strokes as counted",)


def test_a_pass_no_better_than_the_control_is_noted() -> None:
    found = wash(seen(60, True, against_control="same"), seen(150, False, against_control="worse"))
    assert found.notes[1:] == ("P1 at stage 60: passed, although water behaved as on the untreated control",)
