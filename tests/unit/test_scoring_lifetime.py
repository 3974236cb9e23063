"""From inspections to runs, and from runs to what a product lasts."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import MethodError
from acquire.model import Inspection
from acquire.scoring.lifetime import Life, Run, lifetime, lifetime_in_words, runs_of, turnbull
from tests.scoring_kit import TRIAL, inspection, method

STAGES = [0, 60, 150, 400, 900, 2000]


def run(passed: int, failed: int | None, trial: str = "one") -> Run:
    return Run(trial=trial, panel="P1", passed_strokes=passed, failed_strokes=failed)


def the_run(*inspections: Inspection) -> Run:
    (found,) = runs_of(TRIAL, inspections, [], method())
    return found


def test_a_run_goes_by_the_strokes_counted() -> None:
    found = the_run(inspection(60, True, strokes=63), inspection(150, False, strokes=171))
    assert (found.passed_strokes, found.failed_strokes, found.cut_through) == (63, 171, False)


def test_a_run_without_failure_has_no_upper_end() -> None:
    found = the_run(inspection(60, True), inspection(150, True, strokes=152))
    assert (found.passed_strokes, found.failed_strokes) == (152, None)


def test_cut_through_ends_a_run() -> None:
    cut = inspection(150, True).model_copy(update={"cut_through": True})
    found = the_run(inspection(60, True), cut, inspection(400, True))
    assert (found.passed_strokes, found.failed_strokes, found.cut_through) == (60, 150, True)


def test_passed_and_failed_at_one_count_lies_below_it() -> None:
    found = the_run(inspection(60, True), inspection(150, True, strokes=400), inspection(400, False))
    assert (found.passed_strokes, found.failed_strokes) == (60, 400)


def test_what_a_score_leaves_out_makes_no_run() -> None:
    """77 strokes is no stage of the method, and the trial is another."""
    other = inspection(60, True).model_copy(update={"trial": "other"})
    assert runs_of(TRIAL, [inspection(77, True), other], [], method()) == ()


def test_one_run_says_its_own_interval_and_no_more() -> None:
    found = lifetime("Sample Wax (invented)", [run(412, 903)])
    assert (found.median_after, found.median_by) == (412, 903)
    assert (found.low, found.high, found.coverage) == (None, None, 0.0)
    assert lifetime_in_words(found) == "one run: gave way between 412 and 903 strokes"
    unfailed = lifetime("Sample Wax (invented)", [run(903, None)])
    assert unfailed.median_by is None
    assert lifetime_in_words(unfailed) == "one run: had not given way by 903 strokes"


def test_few_runs_say_how_little_they_cover() -> None:
    found = lifetime("Sample Wax (invented)", [run(150, 400), run(400, 900), run(400, None)])
    assert (found.low, found.high, found.coverage) == (150, None, 0.75)
    assert lifetime_in_words(found) == (
        "half of 3 runs (1 of them without a failure) had given way by some count between 400 and 900 "
        "strokes; the median lies above 150 with 75 % confidence at least"
    )
    lasting = lifetime("Sample Wax (invented)", [run(150, 400), run(900, None), run(900, None)])
    assert lifetime_in_words(lasting) == (
        "at least half of 3 runs (2 of them without a failure) last more than 900 strokes; the median lies "
        "above 150 with 75 % confidence at least"
    )


def test_six_runs_cover_what_was_asked() -> None:
    found = lifetime("Sample Wax (invented)", [run(150 + i, 400 + i) for i in range(6)])
    assert (found.low, found.high) == (150, 405)
    assert found.coverage == pytest.approx(0.96875)
    assert "the median lies between 150 and 405 with 96.9 % confidence" in lifetime_in_words(found)


def test_no_run_is_an_error_that_says_what_to_do() -> None:
    with pytest.raises(MethodError, match="no washing of Sample Wax counts yet") as caught:
        lifetime("Sample Wax", [])
    assert "wash a panel" in caught.value.hint


def test_a_life_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="above 9 and at or below 4"):
        turnbull([Life(9, 4)])


@st.composite
def lives(draw: st.DrawFn) -> Life:
    first = draw(st.integers(0, 5))
    last = draw(st.integers(first, 5) | st.none())
    return Life(STAGES[first], None if last is None else STAGES[last])


@given(st.lists(lives(), min_size=1, max_size=9))
def test_no_other_masses_are_more_likely(data: list[Life]) -> None:
    """Whatever was seen: masses sum to 1, and moving to any other interval cannot raise the likelihood."""
    masses = turnbull(data)
    assert sum(one.mass for one in masses) == pytest.approx(1)

    def chance(life: Life) -> float:
        end = math.inf if life.by is None else life.by
        inside = [m for m in masses if life.after <= m.after and (math.inf if m.by is None else m.by) <= end]
        return sum(one.mass for one in inside if life.by == life.after or one.by != life.after)

    weights = [(life, 1 / chance(life)) for life in data]
    # A point just above each lower end and one at each upper end stand for every place mass could go.
    for place in [stage + shift for stage in STAGES for shift in (0, 0.5)]:
        pull = sum(
            weight
            for life, weight in weights
            if life.after < place <= (math.inf if life.by is None else life.by)
            or life.after == life.by == place
        )
        assert pull <= len(data) * (1 + 1e-6)
