"""Notes beside a trial, and their photographs: kept by content, proved by the journal."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.errors import ConfigError, JournalError
from acquire.model import Trial
from acquire.notebook import (
    MOST_CHARS,
    MOST_PHOTO_BYTES,
    altered_photos,
    keep_photo,
    notes_of,
    photo_named,
    write_note,
)
from acquire.outputs.words import in_words
from acquire.verification import verify
from tests.benches import MadeBench

# The first bytes of each format: PNG specification, 5.2; JPEG, ISO/IEC 10918-1 B.1.1.3 (both from memory).
PNG = b"\x89PNG\r\n\x1a\n" + b"invented"
JPEG = b"\xff\xd8\xff\xe0" + b"invented"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path) as made:
        yield made


@pytest.fixture
def trial(bench: MadeBench) -> Trial:
    return bench.begin("larch", "Invented wax")


def test_a_note_is_read_back_with_the_step_it_is_about(bench: MadeBench, trial: Trial) -> None:
    other = bench.begin("fir", "Invented sealant")
    note = write_note(bench.journal, bench.clock, trial, " haze\n", step="appearance/A", by="Kim")
    write_note(bench.journal, bench.clock, other, "dust")
    assert notes_of(bench.journal, "larch") == [note]
    assert (note.text, note.step, note.by, note.photo) == ("haze", "appearance/A", "Kim", None)
    event = bench.journal.find(note.id)
    assert event is not None
    assert in_words(event) == "larch, appearance/A: noted, by Kim: haze"


@pytest.mark.parametrize(("data", "ending"), [(PNG, "png"), (JPEG, "jpg")])
def test_a_photograph_is_kept_under_its_hash(
    bench: MadeBench, trial: Trial, data: bytes, ending: str
) -> None:
    note = write_note(bench.journal, bench.clock, trial, "", photo=keep_photo(bench.home, data))
    assert note.photo is not None
    assert note.photo.name == f"{hashlib.sha256(data).hexdigest()}.{ending}"
    assert (bench.home.photos / note.photo.name).read_bytes() == data
    assert photo_named(bench.journal, note.photo.name) == note.photo
    assert photo_named(bench.journal, f"{'0' * 64}.{ending}") is None
    assert [path.name for path in bench.home.photos.iterdir()] == [note.photo.name]


def test_what_is_no_photograph_or_too_large_is_refused_and_nothing_is_written(
    bench: MadeBench, trial: Trial
) -> None:
    seq, _ = bench.journal.head()
    for data, said in (
        (b"GIF89a", "no photograph"),
        (b"<svg onload=", "no photograph"),
        (JPEG.ljust(MOST_PHOTO_BYTES + 1), "10 MB"),
    ):
        with pytest.raises(ConfigError, match=said):
            keep_photo(bench.home, data)
    with pytest.raises(ConfigError, match="nothing to note"):
        write_note(bench.journal, bench.clock, trial, "  \n")
    with pytest.raises(ConfigError, match=str(MOST_CHARS)):
        write_note(bench.journal, bench.clock, trial, "x" * (MOST_CHARS + 1))
    assert bench.journal.head()[0] == seq
    assert not bench.home.photos.exists()


def test_a_form_that_comes_twice_is_written_once(bench: MadeBench, trial: Trial) -> None:
    write_note(bench.journal, bench.clock, trial, "once", form="a" * 32)
    with pytest.raises(JournalError, match="already holds"):
        write_note(bench.journal, bench.clock, trial, "once", form="a" * 32)
    assert len(notes_of(bench.journal, "larch")) == 1


def test_an_altered_or_missing_photograph_is_a_fault(bench: MadeBench, trial: Trial) -> None:
    note = write_note(bench.journal, bench.clock, trial, "edge", photo=keep_photo(bench.home, PNG))
    assert note.photo is not None
    place = bench.home.photos / note.photo.name
    assert list(altered_photos(bench.home, bench.journal)) == []
    place.write_bytes(JPEG)
    assert list(altered_photos(bench.home, bench.journal)) == [
        f"{note.photo.name}: the photograph of note {note.id} was altered"
    ]
    # Kept once more, the true one takes its place again.
    write_note(bench.journal, bench.clock, trial, "again", photo=keep_photo(bench.home, PNG))
    assert place.read_bytes() == PNG
    place.unlink()
    report = verify(bench.home)
    assert not report.holds
    assert f"{note.photo.name}: the photograph of note {note.id} is missing from photos/" in [
        fault.what for fault in report.faults
    ]
