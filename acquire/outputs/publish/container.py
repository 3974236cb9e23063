"""One file that holds many: written the same each time, and read without trusting it.

    write_container: files ──> zip        Container: zip ──checked list──> files, none outside its folder

A zip from a stranger may name files outside the folder it is unpacked to, name one twice, or hold a thousand
times what it weighs. Everything that its list says is looked at before the first byte is unpacked, and no
file gives more bytes than the list says.
"""

import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from acquire.errors import PanelwrightError

MAX_FILES_N = 200_000
MAX_FILE_BYTES = 16 << 30
MAX_TOTAL_BYTES = 64 << 30
MAX_GROWTH = 500
"""Times its size that a container may hold; text of a gauge that rests shrinks to a hundredth at most."""
SMALL_BYTES = 64 << 20
"""Up to here any growth is harmless."""

_PIECE_BYTES = 1 << 20
_DEEPEST = 2
_FIXED_TIME = (1980, 1, 1, 0, 0, 0)
_NOT_IN_NAMES = re.compile(r'[\\:*?"<>|]')
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_WRITERS = "get it from its maker again"


class ContainerError(PanelwrightError):
    """The file is no container that may be unpacked; the message says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Source:
    """What to put into a container: the first bytes of a file, which may be growing meanwhile."""

    path: Path
    size: int


def is_plain_name(name: str) -> bool:
    """Whether a file of that name may lie in a container: the same file on any system, inside its folder."""
    parts = name.split("/")
    return len(parts) <= _DEEPEST and name.isprintable() and all(_is_plain(part) for part in parts)


def _is_plain(part: str) -> bool:
    # No leading dot: nothing is hidden, and nothing points upwards.
    ends_well = part == part.strip(" ").rstrip(".") and not part.startswith(".")
    return bool(part) and ends_well and not _NOT_IN_NAMES.search(part) and not _RESERVED.fullmatch(part)


def write_container(path: Path, files: Mapping[str, Source]) -> None:
    """Writes files, by their names inside; the same files give the same bytes on one machine.

    Raises:
        ContainerError: a name that `Container` would refuse, or too much for one.
        PanelwrightError: it cannot be written.
    """
    odd = next((name for name in files if not is_plain_name(name)), None)
    if odd is not None:
        raise ContainerError(f"{odd!r} cannot be the name of a file in {path.name}", hint="rename that file")
    half = path.with_name(path.name + ".part")
    try:
        with zipfile.ZipFile(half, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as written:
            for name in sorted(files):
                _put(written, name, files[name])
        with Container(half):
            pass
        os.replace(half, path)
    except OSError as error:
        raise PanelwrightError(
            f"{path} cannot be written: {error.strerror}", hint="check folder and space"
        ) from error
    finally:
        half.unlink(missing_ok=True)


def _put(written: zipfile.ZipFile, name: str, source: Source) -> None:
    entry = zipfile.ZipInfo(name, _FIXED_TIME)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    entry.file_size = source.size  # tells zipfile whether it needs room for a large one
    with written.open(entry, "w") as out:
        for piece in first_pieces(source):
            out.write(piece)


def first_pieces(source: Source) -> Iterator[bytes]:
    """The bytes of a source."""
    left = source.size
    with source.path.open("rb") as file:
        while left and (piece := file.read(min(left, _PIECE_BYTES))):
            left -= len(piece)
            yield piece


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    return iter(lambda: file.read(_PIECE_BYTES), b"")


class Container:
    """A container open for reading; a context manager."""

    def __init__(self, path: Path) -> None:
        """
        Raises:
            ContainerError: it is none, or its list says something it must not.
        """
        self.path = path
        try:
            self._zip = zipfile.ZipFile(path)
        except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
            raise ContainerError(f"{path} is no bundle: {error}", hint=_WRITERS) from error
        except OSError as error:
            raise ContainerError(f"{path} cannot be read: {error.strerror}", hint="check the path") from error
        try:
            self.sizes = self._listed()
        except BaseException:
            self._zip.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._zip.close()

    def _listed(self) -> dict[str, int]:
        """Size of each file as the list says it, once the list was found to be harmless."""
        entries = self._zip.infolist()
        if len(entries) > MAX_FILES_N:
            raise self._refused(f"it lists {len(entries)} files, more than {MAX_FILES_N}")
        seen: set[str] = set()
        for entry in entries:
            name = entry.filename
            # What Python made of the name must be what stands there: it cuts names at a zero byte.
            if name != entry.orig_filename or not is_plain_name(name):
                raise self._refused(f"it names a file {entry.orig_filename!r}, which no bundle does")
            if name.casefold() in seen:
                raise self._refused(f"it names {name} twice")
            seen.add(name.casefold())
            if entry.flag_bits & 0x1 or entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise self._refused(f"{name} is encrypted, or packed in a way no bundle is")
            kind = stat.S_IFMT(entry.external_attr >> 16)
            if entry.is_dir() or kind not in (0, stat.S_IFREG):
                raise self._refused(f"{name} is not a plain file")
            if entry.file_size > MAX_FILE_BYTES:
                raise self._refused(f"{name} would be {entry.file_size} bytes")
        total = sum(entry.file_size for entry in entries)
        packed = self.path.stat().st_size
        if total > MAX_TOTAL_BYTES or total > max(SMALL_BYTES, MAX_GROWTH * packed):
            raise self._refused(f"it weighs {packed} bytes and would unpack to {total}")
        return {entry.filename: entry.file_size for entry in entries}

    def _refused(self, why: str) -> ContainerError:
        return ContainerError(f"{self.path} was not unpacked: {why}", hint=_WRITERS)

    def pieces(self, name: str) -> Iterator[bytes]:
        """The bytes of one file inside, never more than the list says.

        Raises:
            ContainerError: it is damaged, or its length is not what the list says.
        """
        left = self.sizes[name]
        try:
            with self._zip.open(name) as file:
                for piece in _pieces(file):
                    left -= len(piece)
                    if left < 0:
                        break
                    yield piece
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError) as error:
            raise ContainerError(f"{name} is damaged: {error}", hint=_WRITERS) from error
        if left:
            raise ContainerError(f"{name} is not as long as the list says", hint=_WRITERS)
