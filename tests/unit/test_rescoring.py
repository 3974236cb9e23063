"""An archive scored by several processes: the same cards in the same order, and errors that arrive."""

from collections.abc import Iterator
from pathlib import Path

import pytest

import acquire.rescoring
from acquire.archive import Archive
from acquire.bench import Bench
from acquire.errors import JournalError
from acquire.journal import Journal
from acquire.rescoring import rescored_at_once
from acquire.results import rescored
from acquire.scoring.results import Scorecard
from tests.bench_tools import NOON
from tests.benches import MadeBench
from tests.benchmarks.archive import archive, archive_method

TRIALS_N = 5


def trial_of(card: Scorecard) -> str:
    return card.trial


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    with MadeBench(tmp_path / "bench") as made:
        return made.bench


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    path = tmp_path / "archive.sqlite"
    archive(path, TRIALS_N)
    with Journal.open(path) as journal:
        assert journal.verify().holds
        yield journal


@pytest.mark.slow
def test_several_processes_give_the_same_cards_in_the_same_order(
    journal: Journal, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(acquire.rescoring, "FEW_TRIALS_N", 1)
    monkeypatch.setattr(acquire.rescoring, "PART_TRIALS_N", 1)
    method = archive_method()
    alone = list(rescored(journal, bench, method))
    assert [card.trial for card in alone] == [f"trial-{number:05d}" for number in range(TRIALS_N)]
    assert all(card.total.status == "complete" for card in alone)
    assert list(rescored_at_once(journal, bench, method, Scorecard.model_copy, processes=2)) == alone


@pytest.mark.slow
def test_what_goes_wrong_in_another_process_arrives_with_its_hint(
    journal: Journal, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(acquire.rescoring, "FEW_TRIALS_N", 1)
    monkeypatch.setattr(acquire.rescoring, "PART_TRIALS_N", 1)
    journal.append("reading", {"trial": "trial-00002", "value": "none"}, t_utc=NOON, t_mono_ns=0)
    with pytest.raises(JournalError, match=r"\(reading\) does not say what a reading must") as caught:
        list(rescored_at_once(journal, bench, archive_method(), trial_of, processes=2))
    assert "verify the journal" in caught.value.hint


def test_few_trials_are_scored_where_they_are(journal: Journal, bench: Bench) -> None:
    method = archive_method()
    assert list(rescored_at_once(journal, bench, method, trial_of)) == [
        card.trial for card in rescored(journal, bench, method)
    ]


def test_parts_cover_every_trial_once(journal: Journal) -> None:
    archived = Archive(journal)
    parts = archived.parts(2)
    assert [len(part.spans) for part in parts] == [2, 2, 1]
    found = [share for part in parts for share in archived.shares(part)]
    assert found == [share for part in archived.parts() for share in archived.shares(part)]
    assert len({share.trial.id for share in found}) == TRIALS_N
    assert {len(share.readings) for share in found} == {50}
