"""Wash endurance, ratings, the whole scorecard and the standings."""

import pytest

from acquire.errors import MethodError
from acquire.model import CalibrationState, Inspection, Rating, Reading
from acquire.model import Test as Kind
from acquire.scoring.method import Method
from acquire.scoring.results import Score, Scorecard
from acquire.scoring.scorecard import score
from acquire.scoring.standings import rank
from tests.scoring_kit import STANDARD, TRIAL, inspection, method, rating, reading, series, stamp

BARE = [3.10, 3.05, 3.12, 3.08, 3.11, 3.07]


def wash(inspections: list[Inspection], rules: Method | None = None) -> Score:
    found = score(rules or method(), [], [], inspections, trial=TRIAL).score(Kind.WASH)
    assert found is not None
    return found


def value(found: Score) -> float:
    assert found.points is not None, found.reasons
    return found.points.value


def test_the_highest_stage_passed_counts() -> None:
    found = wash([inspection(60, True), inspection(150, True), inspection(400, True), inspection(900, False)])
    assert (found.status, value(found)) == ("given", 4)
    assert found.notes == ("P1 gave way between 400 and 900 strokes",)
    assert found.points is not None
    assert found.points.expanded_uncertainty == 0
    assert (found.panels[0].highest_passed, found.panels[0].first_failed) == (400, 900)


def test_a_panel_that_still_passes_earns_at_least_that() -> None:
    found = wash([inspection(60, True), inspection(150, True)])
    assert (found.status, value(found)) == ("at least", 2)
    assert found.reasons == ("P1 has not failed yet, and stages remain",)


def test_passing_the_last_stage_is_the_end() -> None:
    found = wash([inspection(8000, True)])
    assert (found.status, value(found)) == ("given", 10)
    assert found.notes == ("P1 was not inspected at 60, 150, 400, 900, 2000, 4000 strokes",)


def test_a_pass_after_a_failure_does_not_count() -> None:
    found = wash([inspection(60, True), inspection(150, False), inspection(400, True)])
    assert value(found) == 1
    assert [(out.id, out.why) for out in found.left_out] == [
        ("P1-400", "made after the panel had failed at stage 150")
    ]


@pytest.mark.parametrize("set_forward_s", [10, -3600])
def test_the_newest_answer_at_a_stage_counts_whatever_the_clock_said(set_forward_s: float) -> None:
    first = inspection(60, False, id_="first", at_s=4000)
    again = inspection(60, True, id_="again", at_s=4000 + set_forward_s)
    found = wash([first, again])
    assert value(found) == 1
    assert found.used == ("again",)
    assert found.left_out[0].why == "replaced by the later inspection again"


def counted(id_: str, strokes: float, state: CalibrationState, **fields: object) -> Reading:
    """A run of strokes by a counter in that state."""
    made = reading(id_, Kind.WASH, strokes, phase="treated", quantity="count", unit="1", gauge="counter")
    return made.model_copy(update={"stamp": stamp(state), **fields})


def resting(passed: bool, *readings: str, stage: int = 60, strokes: int = 60) -> Inspection:
    return inspection(stage, passed, strokes=strokes).model_copy(update={"readings": readings})


def washed(inspections: list[Inspection], readings: list[Reading]) -> Score:
    found = score(method(), readings, [], inspections, trial=TRIAL).score(Kind.WASH)
    assert found is not None
    return found


GOOD, BAD, LATE = (
    CalibrationState.IN_TOLERANCE,
    CalibrationState.OUT_OF_TOLERANCE,
    CalibrationState.UNCHECKED,
)


def test_strokes_of_a_counter_that_the_method_does_not_let_count_earn_nothing() -> None:
    found = washed([resting(True, "run")], [counted("run", 66, BAD)])
    assert (found.status, found.points) == ("not given", None)
    assert found.reasons == ("no inspection counts yet",)
    assert [(out.id, out.why) for out in found.left_out] == [
        (
            "run",
            "gauge counter was out of tolerance (as the test says): the method leaves such readings out",
        ),
        (
            "P1-60",
            "made at 0 strokes; stage 60 begins at 60, and 66 more do not count because their counter was "
            "out of tolerance",
        ),
    ]


def test_a_pass_with_enough_strokes_that_count_stands_whatever_came_besides() -> None:
    found = washed([resting(True, "bad", "good")], [counted("bad", 66, BAD), counted("good", 60, GOOD)])
    assert (found.status, value(found), found.used) == ("at least", 1, ("P1-60",))
    assert [out.id for out in found.left_out] == ["bad"]


def test_a_failure_after_strokes_nobody_can_vouch_for_makes_a_lower_limit() -> None:
    readings = [counted("first", 60, GOOD), counted("second", 90, BAD)]
    found = washed([resting(True, "first"), resting(False, "second", stage=150)], readings)
    assert (found.status, value(found)) == ("at least", 1)
    assert found.reasons == ("P1 failed at stage 150, in an inspection that does not count",)


def test_such_a_failure_is_forgotten_once_its_stage_is_passed_properly() -> None:
    readings = [counted("first", 60, GOOD), counted("second", 90, BAD), counted("third", 90, GOOD)]
    inspections = [
        resting(True, "first"),
        resting(False, "second", stage=150),
        resting(True, "third", stage=150).model_copy(update={"id": "again"}),
    ]
    found = washed(inspections, readings)
    assert (value(found), found.reasons) == (2, ("P1 has not failed yet, and stages remain",))


def test_strokes_that_the_method_marks_are_marked() -> None:
    found = washed([resting(False, "run")], [counted("run", 60, LATE)])
    assert (found.status, value(found), found.left_out) == ("given", 0, ())
    assert [(mark.id, mark.gauge, mark.state) for mark in found.marks] == [("run", "counter", LATE)]


def test_strokes_add_up_over_the_inspections_of_a_panel_but_for_those_ruled_out() -> None:
    inspections = [resting(True, "first"), resting(True, "second", stage=150, strokes=150)]
    readings = [counted("first", 60, GOOD), counted("second", 90, GOOD)]
    assert value(washed(inspections, readings)) == 2
    found = washed(inspections, [readings[0], counted("second", 90, GOOD, counts=False)])
    assert value(found) == 1
    assert [(out.id, out.why) for out in found.left_out] == [
        ("second", "a person ruled that it does not count"),
        ("P1-150", "made at 60 strokes; stage 150 begins at 150"),
    ]


def test_a_pass_seen_too_early_does_not_count_but_a_failure_does() -> None:
    early = wash([inspection(60, True, strokes=59)])
    assert early.status == "not given"
    assert early.left_out[0].why == "made at 59 strokes; stage 60 begins at 60"
    assert wash([inspection(60, False, strokes=59)]).status == "given"


def test_strokes_per_wash() -> None:
    rules = method(
        ('unit = "strokes"', 'unit = "washes"'), ("# strokes_per_wash = 30", "strokes_per_wash = 30")
    )
    assert wash([inspection(60, True, strokes=1799)], rules).status == "not given"
    assert value(wash([inspection(60, True, strokes=1800)], rules)) == 1
    unknown = method(('unit = "strokes"', 'unit = "washes"'))
    assert value(wash([inspection(60, True, strokes=0)], unknown)) == 1


def test_endurance_is_the_mean_over_panels() -> None:
    inspections = [
        inspection(60, False),
        inspection(60, True, panel="P2"),
        inspection(150, False, panel="P2"),
    ]
    assert value(wash(inspections)) == 0.5


def test_no_inspection_and_no_such_stage() -> None:
    assert wash([]).reasons == ("no inspection yet",)
    found = wash([inspection(61, True)])
    assert found.left_out[0].why == "61 strokes is no stage of the method"


def rated(kind: Kind, *ratings: Rating) -> Score:
    found = score(method(), [], ratings, trial=TRIAL).score(kind)
    assert found is not None
    return found


def test_several_judges_of_one_panel_weigh_as_one() -> None:
    found = rated(
        Kind.APPEARANCE,
        rating("a", Kind.APPEARANCE, 8, "white"),
        rating("b", Kind.APPEARANCE, 6, "white"),
        rating("c", Kind.APPEARANCE, 4, "black"),
        rating("d", Kind.HANDLING, 1, "black"),
    )
    assert value(found) == 5.5
    assert [panel.panel for panel in found.panels] == ["black", "white"]
    assert found.used == ("c", "a", "b")
    assert found.points is not None
    # Steps of 0.5: half the doubt of one step from "black", a quarter from each rating of "white".
    expected = 0.5 / 12**0.5 * (0.5**2 + 2 * 0.25**2) ** 0.5
    assert found.points.standard_uncertainty == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("off", [10.5, -0.5, 7.3, float("nan")])
def test_a_rating_off_the_scale_is_left_out(off: float) -> None:
    found = rated(Kind.HANDLING, rating("a", Kind.HANDLING, off))
    assert found.status == "not given"
    assert found.left_out[0].id == "a"


def test_ratings_of_bare_or_washed_panels_are_left_out() -> None:
    found = rated(
        Kind.HANDLING,
        rating("a", Kind.HANDLING, 5, phase="bare"),
        rating("b", Kind.HANDLING, 5, stage=400),
    )
    assert [out.id for out in found.left_out] == ["a", "b"]
    assert found.left_out[1].why == (
        "it judges treated handling on P1 at stage 400; the method scores the treated, unwashed panel"
    )


def card(
    trial: str = TRIAL,
    *,
    treated: float = 1.0,
    rules: Method | None = None,
    full: bool = True,
    panels: tuple[str, ...] = (),
    control: bool = False,
) -> Scorecard:
    gloss = [90.0, 90.2, 89.9, 90.1, 90.3, 90.0, 89.8, 90.1]
    readings = [
        *series(Kind.SLIP, BARE, stamp=stamp(u=0.02)),
        *series(Kind.SLIP, [force - 3.1 + treated for force in BARE], phase="treated", stamp=stamp(u=0.02)),
        *series(Kind.GLOSS, gloss),
        *series(Kind.GLOSS, [g + 2 for g in gloss], phase="treated"),
    ]
    ratings = [rating("h", Kind.HANDLING, 7), rating("a", Kind.APPEARANCE, 8)]
    inspections = [inspection(60, True), inspection(150, False)] if full else []
    return score(
        rules or method(),
        [item.model_copy(update={"trial": trial}) for item in readings],
        [item.model_copy(update={"trial": trial}) for item in ratings],
        [item.model_copy(update={"trial": trial}) for item in inspections],
        trial=trial,
        panels=panels,
        control=control,
        gravity=STANDARD,
    )


def test_a_panel_of_the_trial_that_was_never_measured_is_missed() -> None:
    found = card(panels=("P1", "P2"))
    assert found.total.status == "incomplete"
    # The product goes on once and one panel is washed: nothing lacks there.
    assert found.total.missing == (Kind.SLIP, Kind.GLOSS, Kind.APPEARANCE)
    assert [score.reasons for score in found.scores if score.points is None] == [
        ("slip on P2: not measured yet",),
        ("gloss on P2: not measured yet",),
        ("appearance on P2: not rated yet",),
    ]
    assert rank([found]).rows[0].place is None
    assert card(panels=("P1",)).total.status == "complete"


def test_handling_and_washing_of_another_panel_do_not_stand_in_for_the_first() -> None:
    found = card(panels=("P0", "P1"))
    assert set(found.total.missing) == set(Kind) - {Kind.UV}
    handling, wash_score = found.score(Kind.HANDLING), found.score(Kind.WASH)
    assert handling is not None
    assert wash_score is not None
    assert handling.reasons == ("handling on P0: not rated yet",)
    assert wash_score.reasons == ("wash endurance on P0: not inspected yet",)


def test_the_control_has_no_handling_and_is_not_ranked() -> None:
    control = card("untreated", control=True, panels=("P1",), treated=0.1)
    assert (control.control, control.total.status, control.total.missing) == (True, "complete", ())
    handling = control.score(Kind.HANDLING)
    assert handling is not None
    assert handling.status == "not given"
    assert handling.reasons == ("nothing is put on an untreated control, so it has no handling",)
    found = rank([control, card("good")])
    assert [(row.trial, row.place, row.control) for row in found.rows] == [
        ("good", 1, False),
        ("untreated", None, True),
    ]
    assert found.rows[0].level_with == ()
    assert found.rows[1].missing == ()


def test_the_total_is_the_sum_of_published_points() -> None:
    found = card()
    assert found.total.status == "complete"
    assert found.total.points is not None
    parts = [item.points for item in found.scores if item.points is not None]
    assert len(parts) == 5
    assert found.total.points.value == pytest.approx(sum(part.value for part in parts), abs=1e-12)
    assert found.total.points.standard_uncertainty == pytest.approx(
        sum(part.standard_uncertainty**2 for part in parts) ** 0.5, rel=1e-9
    )


def test_a_missing_test_leaves_the_total_incomplete() -> None:
    found = card(full=False)
    assert (found.total.status, found.total.missing) == ("incomplete", (Kind.WASH,))
    assert found.total.points is not None


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind is not Kind.UV])
def test_a_test_the_method_does_not_use_is_not_missed(kind: Kind) -> None:
    section = "wash" if kind is Kind.WASH else kind.value
    rules = method((f"[{section}]\nused = true", f"[{section}]\nused = false"))
    found = card(rules=rules)
    assert found.total.status == "complete"
    assert len(found.scores) == 4
    assert found.score(kind) is None


def test_a_scorecard_survives_json() -> None:
    found = card()
    assert Scorecard.model_validate_json(found.model_dump_json()) == found
    assert found.method_sha256 == method().sha256


def test_other_trials_are_not_looked_at() -> None:
    readings = series(Kind.SLIP, BARE)
    assert score(method(), readings, trial="another").scores[0].reasons == ("no readings yet",)


def test_the_same_id_twice_is_refused() -> None:
    readings = series(Kind.SLIP, BARE)
    with pytest.raises(MethodError, match="given more than once: P1-bare-slip-0"):
        score(method(), [*readings, readings[0]], trial=TRIAL)


def test_rank_puts_the_best_first_and_says_who_is_level() -> None:
    cards = [
        card("worse", treated=2.4),
        card("good", treated=1.0),
        card("as good", treated=1.0),
        card("unfinished", full=False),
    ]
    found = rank(cards)
    assert [(row.place, row.trial) for row in found.rows] == [
        (1, "as good"),
        (1, "good"),
        (3, "worse"),
        (None, "unfinished"),
    ]
    assert found.rows[0].level_with == ("good",)
    assert found.rows[2].level_with == ()
    assert found.rows[3].missing == (Kind.WASH,)
    assert found.rows[0].by_test[Kind.WASH] is not None
    assert rank(cards[::-1]) == found


def test_rank_refuses_what_cannot_be_compared() -> None:
    with pytest.raises(MethodError, match="no scorecard"):
        rank([])
    with pytest.raises(MethodError, match="more than one scorecard for good"):
        rank([card("good"), card("good")])
    other = method(('title = "Starting method"', 'title = "Another"'))
    with pytest.raises(MethodError, match="different methods: good by 'Starting method', new by 'Another'"):
        rank([card("good"), card("new", rules=other)])
