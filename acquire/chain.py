"""The chain that events hang on: how one is spelled, and how its hash follows from the one before.

    hash = sha256(prev + canonical JSON of {body, id, kind, seq, t_mono_ns, t_utc})

Whoever changes, drops, adds or moves an event breaks the chain at that place. What a chain cannot show by
itself is that its newest events were cut off, or that the whole of it was made anew: for that, a head's hash
must have been noted elsewhere. Pure: the store is `acquire.journal`.
"""

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from acquire.errors import JournalError
from acquire.model import Model

GENESIS = "0" * 64
"""What the first event carries in place of a hash before it."""

Row = Mapping[str, Any]
"""One event as stored: seq, id, kind, t_utc, t_mono_ns, body (canonical JSON text), prev, hash."""


@dataclass(frozen=True, slots=True)
class Event:
    """One fact, as it stands in the journal."""

    seq: int
    """Counts from 1 without gaps."""
    id: str
    kind: str
    t_utc: datetime
    t_mono_ns: int
    body: dict[str, Any]
    prev: str
    hash: str


@dataclass(frozen=True, slots=True)
class BrokenLink:
    """The first place where the chain does not hold."""

    seq: int
    """Number of the event at fault, or the number that is missing."""
    what: Literal["seq", "prev", "hash", "content", "head"]
    detail: str
    """One sentence for a person."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Result of walking the chain: `broken` is None if it holds from the first event to the head."""

    events_n: int
    """Events found good, counted from the first."""
    head_hash: str
    """Hash of the last good event: the one to note elsewhere."""
    broken: BrokenLink | None = None

    @property
    def holds(self) -> bool:
        return self.broken is None


def canonical_json(body: Mapping[str, object] | Model) -> str:
    """The one spelling of `body`: sorted keys, no spaces, ASCII, floats as `repr`.

    Raises:
        JournalError: something in it has no such spelling (not a number, infinity, a key that is no text,
            an object); the message says where.
    """
    plain = body.model_dump(mode="json") if isinstance(body, Model) else body
    _refuse_unwritable(plain, "body")
    return json.dumps(plain, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _refuse_unwritable(value: object, where: str) -> None:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if not isinstance(key, str):
                raise JournalError(f"{where} has the key {key!r}, which is not text", hint="name it by text")
            _refuse_unwritable(inner, f"{where}.{key}")
    elif isinstance(value, list | tuple):
        for index, inner in enumerate(value):
            _refuse_unwritable(inner, f"{where}[{index}]")
    elif isinstance(value, float) and not math.isfinite(value):
        raise JournalError(
            f"{where} is {value}, which is no value to keep", hint="leave it out or write null"
        )
    elif not isinstance(value, str | int | float | None):
        raise JournalError(f"{where} is a {type(value).__name__}", hint="write plain text and numbers only")


def utc_text(t_utc: datetime) -> str:
    """The one spelling of a time: UTC, microseconds.

    Raises:
        JournalError: the time has no time zone.
    """
    if t_utc.tzinfo is None:
        raise JournalError("the time of an event has no time zone", hint="give it in UTC")
    return t_utc.astimezone(UTC).isoformat(timespec="microseconds")


def make_row(
    prev: str, *, seq: int, event_id: str, kind: str, t_utc: str, t_mono_ns: int, body: str
) -> dict[str, Any]:
    """One event as it will be stored, behind the event whose hash is `prev`."""
    fields = {"seq": seq, "id": event_id, "kind": kind, "t_utc": t_utc, "t_mono_ns": t_mono_ns}
    link = _link(prev, {**fields, "body": json.loads(body)})
    return {**fields, "body": body, "prev": prev, "hash": link}


def _link(prev: str, fields: Mapping[str, object]) -> str:
    return hashlib.sha256((prev + canonical_json(fields)).encode("ascii")).hexdigest()


def event_of(row: Row) -> Event:
    """Reads one stored event back.

    Raises:
        JournalError: it is not as this program writes it.
    """
    fields = dict(row)
    try:
        fields["t_utc"] = datetime.fromisoformat(fields["t_utc"])
        fields["body"] = json.loads(fields["body"])
    except (TypeError, ValueError) as error:
        raise JournalError(
            f"event {fields['seq']} of the journal cannot be read: {error}",
            hint="it was altered behind the journal's back; verify the journal",
        ) from error
    return Event(**fields)


def walk(rows: Iterable[Row], expected_head: str | None = None) -> Verdict:
    """Walks stored events in the order of their numbers and names the first broken link.

    Args:
        rows: all events, by rising seq.
        expected_head: a hash noted elsewhere earlier, which must occur; None: nothing is known of the head.
    """
    good_n, prev = 0, GENESIS
    seen = expected_head in (None, GENESIS)
    waiting = iter(rows)
    row = next(waiting, None)
    while row is not None:
        following = next(waiting, None)
        broken = _check_link(row, prev, good_n + 1, following)
        if broken is not None:
            return Verdict(good_n, prev, broken)
        good_n, prev = good_n + 1, row["hash"]
        seen = seen or prev == expected_head
        row = following
    if seen:
        return Verdict(good_n, prev)
    detail = (
        f"the chain holds up to event {good_n}, but the event noted elsewhere ({expected_head}) is not in it:"
        " the newest events were cut off, or the journal was made anew"
    )
    return Verdict(good_n, prev, BrokenLink(good_n + 1, "head", detail))


def _check_link(row: Row, prev: str, expected_seq: int, following: Row | None) -> BrokenLink | None:
    """What is wrong with one row, told by the row before it (`prev`) and, where that helps, the one after."""
    seq = row["seq"]
    if seq != expected_seq:
        return BrokenLink(
            expected_seq, "seq", f"event {expected_seq} is missing; the next one is event {seq}"
        )
    if row["prev"] != prev:
        return BrokenLink(seq, "prev", f"event {seq} does not point at the hash of the event before it")
    hashed = _rehash(row)
    if hashed == row["hash"]:
        return None
    if following is not None and following["prev"] == hashed:
        return BrokenLink(seq, "hash", f"event {seq} carries an altered hash; its content is untouched")
    return BrokenLink(seq, "content", f"event {seq} was altered: its content does not give its hash")


def _rehash(row: Row) -> str | None:
    """The hash that the row's content gives; None if the content is not as this program writes it."""
    fields = {key: value for key, value in row.items() if key not in ("prev", "hash")}
    try:
        fields["body"] = json.loads(row["body"])
        if canonical_json(fields["body"]) != row["body"]:
            return None
        return _link(row["prev"], fields)
    except (JournalError, TypeError, ValueError):
        return None
