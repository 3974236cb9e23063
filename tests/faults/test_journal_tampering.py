"""Somebody edits the file behind the journal's back."""

import sqlite3
from pathlib import Path

import pytest

from acquire.chain import GENESIS
from acquire.errors import JournalError
from acquire.journal import Journal
from tests.bench_tools import NOON

EVENTS_N = 5
GUARDS = ("events_never_change", "events_never_go", "events_only_append")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "journal.sqlite"
    with Journal.open(path) as journal:
        for number in range(EVENTS_N):
            journal.append("note", {"number": number, "text": "µ"}, t_utc=NOON, t_mono_ns=number)
    return path


def edit(path: Path, *statements: str, guarded: bool = False) -> None:
    connection = sqlite3.connect(path)
    try:
        for guard in () if guarded else GUARDS:
            connection.execute(f"DROP TRIGGER {guard}")
        for statement in statements:
            connection.execute(statement)
        connection.commit()
    finally:
        connection.close()


def hash_of(path: Path, seq: int) -> str:
    with Journal.open(path, readonly=True) as journal:
        return next(journal.events(since=seq - 1)).hash


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET body = '{}' WHERE seq = 3",
        "DELETE FROM events WHERE seq = 3",
        "DELETE FROM events",
        "INSERT INTO events VALUES (9, 'x', 'note', '', 0, '{}', '', '')",
        "INSERT INTO events VALUES (6, 'note-3', 'note', '', 0, '{}', '', '')",
        "INSERT OR REPLACE INTO events VALUES (3, 'x', 'note', '', 0, '{}', '', '')",
        "INSERT OR REPLACE INTO events VALUES (6, 'note-3', 'note', '', 0, '{}', '', '')",
        "REPLACE INTO events SELECT * FROM events WHERE seq = 3",
    ],
)
def test_the_file_itself_refuses(path: Path, statement: str) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        edit(path, statement, guarded=True)
    with Journal.open(path, readonly=True) as journal:
        assert journal.verify().events_n == EVENTS_N


ALTERED = [
    ("id = 'note-33'", "content"),
    ("kind = 'notes'", "content"),
    ("t_utc = '2031-05-04T12:00:00.000001+00:00'", "content"),
    ("t_utc = '2031-05-04T12:00:00+00:00'", "content"),
    ("t_mono_ns = 99", "content"),
    ("t_mono_ns = 'text'", "content"),
    ("""body = '{"number":9,"text":"\\u00b5"}'""", "content"),
    ("""body = '{"number": 2,"text":"\\u00b5"}'""", "content"),
    ("""body = '{"number":9,"number":2,"text":"\\u00b5"}'""", "content"),
    ("body = 'no json'", "content"),
    ("body = x'00ff'", "content"),
    (f"prev = '{GENESIS}'", "prev"),
    (f"hash = '{GENESIS}'", "hash"),
]


@pytest.mark.parametrize(("change", "what"), ALTERED)
@pytest.mark.parametrize("seq", [1, 3, EVENTS_N])
def test_an_altered_field_is_found_where_it_is(path: Path, change: str, what: str, seq: int) -> None:
    if seq == 1 and what == "prev":
        change = f"prev = '{'1' * 64}'"
    edit(path, f"UPDATE events SET {change} WHERE seq = {seq}")
    with Journal.open(path, readonly=True) as journal:
        verdict = journal.verify()
    assert verdict.broken is not None
    assert not verdict.holds
    assert (verdict.broken.seq, verdict.events_n) == (seq, seq - 1)
    # Nothing behind the newest event tells whether its content or its hash was altered.
    assert verdict.broken.what == ("content" if what == "hash" and seq == EVENTS_N else what)
    if seq > 1:
        assert verdict.head_hash == hash_of(path, seq - 1)


@pytest.mark.parametrize("seq", [1, 3])
def test_a_missing_event_is_named(path: Path, seq: int) -> None:
    edit(path, f"DELETE FROM events WHERE seq = {seq}")
    with Journal.open(path, readonly=True) as journal:
        broken = journal.verify().broken
    assert broken is not None
    assert (broken.what, broken.seq) == ("seq", seq)
    assert f"event {seq} is missing" in broken.detail


def test_renumbering_over_a_gap_is_found(path: Path) -> None:
    edit(path, "DELETE FROM events WHERE seq = 3", "UPDATE events SET seq = seq - 1 WHERE seq > 3")
    with Journal.open(path, readonly=True) as journal:
        broken = journal.verify().broken
    assert broken is not None
    assert (broken.what, broken.seq) == ("prev", 3)


def test_swapped_events_are_found(path: Path) -> None:
    edit(
        path,
        "UPDATE events SET seq = 99 WHERE seq = 2",
        "UPDATE events SET seq = 2 WHERE seq = 3",
        "UPDATE events SET seq = 3 WHERE seq = 99",
    )
    with Journal.open(path, readonly=True) as journal:
        broken = journal.verify().broken
    assert broken is not None
    assert (broken.what, broken.seq) == ("prev", 2)


def test_cut_off_events_are_seen_only_against_a_head_noted_elsewhere(path: Path) -> None:
    head, older = hash_of(path, EVENTS_N), hash_of(path, 2)
    edit(path, "DELETE FROM events WHERE seq > 3")
    with Journal.open(path, readonly=True) as journal:
        assert journal.verify().holds
        assert journal.verify(expected_head=older).holds
        assert journal.verify(expected_head=GENESIS).holds
        broken = journal.verify(expected_head=head).broken
    assert broken is not None
    assert (broken.what, broken.seq) == ("head", 4)
    assert head in broken.detail


def test_an_unreadable_event_is_one_clear_error(path: Path) -> None:
    edit(path, "UPDATE events SET body = 'no json' WHERE seq = 3")
    with (
        Journal.open(path, readonly=True) as journal,
        pytest.raises(JournalError, match="event 3 of the journal cannot be read") as caught,
    ):
        list(journal.events())
    assert "verify" in caught.value.hint


def test_dropped_guards_come_back_with_the_next_writer(path: Path) -> None:
    edit(path)
    Journal.open(path).close()
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        edit(path, "DELETE FROM events", guarded=True)
