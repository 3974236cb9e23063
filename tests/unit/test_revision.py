"""Another method beside what was published: figures, places, and what moved them."""

from collections.abc import Iterator
from pathlib import Path

import pytest

import acquire.rescoring
from acquire.errors import ConfigError
from acquire.model import Test as Kind
from acquire.publications import kept_method, kept_methods, publish
from acquire.recapture import recapture
from acquire.results import gather, scorecards
from acquire.revision import FROM_BYTES, SINCE, TOGETHER, Revision, TrialMove, published, revise
from acquire.scoring.method import Method, parse_method
from acquire.scoring.standings import rank
from tests.benches import MadeBench, method_text

pytestmark = pytest.mark.slow

PLACES_MOVE = ("points_per_unit = 40 ", "points_per_unit = 160 ")
TREATED_N = {"alder": 2.0, "birch": 2.4, "cedar": 1.7}
GLOSS_GU = {"alder": 93.0, "birch": 98.0, "cedar": 90.0}


def method(*swaps: tuple[str, str]) -> Method:
    """The bench's method with some of its text replaced."""
    text = method_text()
    for old, new in swaps:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return parse_method(text, "test")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeBench]:
    """Three complete trials and one that is not, published once by the bench's method."""
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        made.check_force()
        for trial, treated_n in TREATED_N.items():
            gloss = GLOSS_GU[trial]
            made.begin(trial, f"Product {trial.title()} (invented)")
            made.slip(trial, "A", "bare", [3.0, 3.2, 3.1])
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1])
            made.gloss(trial, "A", "bare", [91.0, 90.8, 91.3])
            made.gloss(trial, "A", "treated", [gloss, gloss - 0.2, gloss + 0.3])
            made.rate(trial, Kind.HANDLING, "A", 7.5, f"rating.h.{trial}")
            made.rate(trial, Kind.APPEARANCE, "A", 8.0, f"rating.a.{trial}")
            made.wash(trial, "A", 60, 60, passed=True)
            made.inspect(trial, "A", 150, 150, passed=False)
        publish_now(made, "spring page")
        made.rate("alder", Kind.APPEARANCE, "A", 9.0, "rating.a2.alder")
        made.begin("dogwood", "Product Dogwood (invented)")
        made.rate("dogwood", Kind.HANDLING, "A", 5.0, "rating.h.dogwood")
        yield made


def publish_now(made: MadeBench, where: str) -> None:
    cards = scorecards(gather(made.journal), made.bench, made.home.method())
    publish(
        made.journal,
        made.clock,
        where=where,
        method=made.home.method(),
        cards=cards,
        ranked=rank(cards),
        at_seq=made.journal.head()[0],
    )


def revised(made: MadeBench, new: Method) -> Revision:
    publication = published(made.journal)
    assert publication is not None
    return revise(made.journal, made.bench, publication.method, new, publication=publication)


def of(revision: Revision, trial: str) -> TrialMove:
    return next(move for move in revision.trials if move.trial == trial)


def why(revision: Revision, trial: str, test: Kind | None) -> dict[str, float | None]:
    figure = next(figure for figure in of(revision, trial).figures if figure.test is test)
    return {cause.name: cause.difference for cause in figure.causes}


def test_old_figures_are_the_published_ones_and_new_ones_those_of_the_new_method(made: MadeBench) -> None:
    new = method(PLACES_MOVE)
    revision = revised(made, new)
    publication = published(made.journal)
    assert publication is not None
    assert (revision.where, revision.at_seq) == ("spring page", publication.at_seq)
    assert revision.until_seq == made.journal.head()[0]
    cards = scorecards(gather(made.journal), made.bench, new)
    ranked = rank(cards)
    for card in cards:
        move = of(revision, card.trial)
        was = next((one for one in publication.trials if one.trial == card.trial), None)
        old = {figure.test: figure.old.value for figure in move.figures if figure.old is not None}
        figures = () if was is None else was.figures
        assert old == {figure.test: figure.value for figure in figures}
        assert move.old_place == (None if was is None else was.place)
        now = {figure.test: figure.new.value for figure in move.figures if figure.new is not None}
        total = card.total.points
        given = {score.test: score.points.value for score in card.scores if score.points is not None}
        assert now == ({} if total is None else {None: total.value}) | given
    # The places of the standings themselves.
    assert {row.trial: row.place for row in ranked.rows} == {
        move.trial: move.new_place for move in revision.trials
    }
    # Points for slip and gloss, by hand: 5.6 and 0.8, 3.6 and 2.8, 7.1 and -0.8, alike to a tenth; then slip
    # counts four times and goes before gloss.
    assert [(move.trial, move.new_place) for move in revision.trials] == [
        ("cedar", 1),
        ("alder", 2),
        ("birch", 3),
        ("dogwood", None),
    ]
    assert of(revision, "cedar").old_place == 3


def test_four_times_the_points_for_slip_move_slip_alone_and_by_what_they_make(made: MadeBench) -> None:
    revision = revised(made, method(PLACES_MOVE))
    for move in revision.trials[:3]:
        for figure in move.figures:
            moved_by_method = {cause.name for cause in figure.causes} - {SINCE}
            assert moved_by_method == (
                {"slip.points_per_unit"} if figure.test in (Kind.SLIP, None) else set()
            )
    # By hand: the published points, four times as many, to the tenth they are rounded to, each.
    for trial in TREATED_N:
        figure = next(figure for figure in of(revision, trial).figures if figure.test is Kind.SLIP)
        assert figure.old is not None
        assert figure.new is not None
        assert figure.new.value == pytest.approx(4 * figure.old.value, abs=0.05 + 4 * 0.05)


def test_a_total_has_as_many_decimals_as_its_points(made: MadeBench) -> None:
    for move in revised(made, method(PLACES_MOVE)).trials[:3]:
        shown = [one.text for figure in move.figures for one in (figure.old, figure.new) if one is not None]
        assert len(shown) == 12
        assert {len(text.partition(".")[2]) for text in shown} == {1}


def test_what_came_after_the_publication_is_told_apart_from_the_method(made: MadeBench) -> None:
    revision = revised(made, method(PLACES_MOVE))
    assert why(revision, "alder", Kind.APPEARANCE) == {SINCE: 1.0}
    total = why(revision, "alder", None)
    assert total[SINCE] == 1.0
    assert why(revision, "dogwood", Kind.HANDLING) == {SINCE: None}
    assert of(revision, "dogwood").old_place is None
    assert of(revision, "dogwood").new_place is None


def test_several_changes_are_told_apart_and_add_up(made: MadeBench) -> None:
    revision = revised(
        made,
        method(
            PLACES_MOVE,
            ("points_per_unit_gained = 0.4", "points_per_unit_gained = 0.2"),
            ("friction = { quantum = 0.001, rule", "friction = { quantum = 0.02, rule"),
        ),
    )
    assert set(why(revision, "birch", Kind.GLOSS)) == {"gloss.points_per_unit_gained"}
    # 7 GU gained, at 0.2 points less each.
    assert why(revision, "birch", Kind.GLOSS)["gloss.points_per_unit_gained"] == pytest.approx(-1.4)
    slip = why(revision, "birch", Kind.SLIP)
    assert (
        {"slip.points_per_unit"} < set(slip) <= {"slip.points_per_unit", "slip.rounding.friction", TOGETHER}
    )
    for move in revision.trials[:3]:
        for figure in move.figures:
            assert figure.old is not None
            assert figure.new is not None
            moved = sum(cause.difference or 0.0 for cause in figure.causes)
            assert moved == pytest.approx(figure.new.value - figure.old.value)


def test_a_test_that_is_no_longer_used_takes_its_points_and_the_total_along(made: MadeBench) -> None:
    revision = revised(made, method(("[gloss]\nused = true", "[gloss]\nused = false")))
    figure = next(one for one in of(revision, "birch").figures if one.test is Kind.GLOSS)
    assert figure.new is None
    assert figure.moved
    assert why(revision, "birch", Kind.GLOSS) == {"gloss.used": None}
    total = why(revision, "birch", None)["gloss.used"]
    assert figure.old is not None
    assert total == pytest.approx(-figure.old.value)


def test_the_same_method_moves_nothing_but_what_came_since(made: MadeBench) -> None:
    revision = revised(made, made.home.method())
    assert revision.changes == ()
    causes = {cause.name for move in revision.trials for one in move.figures for cause in one.causes}
    assert causes == {SINCE}


def test_rules_of_capture_are_heeded_from_bytes_only(made: MadeBench) -> None:
    new = method(("max_under_read_fraction = 0.1 ", "max_under_read_fraction = 0.0001 "))
    from_readings = revised(made, new)
    assert [change.key for change in from_readings.unheeded] == ["slip.capture.max_under_read_fraction"]
    assert why(from_readings, "birch", Kind.SLIP) == {}
    publication = published(made.journal)
    assert publication is not None
    found = recapture(made.journal, made.home.recordings, made.bench, new)
    from_bytes = revise(
        made.journal, made.bench, publication.method, new, publication=publication, recaptured=found
    )
    assert from_bytes.unheeded == ()
    assert why(from_bytes, "birch", Kind.SLIP) == {FROM_BYTES: None}
    assert of(from_bytes, "birch").new_place is None
    assert from_bytes.captured is not None
    assert {one.what for one in from_bytes.captured.differences} == {"now refused"}
    assert len(from_bytes.captured.differences) == 6 * len(TREATED_N)


def test_several_processes_come_to_the_same(made: MadeBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(acquire.rescoring, "FEW_TRIALS_N", 1)
    monkeypatch.setattr(acquire.rescoring, "PART_TRIALS_N", 1)
    new = method(PLACES_MOVE)
    publication = published(made.journal)
    assert publication is not None
    found = recapture(made.journal, made.home.recordings, made.bench, new)
    alone, at_once = (
        revise(
            made.journal,
            made.bench,
            publication.method,
            new,
            publication=publication,
            recaptured=found,
            processes=processes,
        )
        for processes in (1, 2)
    )
    assert alone == at_once


def test_nothing_is_written_and_the_publication_stands(made: MadeBench) -> None:
    before, was = made.journal.head(), published(made.journal)
    revised(made, method(PLACES_MOVE))
    assert made.journal.head() == before
    assert published(made.journal) == was


def test_a_publication_that_is_not_there_is_named_with_those_that_are(made: MadeBench) -> None:
    with pytest.raises(ConfigError, match="nothing was published as 'autumn page'") as caught:
        published(made.journal, "autumn page")
    assert caught.value.hint == "publications: spring page"


def test_the_journal_keeps_the_text_of_each_method_something_was_published_by(made: MadeBench) -> None:
    (kept,) = kept_methods(made.journal)
    assert (kept.text, kept.where) == (method_text(), ("spring page",))
    assert kept_method(made.journal, kept.sha256[:8].upper()) == kept
    with pytest.raises(ConfigError, match="no method has a fingerprint that begins 'zz'"):
        kept_method(made.journal, "zz")


def test_where_nothing_was_published_the_bench_method_is_the_old_one(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        old, new = made.home.method(), method(PLACES_MOVE)
        assert published(made.journal) is None
        with pytest.raises(ConfigError, match="no trial yet"):
            revise(made.journal, made.bench, old, new)
        made.begin("alder", "Product Alder (invented)")
        made.rate("alder", Kind.HANDLING, "A", 7.5, "rating.h.alder")
        revision = revise(made.journal, made.bench, old, new)
    assert (revision.where, revision.old_sha256) == (None, old.sha256)
    assert not any(move.moved for move in revision.trials)
