"""How far the bus has come: the newest event that the broker has acknowledged, kept on disk.

It stands beside the journal, not in it: what was delivered is nothing that happened on the bench. If the file
is lost, everything is delivered once more, and subscribers drop what they know.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from acquire.chain import Event
from acquire.errors import ConfigError, JournalError

FILE = "bus.sqlite"
_MAKE = (
    "CREATE TABLE IF NOT EXISTS delivered (target TEXT PRIMARY KEY, seq INTEGER NOT NULL, hash TEXT NOT NULL)"
)
_MOVE = (
    "INSERT INTO delivered VALUES (?, ?, ?)"
    " ON CONFLICT (target) DO UPDATE SET seq = excluded.seq, hash = excluded.hash"
)


class Cursor:
    """Made by `open_cursor`. `seq` and `hash` of the newest acknowledged event; 0 before the first."""

    def __init__(self, connection: sqlite3.Connection, target: str) -> None:
        self._connection, self._target = connection, target
        query = "SELECT seq, hash FROM delivered WHERE target = ?"
        self.seq: int
        self.hash: str
        self.seq, self.hash = connection.execute(query, (target,)).fetchone() or (0, "")

    def move(self, event: Event) -> None:
        """Everything up to this event was acknowledged; when this returns, that is on disk.

        Raises:
            JournalError: it could not be written.
        """
        self._write(event.seq, event.hash)

    def rewind(self) -> None:
        """Everything is to be delivered anew.

        Raises:
            JournalError: as `move`.
        """
        self._write(0, "")

    def _write(self, seq: int, link: str) -> None:
        try:
            self._connection.execute(_MOVE, (self._target, seq, link))
        except sqlite3.Error as error:
            raise JournalError(
                f"{FILE} could not be written: {error}", hint="check the disk's health and free space"
            ) from error
        self.seq, self.hash = seq, link


@contextmanager
def open_cursor(folder: Path, target: str) -> Iterator[Cursor]:
    """The place in what is delivered to `target`; nobody else may move it meanwhile.

    Raises:
        ConfigError: another program delivers this bench's events already.
        JournalError: the file cannot be used.
    """
    path = folder / FILE
    try:
        connection = sqlite3.connect(path, timeout=0.0, isolation_level=None)
    except sqlite3.Error as error:
        raise JournalError(f"cannot open {path}: {error}", hint="make the folder writable") from error
    try:
        _claim(connection, path)
        yield Cursor(connection, target)
    finally:
        connection.close()


def _claim(connection: sqlite3.Connection, path: Path) -> None:
    """Takes the file for this program alone, until it ends in whatever way."""
    try:
        for statement in ("PRAGMA locking_mode=EXCLUSIVE", "PRAGMA synchronous=FULL", "PRAGMA fullfsync=ON"):
            connection.execute(statement)
        connection.execute("BEGIN EXCLUSIVE")
        connection.execute(_MAKE)
        connection.execute("COMMIT")
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise ConfigError(
                f"another program feeds the bus from {path.parent} already",
                hint="end it first; one is enough for all subscribers",
            ) from error
        raise JournalError(f"cannot use {path}: {error}", hint="make file and folder writable") from error
    except sqlite3.DatabaseError as error:
        raise JournalError(
            f"{path} cannot be read: {error}", hint="move it away: everything is then delivered once more"
        ) from error
