"""The append-only record of everything that happened on a bench.

    draft ──append()──> event ──commit (synchronous)──> acknowledged

One event per fact, each carrying the hash of the one before it (see `acquire.chain`). The store is one
SQLite file in write-ahead mode, fully synchronous, with triggers that refuse changes and deletions. Any
number of programs and threads may read and append: each append waits for its turn, and finds the newest event
and hangs on to it in the same transaction, so that there is one chain whoever writes.
"""

import os
import re
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy.pool import QueuePool

from acquire.chain import GENESIS, Event, Row, Verdict, canonical_json, event_of, make_row, utc_text, walk
from acquire.errors import JournalError
from acquire.model import Model

_APPLICATION_ID = 0x50574A31  # in the file's header, so that another program's database is refused
_LAYOUT = 1
_BUSY_S = 5.0
_BEGIN_TRIES = 20
_PAGE_ROWS = 1000
_KIND = re.compile(r"[a-z][a-z0-9]*([ -][a-z0-9]+)*")
_OWN_ID = re.compile(_KIND.pattern + r"-\d+")

_events = sa.Table(
    "events",
    sa.MetaData(),
    sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("id", sa.String, nullable=False, unique=True),
    sa.Column("kind", sa.String, nullable=False, index=True),
    sa.Column("t_utc", sa.String, nullable=False),
    sa.Column("t_mono_ns", sa.BigInteger, nullable=False),
    sa.Column("body", sa.Text, nullable=False),
    sa.Column("prev", sa.String, nullable=False),
    sa.Column("hash", sa.String, nullable=False),
)
_trial = sa.func.json_extract(_events.c.body, "$.trial")
_in_order = sa.select(_events).order_by(_events.c.seq)
_newest = sa.select(_events.c.seq, _events.c.hash).order_by(_events.c.seq.desc()).limit(1)

# The third guard also stops INSERT OR REPLACE, which deletes without firing a delete trigger.
_GUARDS = (
    "CREATE TRIGGER IF NOT EXISTS events_never_change BEFORE UPDATE ON events"
    " BEGIN SELECT RAISE(ABORT, 'the journal is append-only: events never change'); END",
    "CREATE TRIGGER IF NOT EXISTS events_never_go BEFORE DELETE ON events"
    " BEGIN SELECT RAISE(ABORT, 'the journal is append-only: events are never deleted'); END",
    "CREATE TRIGGER IF NOT EXISTS events_only_append BEFORE INSERT ON events"
    " WHEN NEW.seq <> (SELECT COALESCE(MAX(seq), 0) + 1 FROM events)"
    " OR EXISTS (SELECT 1 FROM events WHERE id = NEW.id)"
    " BEGIN SELECT RAISE(ABORT, 'the journal is append-only: this number or id is taken'); END",
)

_HINTS = (
    ("is full", "free space on that disk, then start again; everything acknowledged before is safe"),
    ("readonly", "make the file and its folder writable, or open the journal for reading only"),
    ("unable to open", "check that the folder exists and may be written to"),
    ("locked", "another program holds the file (a backup, a viewer?); close it and try again"),
    ("not a database", "this is another kind of file; name the journal, or restore it from a copy"),
    ("malformed", "the file is damaged; keep it as it is and restore the journal from a copy"),
    ("I/O error", "the disk failed or is full; check its health and space, everything acknowledged is safe"),
)


@dataclass(frozen=True, slots=True)
class Draft:
    """An event that is not in the journal yet. Without an id of its own it gets "kind-seq"."""

    kind: str
    body: Mapping[str, object] | Model
    id: str | None = None


@contextmanager
def _explained(doing: str, path: Path) -> Iterator[None]:
    """Turns what the database says into one plain error, with what to do about it."""
    try:
        yield
    except (sa.exc.SQLAlchemyError, sqlite3.Error) as error:
        said = str(getattr(error, "orig", None) or error)
        hint = next((hint for mark, hint in _HINTS if mark in said), "nothing was written; see the message")
        raise JournalError(f"cannot {doing} the journal {path}: {said}", hint=hint) from error


def _make_engine(path: Path, mode: str, *pragmas: str) -> sa.Engine:
    uri = f"{path.resolve().as_uri()}?mode={mode}"

    def connect() -> sqlite3.Connection:
        # Transactions are begun by us, not guessed from the statement; the pool hands connections to threads.
        connection = sqlite3.connect(
            uri, uri=True, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
        )
        try:
            for pragma in pragmas:
                _set(connection, pragma)
        except sqlite3.Error:
            connection.close()
            raise
        return connection

    return sa.create_engine("sqlite://", creator=connect, poolclass=QueuePool)


def _set(connection: sqlite3.Connection, pragma: str) -> None:
    """Sets one property. Another program that begins the same file just now makes this fail at once."""
    for _ in range(_BEGIN_TRIES):
        try:
            connection.execute(f"PRAGMA {pragma}")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
        # Unlike the switch to write-ahead mode, a transaction waits until the other has finished.
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")
    connection.execute(f"PRAGMA {pragma}")


def _reading_mode(path: Path) -> str:
    """On a read-only disk SQLite has nowhere to keep its shared memory, but there the file cannot change."""
    in_use = path.with_name(path.name + "-wal").exists()
    return "ro" if in_use or os.access(path.parent, os.W_OK) else "ro&immutable=1"


class Journal:
    """The journal of one bench; made by `open`, closed by `close` or by leaving a `with` block."""

    def __init__(
        self, path: Path, reader: sa.Engine, writer: sa.Engine | None = None, *, last: int | None = None
    ) -> None:
        self.path = path
        self._reader = reader
        self._writer = writer
        self._last = last
        self._turn = threading.Lock()

    @classmethod
    def open(cls, path: Path | str, *, readonly: bool = False) -> Self:
        """Opens the journal at `path`; for writing, it is made if it does not exist.

        Raises:
            JournalError: it is missing or no journal, or cannot be written.
        """
        path = Path(path)
        with _explained("open", path):
            journal = cls._for_reading(path) if readonly else cls._for_writing(path)
            try:
                journal._prepare()
            except BaseException:
                journal.close()
                raise
        return journal

    @classmethod
    def _for_reading(cls, path: Path) -> Self:
        if not path.is_file():
            raise JournalError(f"there is no journal at {path}", hint="check the path")
        return cls(path, _make_engine(path, _reading_mode(path)))

    @classmethod
    def _for_writing(cls, path: Path) -> Self:
        # fullfsync: on macOS a plain fsync leaves the bytes in the drive's cache.
        writer = _make_engine(path, "rwc", "journal_mode=WAL", "synchronous=FULL", "fullfsync=ON")
        sa.event.listen(writer, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
        return cls(path, _make_engine(path, "ro"), writer)

    def _prepare(self) -> None:
        if self._writer is not None:
            with self._writer.begin() as connection:
                if connection.exec_driver_sql("SELECT COUNT(*) FROM sqlite_master").scalar_one() == 0:
                    connection.exec_driver_sql(f"PRAGMA application_id = {_APPLICATION_ID}")
                    connection.exec_driver_sql(f"PRAGMA user_version = {_LAYOUT}")
                self._refuse_foreign(connection)
                _events.metadata.create_all(connection)
                for guard in _GUARDS:
                    connection.exec_driver_sql(guard)
        else:
            with self._reader.connect() as connection:
                self._refuse_foreign(connection)

    def _refuse_foreign(self, connection: sa.Connection) -> None:
        if connection.exec_driver_sql("PRAGMA application_id").scalar_one() != _APPLICATION_ID:
            raise JournalError(f"{self.path} is a database, but not a journal", hint="name the journal")
        layout = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
        if layout != _LAYOUT:
            raise JournalError(
                f"{self.path} is a journal of layout {layout}; this program knows layout {_LAYOUT}",
                hint="use the version of the program that wrote it, or a newer one",
            )

    def close(self) -> None:
        """Closes the file; the journal cannot be used afterwards."""
        self._reader.dispose()
        if self._writer is not None:
            self._writer.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def append(
        self,
        kind: str,
        body: Mapping[str, object] | Model,
        *,
        t_utc: datetime,
        t_mono_ns: int,
        event_id: str | None = None,
    ) -> Event:
        """Writes one event; when this returns, it is on disk.

        Raises:
            JournalError: nothing was written; the message says why and what to do.
        """
        return self.append_all([Draft(kind, body, event_id)], t_utc=t_utc, t_mono_ns=t_mono_ns)[0]

    def append_all(
        self, drafts: Sequence[Draft] | Callable[[], Sequence[Draft]], *, t_utc: datetime, t_mono_ns: int
    ) -> list[Event]:
        """Writes several events, all of them or none; when this returns, they are on disk.

        Args:
            drafts: what to write. A function is called once it is this writer's turn: until its drafts are
                written nobody else writes, so what it reads is the newest there is. It may give none.

        Raises:
            JournalError: nothing was written; the message says why and what to do.
        """
        if self._writer is None:
            raise JournalError(
                f"the journal {self.path} is open for reading only", hint="open it for writing"
            )
        time_text = utc_text(t_utc)
        # What can be refused without waiting is refused before.
        ready = None if callable(drafts) else _spelled(drafts)
        rows: list[dict[str, Any]] = []
        with self._turn, _explained("append to", self.path), self._writer.begin() as connection:
            if callable(drafts):
                ready = _spelled(drafts())
            seq, prev = _head(connection)
            for draft, body in ready or ():
                seq += 1
                event_id = draft.id or f"{draft.kind}-{seq}"
                self._refuse_taken(connection, event_id)
                row = make_row(
                    prev,
                    seq=seq,
                    event_id=event_id,
                    kind=draft.kind,
                    t_utc=time_text,
                    t_mono_ns=t_mono_ns,
                    body=body,
                )
                connection.execute(sa.insert(_events).values(row))
                rows.append(row)
                prev = row["hash"]
        return [event_of(row) for row in rows]

    def _refuse_taken(self, connection: sa.Connection, event_id: str) -> None:
        seq = connection.scalar(sa.select(_events.c.seq).where(_events.c.id == event_id))
        if seq is not None:
            raise JournalError(
                f"the journal {self.path} already holds {event_id!r}, as event {seq}",
                hint="an event is written once; add a new one that points back at it",
            )

    def events(self, kind: str | None = None, *, since: int = 0) -> Iterator[Event]:
        """Events in order, those behind `since` (a seq), of one kind or of all.

        Read page by page, so that a slow consumer holds nobody up; events written meanwhile are included.

        Raises:
            JournalError: the file cannot be read.
        """
        query = _in_order if kind is None else _in_order.where(_events.c.kind == kind)
        return map(event_of, self._rows(query, since))

    def as_of(self, seq: int) -> "Journal":
        """The journal as it was when event `seq` was its newest: to be read while this one is open."""
        return Journal(self.path, self._reader, last=seq)

    def seq_at(self, t_utc: datetime) -> int:
        """Number of the newest event that was written up to a moment, by the clock of then; 0 if none was."""
        newest = sa.select(sa.func.max(_events.c.seq)).where(_events.c.t_utc <= utc_text(t_utc))
        with _explained("read", self.path), self._reader.connect() as connection:
            return connection.scalar(newest) or 0

    def bodies(self, kind: str, *, since: int = 0, trial: str | None = None) -> Iterator[tuple[int, str]]:
        """Number and body, as canonical JSON text, of each event of a kind, in order.

        Args:
            since: only those behind this number.
            trial: only those that name this trial.

        Raises:
            JournalError: the file cannot be read.
        """
        query = sa.select(_events.c.seq, _events.c.body).where(_events.c.kind == kind)
        if trial is not None:
            query = query.where(_trial == trial)
        return ((row.seq, row.body) for row in self._pages(query.order_by(_events.c.seq), since))

    def spans_of_trials(self, kinds: Sequence[str]) -> dict[str, tuple[int, int]]:
        """For each trial the numbers of the first and the last event of these kinds that name it.

        Raises:
            JournalError: the file cannot be read.
        """
        ends = sa.func.min(_events.c.seq), sa.func.max(_events.c.seq)
        query = sa.select(_trial, *ends).where(_events.c.kind.in_(kinds))
        if self._last is not None:
            query = query.where(_events.c.seq <= self._last)
        with _explained("read", self.path), self._reader.connect() as connection:
            rows = connection.execute(query.group_by(_trial)).all()
        return {name: (first, last) for name, first, last in rows if name is not None}

    def find(self, event_id: str) -> Event | None:
        """The event of that id, if there is one."""
        return next(map(event_of, self._rows(_in_order.where(_events.c.id == event_id))), None)

    def head(self) -> tuple[int, str]:
        """Number and hash of the newest event: (0, GENESIS) in an empty journal."""
        with _explained("read", self.path), self._reader.connect() as connection:
            return _head(connection, self._last)

    def verify(self, *, expected_head: str | None = None) -> Verdict:
        """Walks the whole chain and names its first broken link.

        Args:
            expected_head: a head's hash noted elsewhere earlier (on paper, in a report); it must occur.
                Without it, a journal whose newest events were cut off looks whole.

        Raises:
            JournalError: the file cannot be read at all.
        """
        return walk(self._rows(_in_order), expected_head)

    def _rows(self, query: sa.Select[Any], since: int = 0) -> Iterator[Row]:
        return (dict(row._mapping) for row in self._pages(query, since))

    def _pages(self, query: sa.Select[Any], since: int = 0) -> Iterator[sa.Row[Any]]:
        if self._last is not None:
            query = query.where(_events.c.seq <= self._last)
        page: Sequence[sa.Row[Any]] = ()
        while not page or len(page) == _PAGE_ROWS:
            with _explained("read", self.path), self._reader.connect() as connection:
                page = connection.execute(query.where(_events.c.seq > since).limit(_PAGE_ROWS)).all()
            if not page:
                return
            yield from page
            since = page[-1].seq


def _head(connection: sa.Connection, last_seq: int | None = None) -> tuple[int, str]:
    query = _newest if last_seq is None else _newest.where(_events.c.seq <= last_seq)
    last = connection.execute(query).one_or_none()
    return (last.seq, last.hash) if last else (0, GENESIS)


def _spelled(drafts: Sequence[Draft]) -> list[tuple[Draft, str]]:
    """Each draft with its body as it will be stored."""
    for draft in drafts:
        _refuse_bad_name(draft)
    return [(draft, canonical_json(draft.body)) for draft in drafts]


def _refuse_bad_name(draft: Draft) -> None:
    if not _KIND.fullmatch(draft.kind):
        raise JournalError(
            f"{draft.kind!r} is no kind of event", hint="use small letters, digits and hyphens"
        )
    if draft.id is None:
        return
    if not (draft.id and draft.id.isprintable()):
        raise JournalError(f"{draft.id!r} cannot be an event's id", hint="use printable characters")
    if _OWN_ID.fullmatch(draft.id):
        # A later event that is given this id by us could never be written.
        raise JournalError(f"{draft.id!r} is an id that the journal gives itself", hint="add a dot or a #")
