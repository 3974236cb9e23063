"""How numbers are spelled: no digit that nobody measured, none lost that the method keeps."""

import pytest

from acquire.outputs.words import (
    coverage_of,
    expanded,
    gathered,
    measured,
    of_unit,
    plus_minus,
    points_of,
    total_of,
    with_uncertainty,
)
from acquire.scoring.results import Figure, LeftOut, Points


def figure(value: float, u: float, *, text: str | None = None, unrounded: float | None = None) -> Figure:
    return Figure(
        value=value,
        text=text or f"{value:.6g}",
        unrounded=value if unrounded is None else unrounded,
        standard_uncertainty=u,
        unit="N",
    )


def points(value: float, text: str, u: float, freedom: float | None = None) -> Points:
    return Points(
        value=value,
        text=text,
        unrounded=value,
        standard_uncertainty=u / 2,
        unit="points",
        effective_degrees_of_freedom=freedom,
        coverage=0.95,
        coverage_factor=2.0,
        expanded_uncertainty=u,
        budget=(),
    )


@pytest.mark.parametrize(
    ("one", "alike", "shown"),
    [
        (figure(3.50333333, 0.036), [], "3.503"),
        (figure(2.8, 0.036), [], "2.800"),
        (figure(1234.5678, 120.0), [], "1235"),
        # Rounded to tenths by the method: never more digits than it keeps, and never fewer.
        (figure(91.7, 0.2, text="91.7", unrounded=91.6667), [], "91.7"),
        (figure(91.0, 0.2, text="91.0", unrounded=91.04), [], "91.0"),
        # This one happened to need no rounding; the next panel tells that there was some.
        (figure(91.2, 0.02), [figure(88.4, 0.02, text="88.4", unrounded=88.36)], "91.2"),
        # The difference of two frictions rounded to thousandths keeps them.
        (
            figure(0.15, 0.008, unrounded=0.14967),
            [figure(0.358, 0.008, text="0.358", unrounded=0.35781)],
            "0.150",
        ),
        (figure(7.5, 0.0), [], "7.5"),
    ],
)
def test_measured_numbers_show_what_is_known(one: Figure, alike: list[Figure], shown: str) -> None:
    assert measured(one, alike) == shown


def test_points_carry_their_doubt_if_they_have_one() -> None:
    assert with_uncertainty(points(10.3, "10.3", 0.4712)) == "10.3 ± 0.47"
    assert with_uncertainty(points(10.3, "10.3", 12.3)) == "10.3 ± 12"
    assert with_uncertainty(points(4.0, "4.0", 0.0)) == "4.0"
    assert with_uncertainty(points(4.0, "4.0", 0.0), "at least") == "≥ 4.0"
    assert with_uncertainty(None) == "–"
    assert plus_minus(None) == ""
    assert expanded(points(1.0, "1.0", 0.0)) == ""
    assert points_of(None) == "–"


def test_a_total_shows_the_decimals_of_its_parts() -> None:
    parts = [points(4.7, "4.7", 0.4), None, points(15.3, "15.3", 0.2)]
    assert total_of(points(20.0, "20", 0.6), parts, "complete") == "20.0"
    assert total_of(points(20.0, "20", 0.6), parts, "at least") == "≥ 20.0"
    assert total_of(points(20.0, "20", 0.6), [points(20, "20", 1.0)], "complete") == "20"
    assert total_of(None, [], "incomplete") == "–"


def test_coverage_says_what_plus_minus_means() -> None:
    assert coverage_of(points(1, "1", 1, 12.4)) == "95 % coverage, k = 2.00, 12 degrees of freedom"
    assert coverage_of(points(1, "1", 1)) == "95 % coverage, k = 2.00"


def test_values_wear_their_unit() -> None:
    assert of_unit(3.0041, "N") == "3.0041 N"
    assert of_unit(10.0, "1") == "10 strokes"
    assert of_unit(None, "N") == "no number"


def test_reasons_are_told_once_with_all_they_hold_for() -> None:
    left_out = [LeftOut(id="a", why="extra"), LeftOut(id="b", why="angle"), LeftOut(id="c", why="extra")]
    assert gathered(left_out) == [("extra", ["a", "c"]), ("angle", ["b"])]
