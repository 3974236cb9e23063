"""Letters say exactly what they should, whatever the pairs look like; so do corrected probabilities."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from acquire.scoring.compare import Marks, compare, holm
from acquire.scoring.correlated import correlate
from acquire.scoring.groups import letters
from tests.points_kit import COVERAGE, line, points


@st.composite
def pairs_alike(draw: st.DrawFn) -> Marks:
    count = draw(st.integers(min_value=1, max_value=9))
    alike = np.eye(count, dtype=np.bool_)
    for row, column in zip(*np.triu_indices(count, k=1), strict=True):
        alike[row, column] = alike[column, row] = draw(st.booleans())
    return alike


def as_said(found: list[tuple[str, ...]]) -> Marks:
    """Which rows have a letter in common."""
    return np.array([[bool(set(one) & set(other)) for other in found] for one in found])


@given(pairs_alike())
def test_two_rows_share_a_letter_exactly_if_they_cannot_be_told_apart(alike: Marks) -> None:
    found = letters(alike)
    np.testing.assert_array_equal(as_said(found), alike)
    assert all(list(names) == sorted(set(names)) for names in found)


@given(pairs_alike())
def test_no_letter_could_be_left_out(alike: Marks) -> None:
    found = letters(alike)
    for letter in {name for names in found for name in names}:
        without = [tuple(name for name in names if name != letter) for names in found]
        assert not (as_said(without) == alike).all(), f"{letter} says nothing new"


@given(st.lists(st.floats(min_value=-50, max_value=50), min_size=1, max_size=12))
def test_figures_of_one_uncertainty_need_one_letter_per_run_of_neighbours(values: list[float]) -> None:
    ordered = np.array(sorted(values, reverse=True))
    alike = np.abs(ordered[:, None] - ordered[None, :]) <= 7.0
    found = letters(alike)
    np.testing.assert_array_equal(as_said(found), alike)
    ends = {int(np.flatnonzero(row)[-1]) for row in alike}
    assert len({name for names in found for name in names}) == len(ends)


@given(st.lists(st.floats(min_value=0, max_value=1), max_size=20))
def test_the_correction_keeps_the_order_and_never_lowers_a_probability(p: list[float]) -> None:
    given_p = np.array(p, dtype=np.float64)
    adjusted = holm(given_p)
    assert (adjusted >= given_p).all()
    assert (adjusted <= np.minimum(1.0, len(p) * given_p) + 1e-12).all(), "never more than Bonferroni's"
    assert (np.diff(adjusted[np.argsort(given_p)]) >= 0).all()


SIZES = st.floats(min_value=0.01, max_value=3)


@given(
    st.lists(
        st.tuples(st.floats(min_value=-20, max_value=20), SIZES, SIZES, st.sampled_from([None, 2.0, 9.0])),
        min_size=2,
        max_size=6,
    )
)
def test_a_source_that_moves_all_alike_changes_no_difference(
    rows: list[tuple[float, float, float, float | None]],
) -> None:
    def figures(common: float) -> list[tuple[float, ...]]:
        made = [
            points(value, line(own, freedom=freedom), line(uneven, "uneven"), line(common, "common"))
            for value, own, uneven, freedom in rows
        ]
        found = compare(correlate(made), np.zeros(len(made), dtype=np.bool_), COVERAGE)
        np.testing.assert_array_equal(found.difference, -found.difference.T)
        np.testing.assert_array_equal(found.real, found.real.T)
        assert not found.real.diagonal().any()
        return [tuple(row) for row in (*found.standard_uncertainty, *found.freedom, *found.adjusted)]

    assert figures(1.0) == figures(100.0)
