"""The journal as text that travels: one event to a line, and back into a journal that says the same.

    journal ──lines──> canonical JSON lines ──read_lines──> rows ──restore──> journal

All events up to a given one are told, not only those of some trials: an event's hash covers its whole
content together with the hash before it, so an event left out would tear the chain for all behind it.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any, BinaryIO

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from acquire.chain import Row, canonical_json
from acquire.errors import JournalError
from acquire.journal import Journal

MAX_LINE_BYTES = 16 << 20
"""No event is nearly as long; the longest hold the text of a file."""

_BIGGEST = 2**63 - 1
_Text = Annotated[str, Field(max_length=MAX_LINE_BYTES)]
_Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
_INSERT = "INSERT INTO events (seq, id, kind, t_utc, t_mono_ns, body, prev, hash) VALUES (?,?,?,?,?,?,?,?)"


class _Line(BaseModel):
    """One event as it travels."""

    model_config = ConfigDict(strict=True, extra="forbid")

    seq: Annotated[int, Field(ge=1, le=_BIGGEST)]
    id: _Text
    kind: _Text
    t_utc: _Text
    t_mono_ns: Annotated[int, Field(ge=-_BIGGEST, le=_BIGGEST)]
    body: dict[str, Any]
    prev: _Hash
    hash: _Hash


def lines(journal: Journal) -> Iterator[bytes]:
    """Every event of a journal, or of a journal as of one event, each as a line of canonical JSON.

    Raises:
        JournalError: the journal cannot be read.
    """
    for event in journal.events():
        said = {
            "seq": event.seq,
            "id": event.id,
            "kind": event.kind,
            "t_utc": event.t_utc.isoformat(timespec="microseconds"),
            "t_mono_ns": event.t_mono_ns,
            "body": event.body,
            "prev": event.prev,
            "hash": event.hash,
        }
        yield canonical_json(said).encode("ascii") + b"\n"


def read_lines(file: BinaryIO, name: str) -> Iterator[Row]:
    """The events in a file of lines, as they are stored; whether their chain holds is not looked at.

    Raises:
        JournalError: a line is not an event; the message names the file `name` and the line.
    """
    number = 0
    while line := file.readline(MAX_LINE_BYTES + 1):
        number += 1
        if len(line) > MAX_LINE_BYTES:
            raise JournalError(f"{name}, line {number} is longer than any event", hint=_DAMAGED)
        try:
            event = _Line.model_validate_json(line)
            yield {**event.model_dump(exclude={"body"}), "body": canonical_json(event.body)}
        except (ValidationError, JournalError, RecursionError) as error:
            first = str(error.errors()[0]["msg"]) if isinstance(error, ValidationError) else str(error)
            raise JournalError(f"{name}, line {number} is not an event: {first}", hint=_DAMAGED) from error


def restore(rows: Iterable[Row], path: Path) -> None:
    """Makes a journal at `path` that holds `rows` exactly as they are, right or wrong.

    Raises:
        JournalError: there is one already, or it cannot hold them (numbers that do not rise one by one, an id
            that comes twice).
    """
    if path.exists():
        raise JournalError(f"there is a {path} already", hint="name another file")
    Journal.open(path).close()
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("BEGIN")
        connection.executemany(_INSERT, map(_values, rows))
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise JournalError(f"these events make no journal: {error}", hint=_DAMAGED) from error
    finally:
        connection.close()


_DAMAGED = "it was damaged or altered; get it from its maker again"


def _values(row: Row) -> tuple[object, ...]:
    return tuple(row[name] for name in ("seq", "id", "kind", "t_utc", "t_mono_ns", "body", "prev", "hash"))
