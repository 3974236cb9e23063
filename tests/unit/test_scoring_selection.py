"""Which readings count, and what the scorecard says of those that do not."""

from typing import Any

import pytest

from acquire.model import CalibrationState, Reading
from acquire.model import Test as Kind
from acquire.scoring.method import Method
from acquire.scoring.selection import Selection, flag_outliers, select, wanted
from tests.scoring_kit import method, reading, series, stamp

FORCES = [3.10, 3.05, 3.12, 3.08, 3.11, 3.07]


def chosen(readings: list[Reading], rules: Method | None = None, kind: Kind = Kind.SLIP) -> Selection:
    rules = rules or method()
    return select(readings, wanted(kind, rules), rules)


def with_change(readings: list[Reading], index: int, **fields: Any) -> list[Reading]:
    changed = list(readings)
    changed[index] = changed[index].model_copy(update=fields)
    return changed


def used(selection: Selection) -> list[str]:
    return [candidate.reading.id for candidate in selection.used]


def test_plain_readings_all_count() -> None:
    found = chosen(series(Kind.SLIP, FORCES))
    assert len(found.used) == 6
    assert (found.left_out, found.flags, found.marks, found.notes, found.problem) == ((), (), (), (), None)


def test_too_few_readings_are_a_problem() -> None:
    assert chosen(series(Kind.SLIP, FORCES[:5])).problem == "5 of 6 readings count"
    assert chosen([]).problem == "0 of 6 readings count"


def test_fewer_are_enough_only_if_the_method_says_so_and_it_is_told() -> None:
    rules = method(("# least_pulls = 5 ", "least_pulls = 5 "))
    found = chosen(series(Kind.SLIP, FORCES[:5]), rules)
    assert found.problem is None
    assert found.notes == ("only 5 of the 6 readings asked for count",)
    four = chosen(series(Kind.SLIP, FORCES[:4]), rules)
    assert four.problem == "4 of 6 readings count, and the method wants 5 at least"


def test_an_extra_counts_only_by_ruling() -> None:
    readings = with_change(series(Kind.SLIP, [*FORCES, 3.09]), 6, extra=True)
    found = chosen(readings)
    assert len(found.used) == 6
    assert [out.id for out in found.left_out] == ["P1-bare-slip-6"]
    assert found.notes == ("7 readings were taken although the method asks for 6; 6 count",)
    ruled = chosen(with_change(readings, 6, counts=True))
    assert len(ruled.used) == 7
    assert ruled.notes == (
        "7 readings were taken although the method asks for 6; 7 count",
        "P1-bare-slip-6 counts by a person's ruling",
    )


def test_a_typed_value_is_said_to_be_one() -> None:
    found = chosen(with_change(series(Kind.SLIP, FORCES), 0, t_source="typed in"))
    assert found.notes == ("1 of the 6 readings used were typed in by a person, not read from a gauge",)


def test_the_surplus_of_unmarked_readings_is_the_latest() -> None:
    readings = series(Kind.SLIP, [*FORCES, 3.09])
    found = chosen(readings[::-1])
    assert [out.id for out in found.left_out] == ["P1-bare-slip-6"]


def test_a_reading_ruled_out_makes_room_for_one_that_is_no_extra() -> None:
    readings = with_change(series(Kind.SLIP, [*FORCES, 3.09]), 1, counts=False)
    found = chosen(readings)
    assert "P1-bare-slip-1" not in used(found)
    assert "P1-bare-slip-6" in used(found)
    assert found.left_out[0].why == "a person ruled that it does not count"


@pytest.mark.parametrize("counts", [None, True])
def test_a_reading_left_out_by_its_stamp_stays_out_whatever_a_person_says(counts: bool | None) -> None:
    bad = stamp(CalibrationState.OUT_OF_TOLERANCE)
    found = chosen(with_change(series(Kind.SLIP, FORCES), 2, stamp=bad, counts=counts))
    assert found.problem == "5 of 6 readings count"
    assert found.left_out[0].id == "P1-bare-slip-2"
    assert "out of tolerance" in found.left_out[0].why


def test_use_and_mark() -> None:
    found = chosen(with_change(series(Kind.SLIP, FORCES), 2, stamp=stamp(CalibrationState.OVERDUE)))
    assert found.problem is None
    assert [(mark.id, mark.state) for mark in found.marks] == [("P1-bare-slip-2", CalibrationState.OVERDUE)]


def test_a_flagged_value_counts_or_not_as_the_method_says_and_a_ruling_wins() -> None:
    readings = series(Kind.SLIP, [*FORCES[:5], 4.5])
    counting = chosen(readings)
    assert [(flag.id, flag.counted) for flag in counting.flags] == [("P1-bare-slip-5", True)]
    strict = method(("count = true ", "count = false "))
    left = chosen(readings, strict)
    assert [(flag.id, flag.counted) for flag in left.flags] == [("P1-bare-slip-5", False)]
    assert left.left_out[0].why.startswith("outlier: 4.5 N lies")
    ruled_in = chosen(with_change(readings, 5, counts=True), strict)
    assert ruled_in.flags[0].counted
    assert ruled_in.problem is None
    ruled_out = chosen(with_change(readings, 5, counts=False))
    assert ruled_out.flags == ()
    assert ruled_out.problem == "5 of 6 readings count"


def test_an_outlier_that_does_not_count_makes_room_for_another_reading() -> None:
    strict = method(("count = true ", "count = false "))
    found = chosen(series(Kind.SLIP, [*FORCES[:5], 4.5, 3.09]), strict)
    assert [out.id for out in found.left_out] == ["P1-bare-slip-5"]
    assert (len(found.used), found.problem) == (6, None)


def test_the_sides_of_the_outlier_test() -> None:
    low = series(Kind.SLIP, [*FORCES[:5], 1.5])
    assert list(flag_outliers(low, method())) == ["P1-bare-slip-5"]
    assert flag_outliers(low, method(('sides = "two" ', 'sides = "upper" '))) == {}
    below = flag_outliers(low, method(('sides = "two" ', 'sides = "lower" ')))
    assert "one-sided" in below["P1-bare-slip-5"]


def test_one_display_step_is_no_outlier() -> None:
    """Five equal values and one a step higher reach the largest G there can be."""
    values = [1.27, 1.27, 1.27, 1.27, 1.27, 1.37]
    coarse = series(Kind.SLIP, values, resolution=0.1)
    assert flag_outliers(coarse, method()) == {}
    assert list(flag_outliers(coarse, method(("beyond_steps = 1.0", "beyond_steps = 0.0")))) == [
        "P1-bare-slip-5"
    ]
    two_steps = series(Kind.SLIP, [*values[:5], 1.47], resolution=0.1)
    assert list(flag_outliers(two_steps, method())) == ["P1-bare-slip-5"]


def test_equal_values_have_no_outlier() -> None:
    assert flag_outliers(series(Kind.SLIP, [3.0] * 6), method()) == {}


def test_steps_are_tested_apart() -> None:
    bare = series(Kind.SLIP, FORCES)
    treated = series(Kind.SLIP, [value / 3 for value in FORCES], phase="treated")
    assert flag_outliers(bare + treated, method()) == {}


def test_other_tests_have_no_outliers() -> None:
    counts = [reading(str(i), Kind.WASH, 1.0 if i else 900.0, quantity="count", unit="1") for i in range(8)]
    assert flag_outliers(counts, method()) == {}


def test_a_flag_given_earlier_that_no_longer_holds_is_told() -> None:
    found = chosen(with_change(series(Kind.SLIP, FORCES), 1, flagged="stood out of five"))
    assert found.notes == (
        "P1-bare-slip-1 was flagged when it was taken (stood out of five), but not in this set",
    )


def test_the_highest_break_counts_if_the_method_says_so() -> None:
    rules = method(('counts = "first"', 'counts = "highest"'))
    readings = [
        item.model_copy(update={"details": {"highest_n": item.value + 1}})
        for item in series(Kind.SLIP, FORCES)
    ]
    found = chosen(readings, rules)
    assert [candidate.value for candidate in found.used] == [value + 1 for value in FORCES]
    silent = chosen(with_change(readings, 0, details={}), rules)
    assert silent.problem == "5 of 6 readings count"
    assert silent.left_out[0].why == "the highest break counts, and this reading does not tell it"


@pytest.mark.parametrize(
    ("details", "why"),
    [
        ({"angle_deg": 20}, "measured at 20 degrees; the method asks for 60"),
        ({}, "its angle is not known; the method asks for 60 degrees"),
    ],
)
def test_gloss_at_another_angle_is_no_gloss(details: dict[str, int], why: str) -> None:
    readings = series(Kind.GLOSS, [90.0 + i / 10 for i in range(9)])
    found = chosen(with_change(readings, 0, details=details), kind=Kind.GLOSS)
    assert found.problem is None
    assert found.taken == 8
    assert [(out.id, out.why) for out in found.left_out] == [("P1-bare-gloss-0", why)]


@pytest.mark.parametrize(
    ("kind", "quantity", "unit"),
    [(Kind.SLIP, "gloss", "GU"), (Kind.GLOSS, "force", "N"), (Kind.SLIP, "count", "1")],
)
def test_another_quantity_never_counts(kind: Kind, quantity: str, unit: str) -> None:
    found = chosen([reading("x", kind, 3.0, quantity=quantity, unit=unit)], kind=kind)
    assert f"a {quantity} in {unit}, where" in found.left_out[0].why


def test_not_a_number_never_counts() -> None:
    found = chosen(with_change(series(Kind.SLIP, FORCES), 0, value=float("nan")))
    assert found.left_out[0].why == "its value is nan"


def test_only_slip_and_gloss_are_made_of_readings() -> None:
    with pytest.raises(ValueError, match="wash endurance is not made of readings"):
        wanted(Kind.WASH, method())
