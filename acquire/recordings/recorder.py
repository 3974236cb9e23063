"""Writes a recording: every line is handed to the operating system before the call returns."""

import errno
import io
import os
import threading
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

from acquire.clock import Clock
from acquire.errors import RecordingError
from acquire.recordings.format import (
    MAX_CHUNK_BYTES,
    Header,
    MarkKind,
    format_bytes,
    format_mark,
    tidy_note,
)


class Recorder:
    """One recording being written. It is created new: an existing file is never written to.

    A line that `chunk`, `sent` or `mark` has returned from survives the death of this process; after
    `sync` it also survives a power cut. One thread writes; `sync` may be called from any.

    Args:
        path: the file to create.
        header: what it says of itself; `start_utc` is filled in from the clock if it is None.
        clock: gives the times.

    Raises:
        RecordingError: the file exists or cannot be written (here and from every method). After a failed
            write nothing more is written: whatever followed would hang on half a line.
    """

    def __init__(self, path: Path, header: Header, clock: Clock) -> None:
        self.path = path
        self._clock = clock
        self._broken: RecordingError | None = None
        self._closing = threading.Lock()
        self._start_ns = clock.monotonic_ns()
        self.start_utc: datetime = header.start_utc or clock.utc()
        self.header = header.model_copy(update={"start_utc": self.start_utc})
        try:
            # Unbuffered: each line is one write to the operating system.
            self._file: io.FileIO = path.open("xb", buffering=0)
        except FileExistsError as error:
            raise RecordingError(
                f"{path}: exists already; a recording is never overwritten",
                hint="Move the file away or choose another name.",
            ) from error
        except OSError as error:
            raise self._failure(error) from error
        try:
            self._write(self.header.to_text().encode())
            self._sync_folder()
        except RecordingError:
            self._file.close()
            raise

    def now_us(self) -> int:
        """Microseconds since the recording began: the one rounding of a time, used live and in replay."""
        return (self._clock.monotonic_ns() - self._start_ns + 500) // 1000

    def utc_at(self, t_us: int) -> datetime:
        """The UTC time of a moment in this recording; a replay computes the same."""
        return self.start_utc + timedelta(microseconds=t_us)

    def chunk(self, data: bytes, t_us: int) -> None:
        """Writes bytes received, at most `MAX_CHUNK_BYTES` at once."""
        self._check(data)
        self._write(format_bytes(t_us, "<", data))

    def sent(self, data: bytes, t_us: int) -> None:
        """Writes bytes sent, at most `MAX_CHUNK_BYTES` at once."""
        self._check(data)
        self._write(format_bytes(t_us, ">", data))

    def mark(self, kind: MarkKind, note: str, t_us: int) -> str:
        """Writes that the port was opened, lost or closed; gives the note as it stands in the file."""
        kept = tidy_note(note)
        self._write(format_mark(t_us, kind, kept))
        return kept

    def sync(self) -> None:
        """Returns when everything written so far is on the disk itself."""
        with self._closing:
            if not self._file.closed:
                self._fsync()

    def close(self) -> None:
        """Puts everything on the disk and closes the file. May be called twice."""
        with self._closing:
            if self._file.closed:
                return
            try:
                self._fsync()
            finally:
                self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _check(self, data: bytes) -> None:
        if not 0 < len(data) <= MAX_CHUNK_BYTES:
            raise ValueError(f"a recorded chunk has 1 to {MAX_CHUNK_BYTES} bytes, not {len(data)}")

    def _write(self, text: bytes) -> None:
        if self._broken is not None:
            raise self._broken
        rest = memoryview(text)
        try:
            # A nearly full disk takes part of a line and reports no error until the next write.
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            self._broken = self._failure(error)
            raise self._broken from error

    def _fsync(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            self._broken = self._failure(error)
            raise self._broken from error

    def _sync_folder(self) -> None:
        """Makes the new file's name as durable as its content; Windows has no such call."""
        if not hasattr(os, "O_DIRECTORY"):
            return
        folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        except OSError as error:
            # Some network file systems cannot sync a folder; their server does it by itself.
            if error.errno != errno.EINVAL:
                raise self._failure(error) from error
        finally:
            os.close(folder)

    def _failure(self, error: OSError) -> RecordingError:
        return RecordingError(
            f"{self.path}: cannot be written: {error.strerror}; acquisition has to stop",
            hint="Make room on the disk (or mend it), then start again: a new recording is begun.",
        )
