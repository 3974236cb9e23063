"""What a person notes beside a trial, in words and photographs.

A photograph is kept in the folder photos/ under a name made from its content, and the journal holds its hash,
so that nobody can exchange it unseen. It is kept exactly as it came, with whatever the camera wrote into it,
which may include the place where it was taken.
"""

import hashlib
import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal
from uuid import uuid4

from pydantic import Field

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.facts import bodies, facts
from acquire.home import Home
from acquire.journal import Journal
from acquire.model import Model, Trial

MOST_PHOTO_BYTES = 10_000_000
MOST_CHARS = 4000
_KINDS: dict[bytes, Literal["jpg", "png"]] = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}
"""What files of each kind begin with: ISO/IEC 10918-1 (start of image, then a marker; from memory) and the
PNG specification, 5.2 (from memory)."""


class KeptPhoto(Model):
    """A photograph, known by its content."""

    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    bytes_n: int
    kind: Literal["jpg", "png"]

    @property
    def name(self) -> str:
        """Of its file inside the folder of photographs."""
        return f"{self.sha256}.{self.kind}"


class WrittenNote(Model):
    """Event "note": what a person wrote down about a trial, or one step of it."""

    id: str
    trial: str
    step: str = ""
    """Key of the step; empty where it is about the whole trial."""
    text: str = ""
    photo: KeptPhoto | None = None
    by: str = ""
    t_utc: datetime


def write_note(
    journal: Journal,
    clock: Clock,
    trial: Trial,
    text: str,
    *,
    step: str = "",
    photo: KeptPhoto | None = None,
    by: str = "",
    form: str | None = None,
) -> WrittenNote:
    """Writes down a note.

    Args:
        photo: from `keep_photo`.
        form: what its id is made of, so that a form that is sent twice is written once.

    Raises:
        ConfigError: there is neither text nor photograph, or too much text.
        JournalError: it could not be written, or that form was written before.
    """
    text = text.strip()
    if not text and photo is None:
        raise ConfigError("there is nothing to note", hint="write something, or choose a photograph")
    if len(text) > MOST_CHARS:
        raise ConfigError(f"a note has at most {MOST_CHARS} characters", hint="make it two notes")
    id_ = f"note.{form or uuid4().hex}"
    note = WrittenNote(id=id_, trial=trial.id, step=step, text=text, photo=photo, by=by, t_utc=clock.utc())
    journal.append("note", note, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns(), event_id=id_)
    return note


def keep_photo(home: Home, data: bytes) -> KeptPhoto:
    """Keeps the content of a JPEG or PNG file; one that is there already is not written again.

    Raises:
        ConfigError: it is too large or neither JPEG nor PNG, or cannot be written.
    """
    if len(data) > MOST_PHOTO_BYTES:
        raise ConfigError(
            f"the photograph has {len(data) / 1e6:.1f} MB; at most {MOST_PHOTO_BYTES / 1e6:.0f} MB are kept",
            hint="take it with a lower resolution",
        )
    kind = next((kind for mark, kind in _KINDS.items() if data.startswith(mark)), None)
    if kind is None:
        raise ConfigError("that is no photograph in JPEG or PNG", hint="save it as one of these")
    photo = KeptPhoto(sha256=hashlib.sha256(data).hexdigest(), bytes_n=len(data), kind=kind)
    place = home.photos / photo.name
    if not _holds(place, photo):
        _write(place, data)
    return photo


def notes_of(journal: Journal, trial: str) -> list[WrittenNote]:
    """The notes of one trial, in order.

    Raises:
        JournalError: the journal cannot be read.
    """
    return [note for _, note in bodies(journal, "note", WrittenNote, trial=trial)]


def photo_named(journal: Journal, name: str) -> KeptPhoto | None:
    """The photograph of that file name, if a note has it."""
    kept = (note.photo for _, note in facts(journal, "note", WrittenNote))
    return next((photo for photo in kept if photo is not None and photo.name == name), None)


def altered_photos(home: Home, journal: Journal) -> Iterator[str]:
    """One line for each photograph that is missing or no longer what was noted.

    Raises:
        JournalError: the journal cannot be read.
    """
    for _, note in facts(journal, "note", WrittenNote):
        if note.photo is not None and not _holds(home.photos / note.photo.name, note.photo):
            there = (home.photos / note.photo.name).exists()
            said = "was altered" if there else f"is missing from {home.photos.name}/"
            yield f"{note.photo.name}: the photograph of note {note.id} {said}"


def _holds(place: Path, photo: KeptPhoto) -> bool:
    try:
        return hashlib.sha256(place.read_bytes()).hexdigest() == photo.sha256
    except OSError:
        return False


def _write(place: Path, data: bytes) -> None:
    half = place.with_name(f"{uuid4().hex}.part")
    try:
        place.parent.mkdir(exist_ok=True)
        with half.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(half, place)
    except OSError as error:
        half.unlink(missing_ok=True)
        raise ConfigError(
            f"{place.parent} cannot be written: {error.strerror}", hint="check the disk's free space"
        ) from error
