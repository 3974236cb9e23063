"""Observations from files and trials, and studies at their edges."""

import random

import pytest

from acquire.errors import SourceError
from acquire.model import Test as Kind
from acquire.studies.benches import precision
from acquire.studies.crossed import crossed
from acquire.studies.observed import Observed, balance, observed_of, read_observed
from acquire.studies.oneway import one_way
from tests.scoring_kit import TRIAL, method, series

PEOPLE = "person,panel,value\nann,P1,1.0\nann,P1,1.5\nbo,P1,1.2\nbo,P1,1.1\n"


def study(people: int, panels: int, repeats: int, seed: str, **sds: float) -> list[Observed]:
    """Drawn with known standard deviations: `person`, `panel`, `both`, `repeat`."""
    draw = random.Random(seed)

    def some(count: int, name: str) -> list[float]:
        return [draw.gauss(0, sds.get(name, 0.0)) for _ in range(count)]

    of_person, of_panel = some(people, "person"), some(panels, "panel")
    return [
        Observed(
            f"person {i}", f"panel {j}", of_person[i] + of_panel[j] + both + draw.gauss(0, sds["repeat"])
        )
        for i in range(people)
        for j, both in enumerate(some(panels, "both"))
        for _ in range(repeats)
    ]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_columns_may_come_in_any_order_and_with_others(separator: str) -> None:
    text = "\ufeffnote,VALUE,Panel,person\nfirst,1.25,P1,ann\n\n,2,P2,bo\n".replace(",", separator)
    assert read_observed(text, "people.csv") == [Observed("ann", "P1", 1.25), Observed("bo", "P2", 2.0)]


def test_a_decimal_comma_beside_semicolons() -> None:
    assert read_observed("bench;material;value\nA;tile;1,5\n", "between.csv") == [Observed("A", "tile", 1.5)]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "nothing in it"),
        ("person,panel,value\n", "titles and no rows"),
        ("person,panel,force\nann,P1,1\n", "no column titled value"),
        ("person,lab,panel,value\nann,A,P1,1\n", "more than one column titled person or bench or lab"),
    ],
)
def test_a_file_that_is_none_says_which_columns_are_wanted(text: str, fault: str) -> None:
    with pytest.raises(SourceError, match=f"people.csv: {fault}") as caught:
        read_observed(text, "people.csv")
    assert "person or bench or lab" in caught.value.hint


def test_every_faulty_line_is_named() -> None:
    text = PEOPLE + "ann,P1,x\n,P1,1\nann,P1\nann,P1,nan\n"
    with pytest.raises(SourceError) as caught:
        read_observed(text, "people.csv")
    assert str(caught.value).splitlines() == [
        "people.csv: 4 fault(s)",
        "  line 6: 'x' is no number",
        "  line 7: a name is missing",
        "  line 8: 2 cells, where 3 are needed",
        "  line 9: 'nan' is no number that can be averaged",
    ]


def test_what_is_not_balanced_is_named() -> None:
    observed = study(2, 3, 2, "balance", repeat=1.0)
    with pytest.raises(SourceError, match=r"most have 2 values, but person 1 on panel 2: 1$"):
        balance(observed[:-1])
    with pytest.raises(SourceError, match=r"not balanced: lab 2 did not measure steel"):
        precision([Observed("lab 1", "steel", 1.0), Observed("lab 2", "wood", 1.0)])


@pytest.mark.parametrize(("people", "panels", "repeats"), [(1, 3, 2), (3, 1, 2), (3, 3, 1)])
def test_a_study_needs_two_of_each(people: int, panels: int, repeats: int) -> None:
    with pytest.raises(
        SourceError, match=rf"{people} person\(s\), {panels} panel\(s\), {repeats} repeat\(s\)"
    ):
        crossed(balance(study(people, panels, repeats, "small", repeat=1.0)))


def test_benches_need_three_and_repeats() -> None:
    two = [Observed(bench, "steel", value) for bench in "AB" for value in (1.0, 2.0)]
    with pytest.raises(SourceError, match=r"steel: 2 bench\(es\) with 2 value\(s\) each"):
        precision(two)


def test_a_crossed_study_finds_the_spreads_it_was_drawn_with() -> None:
    found = crossed(balance(study(40, 40, 3, "spreads", person=0.5, panel=2.0, both=0.8, repeat=0.3)))
    assert not found.pooled
    assert found.repeatability.sd == pytest.approx(0.3, rel=0.05)
    assert found.interaction.sd == pytest.approx(0.8, rel=0.1)
    assert found.people_alone.sd == pytest.approx(0.5, rel=0.3)
    assert found.panel.sd == pytest.approx(2.0, rel=0.3)
    assert found.total.sd**2 == pytest.approx(found.measuring.sd**2 + found.panel.sd**2)


def test_values_with_a_large_offset_lose_nothing() -> None:
    plain = study(3, 5, 3, "offset", person=1.0, repeat=1.0)
    lifted = [Observed(one.who, one.what, one.value + 2**30) for one in plain]
    first, second = crossed(balance(plain)), crossed(balance(lifted))
    assert second.repeatability.sd == pytest.approx(first.repeatability.sd, rel=1e-6)
    assert second.table[1].f == pytest.approx(first.table[1].f, rel=1e-6)


def test_readings_that_never_differ_make_no_test() -> None:
    still = [Observed(who, what, 1.0) for who in "AB" for what in "XY" for _ in range(2)]
    found = crossed(balance(still))
    assert found.categories is None
    assert found.table[0].p is None
    benches = [Observed(who, "X", 1.0) for who in "ABC" for _ in range(2)]
    (one,) = precision(benches)
    assert (one.repeatability_sd, one.cells[0].h, one.cells[0].k) == (0, None, None)


def test_one_way_takes_groups_of_unlike_size() -> None:
    """By hand: means 2 and 5, squares 2 and 0 within, 27 over 5 values about 3.2."""
    found = one_way([[1.0, 2.0, 3.0], [5.0, 5.0]])
    assert found.between.sum_of_squares == pytest.approx(10.8)
    assert found.within.mean_square == pytest.approx(2 / 3)
    typical = 5 - (9 + 4) / 5
    assert found.between_sd**2 == pytest.approx((10.8 - 2 / 3) / typical)
    with pytest.raises(ValueError, match="two groups"):
        one_way([[1.0, 2.0]])


def test_a_trial_gives_what_counts_of_it() -> None:
    readings = series(Kind.SLIP, [3.0, 3.1, 3.2, 3.0, 3.1, 3.2]) + series(Kind.SLIP, [9.0], phase="treated")
    readings[0] = readings[0].model_copy(update={"counts": False})
    found = observed_of(readings, method(), trial=TRIAL, who="ann", test=Kind.SLIP, phase="bare")
    assert found == [Observed("ann", "P1", value) for value in (3.1, 3.2, 3.0, 3.1, 3.2)]
    with pytest.raises(SourceError, match="no bare gloss reading"):
        observed_of(readings, method(), trial=TRIAL, who="ann", test=Kind.GLOSS, phase="bare")
    with pytest.raises(SourceError, match="handling is not made of repeated readings"):
        observed_of(readings, method(), trial=TRIAL, who="ann", test=Kind.HANDLING, phase="bare")
