"""From a journal to scorecards: what counts, what was replaced, what was known when."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.errors import ConfigError, JournalError
from acquire.journal import Journal
from acquire.model import Amendment, CalibrationState
from acquire.model import Test as Kind
from acquire.results import gather, rescored, scorecard, scorecards, standings
from tests.bench_tools import NOON
from tests.benches import MadeBench


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path / "bench") as made:
        made.check_force()
        made.begin("alder", "Product Alder (invented)")
        made.begin("control", "Untreated (invented)", control=True)
        for trial, treated_n in (("alder", 2.0), ("control", 3.0)):
            made.slip(trial, "A", "bare", [3.0, 3.1, 2.9])
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1])
        yield made


def friction_gain(made: MadeBench, trial: str, *, as_stamped: bool = False) -> float:
    card = scorecard(gather(made.journal, as_stamped=as_stamped), made.bench, made.home.method(), trial)
    slip = card.score(Kind.SLIP)
    assert slip is not None
    assert slip.panels[0].figure is not None
    return slip.panels[0].figure.unrounded


def test_bytes_become_a_score(made: MadeBench) -> None:
    # By hand: (3.0 N - 2.0 N) / (0.800 kg x 9.812 m/s²) = 0.127; noise of the lines is 6 mN.
    assert friction_gain(made, "alder") == pytest.approx(0.127, abs=0.001)
    assert friction_gain(made, "control") == pytest.approx(0.0, abs=0.001)


def test_every_trial_is_scored_and_ranked(made: MadeBench) -> None:
    material = gather(made.journal)
    method = made.home.method()
    assert [card.trial for card in scorecards(material, made.bench, method)] == ["alder", "control"]
    ranked = standings(material, made.bench, method)
    assert ranked.method_sha256 == method.sha256
    assert {row.trial for row in ranked.rows} == {"alder", "control"}
    assert len(material.streams) == 4
    assert [id_.startswith("check.force") for id_, _ in material.checks] == [True]


def test_a_panel_that_was_never_measured_holds_the_score_back(made: MadeBench) -> None:
    made.begin("larch", "Product Larch (invented)", panels=("A", "B"))
    made.slip("larch", "A", "bare", [3.0, 3.1, 2.9])
    made.slip("larch", "A", "treated", [2.0, 2.1, 1.9])
    card = scorecard(gather(made.journal), made.bench, made.home.method(), "larch")
    slip = card.score(Kind.SLIP)
    assert slip is not None
    assert (slip.status, slip.reasons) == ("not given", ("slip on B: not measured yet",))
    assert slip.panels[0].figure is not None


def test_the_control_is_shown_as_one(made: MadeBench) -> None:
    rows = standings(gather(made.journal), made.bench, made.home.method()).rows
    assert {row.trial: row.control for row in rows} == {"alder": False, "control": True}
    # The other tests were not made yet; handling never will be.
    control = next(row for row in rows if row.control)
    assert control.missing == (Kind.GLOSS, Kind.WASH, Kind.APPEARANCE)


def test_the_newest_rating_counts_and_the_older_one_is_listed(made: MadeBench) -> None:
    made.rate("alder", Kind.APPEARANCE, "A", 4.0, "rating.first")
    made.rate("alder", Kind.APPEARANCE, "B", 6.0, "rating.other-panel")
    made.rate("alder", Kind.APPEARANCE, "A", 9.0, "rating.second")
    card = scorecard(gather(made.journal), made.bench, made.home.method(), "alder")
    appearance = card.score(Kind.APPEARANCE)
    assert appearance is not None
    assert appearance.points is not None
    # Mean over panels: (9 + 6) / 2.
    assert appearance.points.value == pytest.approx(7.5)
    assert [(out.id, out.why) for out in appearance.left_out] == [
        ("rating.first", "4, replaced by the later rating rating.second")
    ]


def test_a_reading_can_be_had_as_stamped_and_as_known_now(made: MadeBench) -> None:
    made.check_force(off_n=0.2)
    now = gather(made.journal).readings
    then = gather(made.journal, as_stamped=True).readings
    assert {reading.stamp.state for reading in now} == {CalibrationState.DOUBTFUL}
    assert {reading.stamp.state for reading in then} == {CalibrationState.IN_TOLERANCE}


def test_a_persons_ruling_counts_unless_asked_as_stamped(made: MadeBench) -> None:
    first = gather(made.journal).readings[0]
    made.logger.amend(Amendment(reading=first.id, what="ruling", reason="slipped", by="tester", counts=False))
    card = scorecard(gather(made.journal), made.bench, made.home.method(), "alder")
    slip = card.score(Kind.SLIP)
    assert slip is not None
    assert slip.status == "not given"
    assert friction_gain(made, "alder", as_stamped=True) == pytest.approx(0.127, abs=0.001)


def test_an_unknown_trial_is_answered_with_the_nearest(made: MadeBench) -> None:
    with pytest.raises(ConfigError, match="no trial 'aldr'") as caught:
        scorecard(gather(made.journal), made.bench, made.home.method(), "aldr")
    assert "alder" in caught.value.hint


def test_no_trials_is_said_plainly(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as empty:
        material = gather(empty.journal)
        with pytest.raises(ConfigError, match="no trial yet"):
            standings(material, empty.bench, empty.home.method())
        with pytest.raises(ConfigError) as caught:
            scorecard(material, empty.bench, empty.home.method(), "alder")
        assert "no trial was begun yet" in caught.value.hint


def test_an_event_of_another_form_is_an_error(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        journal.append("trial", {"id": "alder"}, t_utc=NOON, t_mono_ns=0)
        with pytest.raises(JournalError, match=r"event 1 \(trial\) does not say"):
            gather(journal)


def test_trial_by_trial_it_is_the_same_cards(made: MadeBench) -> None:
    """Beside each other: doubts, a ruling, a replaced rating, and a trial that gave nothing."""
    made.rate("alder", Kind.APPEARANCE, "A", 4.0, "rating.first")
    made.rate("alder", Kind.APPEARANCE, "A", 9.0, "rating.second")
    first = gather(made.journal).readings[0]
    made.logger.amend(Amendment(reading=first.id, what="ruling", reason="slipped", by="tester", counts=False))
    made.check_force(off_n=0.2)
    made.begin("larch", "Product Larch (invented)")
    method = made.home.method()
    for as_stamped in (False, True):
        material = gather(made.journal, as_stamped=as_stamped)
        whole = {card.trial: card for card in scorecards(material, made.bench, method)}
        one_by_one = list(rescored(made.journal, made.bench, method, as_stamped=as_stamped))
        assert [card.trial for card in one_by_one] == ["control", "alder", "larch"]
        assert {card.trial: card for card in one_by_one} == whole
        assert scorecard(material, made.bench, method, "alder") == whole["alder"]


def test_a_journal_grows_while_it_is_read_trial_by_trial(made: MadeBench) -> None:
    cards = rescored(made.journal, made.bench, made.home.method())
    first = next(cards)
    made.slip("control", "B", "bare", [3.0, 3.1, 2.9])
    second = next(cards)
    assert (first.trial, second.trial) == ("alder", "control")
    assert [panel.panel for panel in second.scores[0].panels] == ["A"]
    assert list(cards) == []
