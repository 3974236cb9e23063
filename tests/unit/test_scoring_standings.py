"""Standings: which differences are real, how sure places are, and several trials of a product as one."""

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from acquire.errors import MethodError
from acquire.model import Test as Kind
from acquire.model import Trial
from acquire.scoring import standings
from acquire.scoring.combine import combine
from acquire.scoring.correlated import correlate
from acquire.scoring.groups import letters
from acquire.scoring.ranks import drawn, place_chances
from acquire.scoring.results import Points, Scorecard
from acquire.scoring.standings import Standings, rank
from tests.points_kit import COVERAGE, card, line, points

SURE = np.zeros(3, dtype=np.bool_)


def trial(name: str, product: str, *, control: bool = False) -> Trial:
    return Trial(
        id=name, product=product, panels=("P1",), control=control, t_utc=datetime(2031, 3, 5, tzinfo=UTC)
    )


def three(*, shared: float) -> list[Scorecard]:
    """Totals 12, 11 and 10 with own errors of 0.2 and a shared one."""
    return [
        card(name, points(value, line(0.2), line(shared, "reference weight")))
        for name, value in (("alder", 12.0), ("birch", 11.0), ("cedar", 10.0))
    ]


def test_sharing_a_source_tells_apart_what_would_else_be_level() -> None:
    found = rank(three(shared=2.0))
    assert [row.letters for row in found.rows] == [("a",), ("b",), ("c",)]
    assert [row.level_with for row in found.rows] == [(), (), ()]
    assert [row.places for row in found.rows] == [(1, 1), (2, 2), (3, 3)]
    found = rank([card(name, points(value, line(2.0))) for name, value in (("a", 12), ("b", 11), ("c", 10))])
    assert [row.letters for row in found.rows] == [("a",), ("a",), ("a",)]
    assert found.rows[0].level_with == ("b", "c")
    assert found.rows[0].places == (1, 3)


def test_every_pair_is_told_with_its_correction() -> None:
    found = rank(three(shared=2.0))
    assert [(pair.one, pair.other) for pair in found.pairs] == [
        ("alder", "birch"),
        ("alder", "cedar"),
        ("birch", "cedar"),
    ]
    first, second, _ = found.pairs
    assert (first.difference, first.degrees_of_freedom) == (1.0, None)
    assert first.standard_uncertainty == pytest.approx(0.2 * math.sqrt(2))
    # By hand: the smallest of three is taken three times, the next twice.
    assert second.adjusted_p == pytest.approx(3 * second.p)
    assert first.adjusted_p == pytest.approx(2 * first.p)
    assert first.p == pytest.approx(math.erfc(1.0 / 0.4), rel=1e-9)


def test_a_sign_decides_whether_a_shared_source_cancels() -> None:
    def uncertainty(sign: float) -> float:
        found = rank([card("a", points(5, line(1.0, "k"))), card("b", points(4, line(sign, "k")))])
        return found.pairs[0].standard_uncertainty

    assert uncertainty(1.0) == 0
    assert uncertainty(-1.0) == pytest.approx(2.0)


def test_lines_without_a_key_are_errors_of_their_own() -> None:
    found = rank([card("a", points(5, line(1.0))), card("b", points(4, line(1.0)))])
    assert found.pairs[0].standard_uncertainty == pytest.approx(math.sqrt(2))


def test_equal_counts_share_a_place_in_every_draw() -> None:
    cards = [card(name, points(value)) for name, value in (("a", 4), ("b", 6), ("c", 4), ("d", 2))]
    found = rank(cards)
    assert [(row.place, row.trial, row.chances) for row in found.rows] == [
        (1, "b", {1: 1.0}),
        (2, "a", {2: 1.0}),
        (2, "c", {2: 1.0}),
        (4, "d", {4: 1.0}),
    ]
    assert [row.letters for row in found.rows] == [("a",), ("b",), ("b",), ("c",)]
    assert [pair.p for pair in found.pairs] == [0, 0, 0, 1, 0, 0]


def test_a_lower_limit_may_be_better_but_is_never_called_worse() -> None:
    def places(status_of_last: str) -> tuple[Standings, list[tuple[int, int] | None]]:
        cards = three(shared=0.0)
        if status_of_last == "at least":
            cards[2] = card("cedar", points(10.0, line(0.2)), status="at least")
        found = rank(cards)
        return found, [row.places for row in found.rows]

    assert places("given")[1] == [(1, 1), (2, 2), (3, 3)]
    found, open_ended = places("at least")
    assert open_ended == [(1, 2), (2, 3), (1, 3)]
    assert [row.letters for row in found.rows] == [("a",), ("b",), ("a", "b")]
    assert "may be better" in found.note
    cards = three(shared=0.0)
    cards[0] = card("alder", points(12.0, line(0.2)), status="at least")
    assert [row.letters for row in rank(cards).rows] == [("a",), ("b",), ("c",)]


def test_equal_counts_of_which_one_is_a_lower_limit_share_a_place() -> None:
    cards = [card("a", points(4)), card("b", points(4), status="at least"), card("c", points(2))]
    found = rank(cards)
    assert [(row.place, row.trial, row.chances, row.places) for row in found.rows] == [
        (1, "a", {1: 1.0}, (1, 2)),
        (1, "b", {1: 1.0}, (1, 1)),
        (3, "c", {3: 1.0}, (3, 3)),
    ]
    everyone_open = [card(name, points(value), status="at least") for name, value in (("a", 4), ("b", 2))]
    assert [row.places for row in rank(everyone_open).rows] == [(1, 1), (1, 2)]


def mixed() -> list[Points]:
    """Every kind of source: t, rectangular and normal, own and shared, with either sign."""
    return [
        points(
            value,
            *(line(size, freedom=freedom) for size, freedom in ((0.5, 3), (0.4, 5), (0.4, 5), (0.3, None))),
            *[line(0.3, distribution="rectangular")] * 3,
            line(shared, "check", freedom=4),
            line(-shared, "weight", distribution="rectangular"),
        )
        for value, shared in ((10.0, 0.5), (10.6, 0.5), (9.5, -0.4))
    ]


def plain_chances(draws: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """The same by drawing every source anew, with numpy's own distributions."""
    rng = np.random.default_rng(11)
    check = rng.standard_t(4, draws)
    weight = rng.uniform(-math.sqrt(3), math.sqrt(3), draws)
    totals = []
    for one in mixed():
        total = np.full(draws, one.unrounded)
        for source in one.budget:
            if source.key:
                total += source.sensitivity * (check if source.key == "check" else weight)
            elif source.distribution == "rectangular":
                total += source.contribution * rng.uniform(-math.sqrt(3), math.sqrt(3), draws)
            elif source.degrees_of_freedom is None:
                total += source.contribution * rng.standard_normal(draws)
            else:
                total += source.contribution * rng.standard_t(source.degrees_of_freedom, draws)
        totals.append(total)
    order = np.argsort(-np.array(totals), axis=0)
    return np.array([[np.mean(order[place] == row) for place in range(3)] for row in range(3)])


def test_chances_are_those_of_drawing_every_source_anew() -> None:
    found = place_chances(correlate(mixed()), SURE, COVERAGE, draws=200_000)
    np.testing.assert_allclose(found.chance, plain_chances(200_000), atol=5 * found.standard_error)


def test_the_stated_error_of_the_simulation_holds_from_seed_to_seed() -> None:
    figures = correlate(mixed())
    found = [place_chances(figures, SURE, COVERAGE, draws=2_000, seed=seed) for seed in range(60)]
    spread = np.std([one.chance for one in found], axis=0, ddof=1)
    # The standard deviation of 60 values is itself known to 9 %.
    assert spread.max() <= 1.3 * found[0].standard_error
    assert spread.min() > 0
    again = place_chances(figures, SURE, COVERAGE, draws=2_000, seed=3)
    np.testing.assert_array_equal(again.chance, found[3].chance)


def test_draws_come_in_parts_that_add_up() -> None:
    parts = list(drawn(correlate(mixed()), 20_000, seed=5))
    assert len(parts) > 1
    assert sum(part.shape[1] for part in parts) == 20_000
    together = np.concatenate(parts, axis=1)
    found = np.cov(together)
    # A t of n degrees has n / (n - 2) times the variance of its scale.
    own = 3 * 0.25 + 2 * 0.16 * 5 / 3 + 0.09 + 3 * 0.09
    np.testing.assert_allclose(found[0, 0], own + 0.25 * 2 + 0.25, rtol=0.1)
    np.testing.assert_allclose(found[0, 2], -0.2 * 2 - 0.2, rtol=0.15)


def test_letters_go_on_after_z() -> None:
    found = letters(np.eye(30, dtype=np.bool_))
    assert found[25:28] == [("z",), ("aa",), ("ab",)]


def test_only_the_best_rows_are_compared_where_there_are_too_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standings, "MOST_COMPARED", 2)
    found = rank(three(shared=0.0))
    assert (found.compared_n, len(found.pairs)) == (2, 1)
    assert "Only the best 2 of 3 are compared" in found.note
    assert [row.place for row in found.rows] == [1, 2, 3]
    assert [row.places is None for row in found.rows] == [False, False, True]
    monkeypatch.setattr(standings, "MOST_LISTED", 1)
    assert rank(three(shared=0.0)).pairs == ()


def test_standings_survive_json() -> None:
    found = rank(three(shared=1.0))
    assert Standings.model_validate_json(found.model_dump_json()) == found


def test_with_one_row_there_is_nothing_to_compare() -> None:
    found = rank([card("alder", points(5, line(1.0)))])
    assert (found.compared_n, found.rows[0].letters, found.rows[0].places) == (0, (), None)
    assert found.note == "With fewer than two ranked rows there is nothing to compare."


def test_ranking_by_one_test_goes_by_its_points() -> None:
    cards = [
        card("alder", points(5, line(0.1)), wash=points(10)),
        card("birch", points(6, line(0.1)), wash=points(1)),
        card("cedar", None, missing=[Kind.SLIP], wash=points(2)),
    ]
    assert [row.trial for row in rank(cards).rows] == ["alder", "birch", "cedar"]
    by_slip = rank(cards, test=Kind.SLIP)
    assert [(row.trial, row.place) for row in by_slip.rows] == [("birch", 1), ("alder", 2), ("cedar", None)]
    by_wash = rank(cards, test=Kind.WASH)
    assert [(row.trial, row.place) for row in by_wash.rows] == [("alder", 1), ("cedar", 2), ("birch", 3)]
    with pytest.raises(MethodError, match="does not use gloss") as caught:
        rank(cards, test=Kind.GLOSS)
    assert caught.value.hint == "it uses: slip, wash endurance"


def repeated() -> tuple[list[Scorecard], list[Trial]]:
    """One product three times, another once, a control; all weighed with one block."""
    rows = [("w-1", "Wax", 10.0), ("w-2", "Wax", 10.4), ("w-3", "Wax", 10.2), ("s-1", "Sealant", 9.0)]
    cards = [card(name, points(value, line(0.2), line(0.5, "block"))) for name, _, value in rows]
    cards.append(card("bare", points(1.0, line(0.2)), control=True))
    trials = [trial(name, product) for name, product, _ in rows]
    return cards, [*trials, trial("bare", "Nothing", control=True)]


def test_trials_of_one_product_become_one_row() -> None:
    cards, trials = repeated()
    found = rank(cards, trials=trials, by="product")
    assert [(row.place, row.trial, row.trials) for row in found.rows] == [
        (1, "Wax", ("w-1", "w-2", "w-3")),
        (2, "Sealant", ("s-1",)),
        (None, "Nothing", ("bare",)),
    ]
    wax = found.rows[0].total
    assert wax is not None
    assert wax.value == pytest.approx(10.2)
    assert wax.text == "10.20"
    # The block's error is the same in all three and stays; the trials' own average away.
    assert wax.standard_uncertainty == pytest.approx(math.hypot(0.5, 0.2 / math.sqrt(3)))
    assert found.rows[0].between_sd == 0
    assert found.rows[1].between_sd is None
    # And it still cancels against the other product.
    assert found.pairs[0].standard_uncertainty == pytest.approx(math.hypot(0.2, 0.2 / math.sqrt(3)))


def test_a_source_of_one_trial_that_another_product_shares_stays_correlated() -> None:
    cards = [
        card("w-1", points(10.0, line(0.3, "check 1"))),
        card("w-2", points(14.0, line(0.3, "check 2"))),
        card("s-1", points(9.0, line(0.3, "check 2"))),
    ]
    trials = [trial("w-1", "Wax"), trial("w-2", "Wax"), trial("s-1", "Sealant")]
    found = rank(cards, trials=trials, by="product")
    wax = found.rows[0]
    assert wax.total is not None
    assert {one.key for one in wax.total.budget} == {"", "check 2"}
    own = next(one for one in wax.total.budget if one.key == "")
    assert own.degrees_of_freedom == 1
    # Half of check 2 is in the wax, all of it in the sealant.
    assert found.pairs[0].standard_uncertainty == pytest.approx(math.hypot(own.contribution, 0.15))


def test_what_trials_share_hides_no_scatter_and_adds_none() -> None:
    values = (10.0, 12.0, 11.0, 14.0)
    alone = combine([points(value, line(0.5)) for value in values])
    shared = combine([points(value, line(0.5), line(3.0, "block")) for value in values])
    # By hand: variance of the four is 35/12, less 0.25 of their own; s²/4 is left in the mean.
    assert alone.between_sd == pytest.approx(math.sqrt(35 / 12 - 0.25))
    assert shared.between_sd == alone.between_sd
    assert alone.points.standard_uncertainty == pytest.approx(math.sqrt(35 / 48))
    assert shared.points.standard_uncertainty == pytest.approx(math.hypot(3.0, math.sqrt(35 / 48)))
    assert alone.points.effective_degrees_of_freedom == 3


@pytest.mark.slow
@pytest.mark.parametrize("between", [0.0, 1.0, 2.0])
def test_the_expanded_uncertainty_of_five_trials_covers_as_often_as_it_says(between: float) -> None:
    rng = np.random.default_rng(17)
    held = 0
    for _ in range(1500):
        values = rng.normal(0.0, math.hypot(1.0, between), 5)
        found = combine([points(float(value), line(1.0)) for value in values]).points
        held += abs(found.unrounded) <= found.expanded_uncertainty
    # 95 % of 1500 has a standard error of 0.6 %; without any excess the method errs on the safe side.
    assert 0.93 <= held / 1500 <= 0.985


def test_counted_points_that_differ_are_all_scatter() -> None:
    found = combine([points(value) for value in (2.0, 4.0, 4.0)])
    assert found.between_sd == pytest.approx(math.sqrt(4 / 3))
    assert combine([points(4.0), points(4.0)]).between_sd == 0
    assert combine([points(4.0), points(4.0)]).points.expanded_uncertainty == 0


def test_at_least_stays_at_least_and_incomplete_trials_are_left_out() -> None:
    cards = [
        card("w-1", points(10.0, line(0.2)), status="at least"),
        card("w-2", points(11.0, line(0.2))),
        card("w-3", points(12.0, line(0.2)), missing=[Kind.WASH]),
        card("s-1", points(9.0, line(0.2)), missing=[Kind.WASH]),
        card("s-2", points(9.0, line(0.2)), missing=[Kind.GLOSS]),
    ]
    trials = [trial(one.trial, "Wax" if one.trial.startswith("w") else "Sealant") for one in cards]
    wax, sealant = rank(cards, trials=trials, by="product").rows
    assert (wax.status, wax.trials, wax.left_out) == ("at least", ("w-1", "w-2"), ("w-3",))
    assert wax.total is not None
    assert wax.total.value == 10.5
    assert (sealant.place, sealant.total, sealant.missing) == (None, None, (Kind.GLOSS, Kind.WASH))


def test_a_product_must_be_known() -> None:
    with pytest.raises(MethodError, match="no product is known for birch, cedar"):
        rank(three(shared=0.0), trials=[trial("alder", "Wax")], by="product")
