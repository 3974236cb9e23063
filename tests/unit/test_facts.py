"""What the journal holds in another version's words is one clear error, whoever reads it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from acquire.answers import trial_named
from acquire.errors import JournalError
from acquire.journal import Journal
from acquire.logger import as_stamped, readings
from acquire.results import gather
from acquire.trials import record_of, trials_of
from tests.bench_tools import NOON

FOREIGN: dict[str, dict[str, object]] = {
    "trial": {"id": "t", "product": "x", "panels": ["p"], "t_utc": "2031-01-01T00:00:00Z", "panells": 1},
    "rating": {"id": "r", "trial": "t", "value": 5},
    "inspection": {"id": "i"},
    "reading": {"id": "r", "trial": "t"},
    "amendment": {"reading": "r", "what": "praised", "reason": "why"},
}
READERS: list[tuple[str, Callable[[Journal], object]]] = [
    ("trial", trials_of),
    ("trial", gather),
    ("trial", lambda journal: trial_named(journal, "t")),
    ("rating", record_of),
    ("rating", gather),
    ("inspection", record_of),
    ("inspection", gather),
    ("reading", as_stamped),
    ("reading", record_of),
    ("amendment", readings),
]


@pytest.mark.parametrize(("kind", "read"), READERS)
def test_a_foreign_event_is_one_clear_error(
    kind: str, read: Callable[[Journal], object], tmp_path: Path
) -> None:
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        journal.append(kind, FOREIGN[kind], t_utc=NOON, t_mono_ns=0)
        with pytest.raises(
            JournalError, match=rf"event 1 \({kind}\) does not say what a {kind} must: "
        ) as caught:
            read(journal)
    assert "\n" not in str(caught.value)
    assert "another version" in caught.value.hint


def test_an_unknown_key_is_named_with_the_nearest(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        journal.append("trial", FOREIGN["trial"], t_utc=NOON, t_mono_ns=0)
        with pytest.raises(JournalError, match="panells: unknown key; did you mean 'panels'"):
            trials_of(journal)
