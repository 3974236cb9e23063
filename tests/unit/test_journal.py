import hashlib
import json
import sqlite3
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from acquire.chain import GENESIS, canonical_json
from acquire.errors import JournalError
from acquire.journal import Draft, Journal
from acquire.model import RawRef
from tests.bench_tools import NOON


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a bench?#%.sqlite"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    with Journal.open(path) as opened:
        yield opened


def note(journal: Journal, number: int = 0, event_id: str | None = None) -> None:
    journal.append("note", {"number": number}, t_utc=NOON, t_mono_ns=number, event_id=event_id)


def test_an_event_comes_back_as_it_was_written(journal: Journal) -> None:
    body = {"b": 0.1, "a": [1, None, True], "µ": {"deep": "text\n\u0000"}}
    event = journal.append("note", body, t_utc=NOON + timedelta(microseconds=7), t_mono_ns=2**60)
    assert list(journal.events()) == [event]
    assert (event.seq, event.id, event.kind, event.body) == (1, "note-1", "note", body)
    assert (event.t_utc, event.t_mono_ns) == (NOON + timedelta(microseconds=7), 2**60)
    assert (event.prev, journal.head()) == (GENESIS, (1, event.hash))


def test_a_model_is_written_as_its_fields(journal: Journal) -> None:
    raw = RawRef(recording="r.rec", opening=0, first_byte=0, last_byte=9, ordinal=4)
    event = journal.append("place", raw, t_utc=NOON, t_mono_ns=0, event_id="r.rec#4")
    assert RawRef.model_validate(event.body) == raw
    found = journal.find("r.rec#4")
    assert found == event
    assert journal.find("r.rec#5") is None


def test_time_is_kept_in_utc(journal: Journal) -> None:
    elsewhere = datetime(2031, 5, 4, 21, 0, tzinfo=timezone(timedelta(hours=9)))
    assert journal.append("note", {}, t_utc=elsewhere, t_mono_ns=0).t_utc == NOON
    with pytest.raises(JournalError, match="no time zone"):
        journal.append("note", {}, t_utc=NOON.replace(tzinfo=None), t_mono_ns=0)


def test_each_event_hangs_on_the_one_before(journal: Journal) -> None:
    for number in range(3):
        note(journal, number)
    first, second, third = journal.events()
    assert (second.prev, third.prev) == (first.hash, second.hash)


def test_the_hash_is_the_one_stated(journal: Journal) -> None:
    """Computed here with the standard library alone, so that anyone can check a journal without us."""
    note(journal, 1)
    event = journal.append("note", {"b": 1.5, "a": "µ"}, t_utc=NOON, t_mono_ns=3)
    fields = {
        "seq": 2,
        "id": "note-2",
        "kind": "note",
        "t_utc": "2031-05-04T12:00:00.000000+00:00",
        "t_mono_ns": 3,
        "body": {"a": "µ", "b": 1.5},
    }
    text = json.dumps(fields, sort_keys=True, separators=(",", ":"))
    assert event.hash == hashlib.sha256((event.prev + text).encode("ascii")).hexdigest()


def test_events_are_chosen_by_kind_and_place(journal: Journal) -> None:
    for number in range(4):
        note(journal, number)
        journal.append("other", {}, t_utc=NOON, t_mono_ns=0)
    assert [event.seq for event in journal.events("note", since=3)] == [5, 7]
    assert [event.seq for event in journal.events(since=6)] == [7, 8]
    assert list(journal.events("none")) == []


@pytest.mark.slow
def test_more_events_than_one_page(journal: Journal) -> None:
    drafts = [Draft("note", {"number": number}) for number in range(2500)]
    journal.append_all(drafts, t_utc=NOON, t_mono_ns=0)
    assert [event.body["number"] for event in journal.events()] == list(range(2500))
    assert journal.verify().events_n == 2500


def test_several_events_are_written_all_or_none(journal: Journal) -> None:
    note(journal, event_id="taken.1")
    drafts = [Draft("note", {}), Draft("note", {}, "taken.1")]
    with pytest.raises(JournalError, match=r"already holds 'taken\.1', as event 1"):
        journal.append_all(drafts, t_utc=NOON, t_mono_ns=0)
    assert journal.head()[0] == 1
    note(journal)
    assert journal.verify().events_n == 2


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({"a": float("nan")}, r"body\.a is nan"),
        ({"a": [0.0, float("-inf")]}, r"body\.a\[1\] is -inf"),
        ({"a": {"b": NOON}}, r"body\.a\.b is a datetime"),
        ({"a": {1: 2}}, r"body\.a has the key 1"),
        ({"a": b"bytes"}, r"body\.a is a bytes"),
    ],
)
def test_what_json_cannot_say_is_refused(journal: Journal, body: dict[str, Any], where: str) -> None:
    with pytest.raises(JournalError, match=where):
        journal.append("note", body, t_utc=NOON, t_mono_ns=0)
    assert journal.head() == (0, GENESIS)


def test_one_spelling_for_one_content() -> None:
    assert canonical_json({"b": 1.0, "a": (1, 2)}) == canonical_json({"a": [1, 2], "b": 1.0})
    assert canonical_json({"x": 0.1, "y": 1e22, "z": "µ"}) == '{"x":0.1,"y":1e+22,"z":"\\u00b5"}'


@pytest.mark.parametrize(
    ("kind", "event_id", "says"),
    [
        ("", None, "is no kind"),
        ("Note", None, "is no kind"),
        ("note", "", "cannot be an event's id"),
        ("note", "a\nb", "cannot be an event's id"),
        ("note", "note-7", "an id that the journal gives itself"),
    ],
)
def test_names_are_checked(journal: Journal, kind: str, event_id: str | None, says: str) -> None:
    with pytest.raises(JournalError, match=says):
        journal.append(kind, {}, t_utc=NOON, t_mono_ns=0, event_id=event_id)


def test_it_goes_on_where_it_ended(path: Path) -> None:
    with Journal.open(path) as journal:
        note(journal)
        head = journal.head()
    with Journal.open(path) as journal:
        note(journal)
        assert [event.prev for event in journal.events()] == [GENESIS, head[1]]


def test_two_writers_make_one_chain(path: Path) -> None:
    with Journal.open(path) as one, Journal.open(path) as other:
        for number in range(3):
            note(one, 2 * number)
            note(other, 2 * number + 1)
        assert [event.body["number"] for event in one.events()] == list(range(6))
        assert one.verify().holds
        assert one.head() == other.head()


def test_what_is_read_at_a_writer_s_turn_is_still_the_newest_when_it_writes(path: Path) -> None:
    with Journal.open(path) as one, Journal.open(path) as other:
        started, wrote = threading.Event(), threading.Event()

        def elsewhere() -> None:
            started.set()
            note(other, 1)
            wrote.set()

        thread = threading.Thread(target=elsewhere)

        def drafts() -> list[Draft]:
            thread.start()
            assert started.wait(5.0)
            assert not wrote.wait(0.1), "somebody else wrote meanwhile"
            return [Draft("note", {"after": one.head()[0]})]

        one.append_all(drafts, t_utc=NOON, t_mono_ns=0)
        thread.join(5.0)
        assert [event.body for event in one.events()] == [{"after": 0}, {"number": 1}]


def test_a_writer_may_find_at_its_turn_that_there_is_nothing_to_write(journal: Journal) -> None:
    assert journal.append_all(lambda: [], t_utc=NOON, t_mono_ns=0) == []
    assert journal.head() == (0, GENESIS)


def test_it_is_read_while_it_is_written(journal: Journal, path: Path) -> None:
    note(journal, 1)
    with Journal.open(path, readonly=True) as reader:
        events = reader.events()
        assert next(events).body == {"number": 1}
        note(journal, 2)
        assert [event.body["number"] for event in reader.events()] == [1, 2]
        assert reader.verify().holds
        with pytest.raises(JournalError, match="open for reading only"):
            note(reader)


def test_what_is_not_a_journal_is_refused(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal"):
        Journal.open(tmp_path / "none.sqlite", readonly=True)
    with pytest.raises(JournalError, match="unable to open"):
        Journal.open(tmp_path / "no folder" / "j.sqlite")
    text = tmp_path / "text.sqlite"
    text.write_text("not a database at all, but long enough to be looked at\n" * 50, encoding="utf-8")
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE events (seq)")
    connection.close()
    for readonly in (True, False):
        with pytest.raises(JournalError, match="not a database") as caught:
            Journal.open(text, readonly=readonly)
        assert "another kind of file" in caught.value.hint
        with pytest.raises(JournalError, match="is a database, but not a journal"):
            Journal.open(other, readonly=readonly)


def test_a_later_layout_is_refused(path: Path) -> None:
    Journal.open(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 2")
    connection.close()
    for readonly in (True, False):
        with pytest.raises(JournalError, match="layout 2; this program knows layout 1"):
            Journal.open(path, readonly=readonly)


def test_a_journal_on_a_read_only_disk_can_be_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Journal.open(path) as journal:
        note(journal)
    monkeypatch.setattr("os.access", lambda *_: False)
    with Journal.open(path, readonly=True) as reader:
        assert reader.verify().events_n == 1
    assert not path.with_name(path.name + "-shm").exists()
