"""Recordings when the disk is full and when their writer is killed."""

import errno
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire.errors import RecordingError
from acquire.ports import replay_events
from acquire.recordings import Header, Recorder, read_recording
from tests.manual_clock import ManualClock
from tests.port_tools import Cable, Inbox, owning
from tests.recording_tools import from_columns, from_lines

if sys.platform == "win32":
    pytest.skip("needs file size limits and SIGKILL", allow_module_level=True)

import resource

WRITER = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from acquire.clock import SystemClock
    from acquire.recordings import Header, Recorder

    recorder = Recorder(Path(sys.argv[1]), Header(driver="x"), SystemClock())
    number = 0
    while True:
        recorder.chunk(b"%d" % number * 50, recorder.now_us())
        print(number, flush=True)
        number += 1
    """
)


@contextmanager
def files_no_larger_than(size: int) -> Iterator[None]:
    """As a full disk: of the write that crosses the limit a part is taken, and the next is refused."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_stops_the_recording_for_good_and_leaves_it_readable(tmp_path: Path) -> None:
    path = tmp_path / "a.rec"
    with Recorder(path, Header(driver="x"), ManualClock()) as recorder:
        recorder.chunk(b"kept", 1)
        with (
            files_no_larger_than(path.stat().st_size + 20),
            pytest.raises(
                RecordingError, match=r"a\.rec: cannot be written: .*; acquisition has to stop"
            ) as caught,
        ):
            recorder.chunk(b"too much", 2)
        assert "Make room" in caught.value.hint
        with pytest.raises(RecordingError, match="acquisition has to stop"):
            recorder.mark("closed", "", 3)  # there would be room again, but only behind half a line
    _, lines = read_recording(path)
    assert [line.data for line in lines] == [b"kept"]
    assert lines.cut is not None
    assert from_columns(path) == from_lines(path)


def test_a_disk_that_is_full_from_the_start_leaves_no_open_file(tmp_path: Path) -> None:
    with files_no_larger_than(0), pytest.raises(RecordingError, match="cannot be written"):
        Recorder(tmp_path / "a.rec", Header(driver="x"), ManualClock())


def failing_fsync(number: int) -> Callable[[int], None]:
    def fsync(descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    return fsync


def test_a_disk_that_cannot_keep_its_word_stops_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(tmp_path / "a.rec", Header(driver="x"), ManualClock())
    monkeypatch.setattr(os, "fsync", failing_fsync(errno.EIO))
    with pytest.raises(RecordingError, match="Input/output error; acquisition has to stop"):
        recorder.sync()
    with pytest.raises(RecordingError, match="acquisition has to stop"):
        recorder.chunk(b"A", 0)
    with pytest.raises(RecordingError, match="acquisition has to stop"):
        recorder.close()
    recorder.close()
    with pytest.raises(RecordingError, match="Input/output error"):
        Recorder(tmp_path / "b.rec", Header(driver="x"), ManualClock())


def test_a_file_system_that_cannot_sync_folders_is_good_enough(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", failing_fsync(errno.EINVAL))
        recorder = Recorder(tmp_path / "a.rec", Header(driver="x"), ManualClock())
    recorder.chunk(b"A", 0)
    recorder.close()
    assert [line.data for line in read_recording(tmp_path / "a.rec")[1]] == [b"A"]


def test_a_port_stops_when_its_disk_is_full(tmp_path: Path) -> None:
    cable, inbox = Cable(tmp_path / "gauge"), Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox) as owner:
        inbox.until_kind("open")
        cable.send(b"A")
        inbox.until_bytes(1)
        with files_no_larger_than((tmp_path / "a.rec").stat().st_size + 5):
            cable.send(b"B")
            owner._thread.join(5.0)
        assert not owner.running
    cable.pull()
    assert [type(failure) for failure in inbox.failures] == [RecordingError]
    assert [event.kind for event in inbox.drain()] == ["open", "chunk"]
    assert [event.kind for event in replay_events(tmp_path / "a.rec")] == ["open", "chunk"]


@pytest.mark.slow
def test_a_killed_writer_loses_nothing_it_had_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "a.rec"
    with subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        for _ in range(500):
            assert writer.stdout.readline()
        os.kill(writer.pid, signal.SIGKILL)
        acknowledged = [b"499", *writer.stdout.read().split()][-1]
    _, lines = read_recording(path)
    numbers = [line.data for line in lines]
    assert numbers[:500] == [b"%d" % number * 50 for number in range(500)]
    assert len(numbers) >= int(acknowledged) + 1
    assert from_columns(path) == from_lines(path)
