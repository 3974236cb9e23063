"""What two methods differ in, key by key, and methods that take over one change alone."""

import pytest

from acquire.scoring.changes import MOST_APART, apart, changes, reasons
from acquire.scoring.method import Method, parse_method
from tests.scoring_kit import SHIPPED


def shipped(*swaps: tuple[str, str]) -> Method:
    """The shipped method with some of its text replaced."""
    text = SHIPPED
    for old, new in swaps:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return parse_method(text, "test")


OLD = shipped()


def test_a_method_does_not_differ_from_itself_however_it_is_laid_out() -> None:
    assert changes(OLD, parse_method("# a remark\n" + SHIPPED.replace("= 0.800", "= 0.8"), "test")) == []


def test_every_key_that_differs_is_told_with_both_values() -> None:
    new = shipped(
        ('title = "Starting method"', 'title = "Second"'),
        ("points_per_unit = 40 ", "points_per_unit = 42.5 "),
        ("friction = { quantum = 0.001, rule", "friction = { quantum = 0.01, rule"),
        ('doubtful = "use and mark"', 'doubtful = "leave out"'),
        ("{ at = 60, points = 1 },", ""),
        ("min_rest_s = 0.3 ", "# "),
    )
    assert [(one.key, one.old, one.new) for one in changes(OLD, new)] == [
        ("title", "Starting method", "Second"),
        ("stamps.doubtful", "use and mark", "leave out"),
        ("slip.points_per_unit", "40", "42.5"),
        ("slip.rounding.friction", "to 0.001, half-even", "to 0.01, half-even"),
        ("slip.capture.min_rest_s", "0.3", "left out"),
        (
            "wash.stages",
            "60: 1, 150: 2, 400: 4, 900: 6, 2000: 8, 4000: 9, 8000: 10",
            "150: 2, 400: 4, 900: 6, 2000: 8, 4000: 9, 8000: 10",
        ),
    ]


def test_titles_anchors_and_rules_of_capture_are_no_reasons() -> None:
    new = shipped(
        ('title = "Starting method"', 'title = "Second"'),
        ('5 = "as the bare panel"', '5 = "like the bare panel"'),
        ("min_rest_s = 0.3 ", "min_rest_s = 0.4 "),
        ("points_per_unit_gained = 0.4", "points_per_unit_gained = 0.5"),
    )
    found = changes(OLD, new)
    assert [one.key for one in found if one.of_capture] == ["slip.capture.min_rest_s"]
    assert [(one.name, one.keys) for one in reasons(found)] == [
        ("gloss.points_per_unit_gained", ("gloss.points_per_unit_gained",))
    ]


def test_keys_that_must_fit_each_other_change_together() -> None:
    # Alone, "at least 9 of 6 pulls" would be no method at all.
    new = shipped(("pulls = 6 ", "pulls = 10 "), ("# least_pulls = 5 ", "least_pulls = 9 "))
    (reason,) = reasons(changes(OLD, new))
    assert (reason.name, reason.keys) == ("slip.pulls", ("slip.pulls", "slip.least_pulls"))
    mixed = apart(OLD, new, reason)
    assert (mixed.slip.asked, mixed.slip.least) == (10, 9)


def test_one_of_several_changes_alone() -> None:
    new = shipped(
        ("points_per_unit = 40 ", "points_per_unit = 50 "),
        ("friction = { quantum = 0.001, rule", "friction = { quantum = 0.01, rule"),
    )
    points, rounding = reasons(changes(OLD, new))
    only_points, only_rounding = apart(OLD, new, points), apart(OLD, new, rounding)
    assert only_points.slip.points_per_unit == 50
    assert only_points.slip.rounding == OLD.slip.rounding
    assert only_rounding.slip.points_per_unit == 40
    assert only_rounding.slip.rounding == new.slip.rounding
    assert changes(apart(only_points, new, rounding), new) == []


def test_what_nobody_wrote_carries_no_fingerprint() -> None:
    new = shipped(("points_per_unit = 40 ", "points_per_unit = 50 "))
    (reason,) = reasons(changes(OLD, new))
    mixed = apart(OLD, new, reason)
    assert (mixed.text, mixed.sha256) == ("", "")
    assert OLD.sha256 != ""


def test_many_changes_are_told_apart_by_section() -> None:
    new = shipped(
        ("coverage = 0.95 ", "coverage = 0.99 "),
        ('unchecked = "use and mark"', 'unchecked = "leave out"'),
        ('overdue = "use and mark"', 'overdue = "leave out"'),
        ("level = 0.05", "level = 0.01"),
        ('counts = "first"', 'counts = "highest"'),
        ("block_mass_kg = 0.800", "block_mass_kg = 0.900"),
        ("points_per_unit = 40 ", "points_per_unit = 50 "),
        ("friction = { quantum = 0.001, rule", "friction = { quantum = 0.01, rule"),
        ('force = "none" ', "force = { quantum = 0.01, rule = 'half-up' } "),
        ("readings = 8 ", "readings = 6 "),
        ("points_per_unit_gained = 0.4", "points_per_unit_gained = 0.5"),
        ("points_per_unit_lost = -0.8", "points_per_unit_lost = -1"),
    )
    found = changes(OLD, new)
    assert len(found) == 12 > MOST_APART
    assert [one.name for one in reasons(found)] == ["uncertainty", "stamps", "outliers", "slip", "gloss"]


@pytest.mark.parametrize(
    ("old", "new", "name"),
    [
        ("uncertainty_kg = 0.0005", "uncertainty_kg = 0.001", "slip.block_mass_standard_uncertainty_kg"),
        ('unit = "strokes"', 'unit = "washes"', "wash.unit"),
    ],
)
def test_a_reason_is_named_after_what_did_change(old: str, new: str, name: str) -> None:
    (reason,) = reasons(changes(OLD, shipped((old, new))))
    assert reason.name == name
