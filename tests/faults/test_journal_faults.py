"""Killed writers, full disks, files held by others."""

import random
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from acquire.errors import JournalError
from acquire.journal import Draft, Journal
from tests.bench_tools import NOON

if sys.platform == "win32":
    pytest.skip("kills and limits processes the POSIX way", allow_module_level=True)

import resource

WRITER = """
import sys
from datetime import UTC, datetime
from acquire.errors import JournalError
from acquire.journal import Journal

journal = Journal.open(sys.argv[1])
start = datetime(2031, 5, 4, tzinfo=UTC)
print("ready", flush=True)
sys.stdin.readline()
try:
    for number in range(int(sys.argv[2])):
        event = journal.append("note", {"number": number, "pad": "x" * 200}, t_utc=start, t_mono_ns=number)
        print(event.id, flush=True)
except JournalError as error:
    print("failed:", error, "|", error.hint, flush=True)
    journal.close()
"""


def start_writer(
    path: Path, preexec: Callable[[], None] | None = None, *, events_n: int = 100_000
) -> subprocess.Popen[str]:
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(events_n)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=preexec,
        cwd=Path(__file__).parents[2],
    )
    assert writer.stdout is not None
    assert writer.stdout.readline() == "ready\n"
    return writer


@pytest.mark.slow
def test_a_killed_writer_loses_nothing_it_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    chance = random.Random(20310504)
    acknowledged: list[str] = []
    for _ in range(10):
        writer = start_writer(path)
        killer = threading.Timer(chance.uniform(0.0, 0.1), writer.send_signal, [signal.SIGKILL])
        killer.start()
        said, _ = writer.communicate("go\n")
        killer.join()
        assert writer.returncode == -signal.SIGKILL
        # A line that the kill cut in two was not acknowledged.
        acknowledged += [line[:-1] for line in said.splitlines(keepends=True) if line.endswith("\n")]
    assert acknowledged, "no writer lived long enough to write anything"
    with Journal.open(path, readonly=True) as journal:
        assert journal.verify().holds
    with Journal.open(path) as journal:
        assert journal.verify().holds
        present = {event.id for event in journal.events()}
    assert set(acknowledged) <= present
    assert len(acknowledged) == len(set(acknowledged))
    # A kill may fall between commit and acknowledgement, once for each writer.
    assert len(present) <= len(acknowledged) + 10


@pytest.mark.slow
def test_two_programs_that_write_at_once_make_one_chain(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    writers = [start_writer(path, events_n=500) for _ in range(2)]
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go\n")
        writer.stdin.flush()
    said = [writer.communicate()[0].splitlines() for writer in writers]
    assert [len(own) for own in said] == [500, 500], [own[-1:] for own in said]
    with Journal.open(path, readonly=True) as journal:
        verdict = journal.verify()
        assert verdict.holds, verdict.broken
        assert [event.id for event in journal.events()] == [f"note-{seq}" for seq in range(1, 1001)]
        # Each writer's own events are in the order it wrote them, and the two took turns.
        for own in said:
            assert own == sorted(own, key=lambda name: int(name.removeprefix("note-")))
    assert sorted(said[0] + said[1]) == sorted(f"note-{seq}" for seq in range(1, 1001))
    assert said[0] != [f"note-{seq}" for seq in range(1, 501)], "one wrote before the other had begun"


@pytest.mark.slow
def test_two_programs_that_begin_a_journal_at_once_make_one(tmp_path: Path) -> None:
    for number in range(5):
        path = tmp_path / f"{number}.sqlite"
        starters = [
            subprocess.Popen(
                [sys.executable, "-c", WRITER, str(path), "3"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                cwd=Path(__file__).parents[2],
            )
            for _ in range(2)
        ]
        assert [starter.communicate("go\n")[0].count("note-") for starter in starters] == [3, 3]
        with Journal.open(path, readonly=True) as journal:
            assert journal.verify().events_n == 6


@pytest.mark.slow
def test_a_disk_that_refuses_to_grow_the_file_stops_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"

    def limit_file_size() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))

    writer = start_writer(path, limit_file_size)
    said, _ = writer.communicate("go\n")
    *acknowledged, failure = said.splitlines()
    assert failure.startswith("failed: cannot append to the journal")
    assert "check its health and space" in failure
    with Journal.open(path) as journal:
        assert journal.verify().holds
        assert [event.id for event in journal.events()] == acknowledged
        assert acknowledged


def test_a_full_disk_is_said_plainly_and_nothing_is_half_written(tmp_path: Path) -> None:
    def allow_few_pages(connection: sqlite3.Connection, _: object) -> None:
        connection.execute("PRAGMA max_page_count = 12")

    sa.event.listen(sa.Engine, "connect", allow_few_pages)
    try:
        with Journal.open(tmp_path / "journal.sqlite") as journal:
            drafts = [Draft("note", {"number": number, "pad": "x" * 500}) for number in range(100)]
            journal.append("note", {}, t_utc=NOON, t_mono_ns=0)
            with pytest.raises(JournalError, match="is full") as caught:
                journal.append_all(drafts, t_utc=NOON, t_mono_ns=0)
            assert "free space" in caught.value.hint
            assert journal.head()[0] == 1
            journal.append("note", {}, t_utc=NOON, t_mono_ns=1)
            assert journal.verify().events_n == 2
    finally:
        sa.event.remove(sa.Engine, "connect", allow_few_pages)


def test_a_file_held_by_another_program_is_said_plainly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("acquire.journal._BUSY_S", 0.0)
    path = tmp_path / "journal.sqlite"
    with Journal.open(path) as journal:
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalError, match="database is locked") as caught:
            journal.append("note", {}, t_utc=NOON, t_mono_ns=0)
        assert "another program holds the file" in caught.value.hint
        holder.close()
        assert journal.append("note", {}, t_utc=NOON, t_mono_ns=0).seq == 1


def test_a_damaged_file_is_said_plainly(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.open(path) as journal:
        for number in range(200):
            journal.append("note", {"number": number, "pad": "x" * 200}, t_utc=NOON, t_mono_ns=0)
    data = bytearray(path.read_bytes())
    data[4096 * 3 :] = b"\xff" * (len(data) - 4096 * 3)
    path.write_bytes(data)
    with (
        Journal.open(path, readonly=True) as journal,
        pytest.raises(JournalError, match="malformed") as caught,
    ):
        journal.verify()
    assert "restore" in caught.value.hint


@pytest.mark.slow
def test_many_threads_make_one_chain_while_another_reads(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    verdicts: list[bool] = []
    with Journal.open(path) as journal:
        done = threading.Event()

        def write(name: int) -> None:
            for number in range(25):
                journal.append("note", {"from": name, "number": number}, t_utc=NOON, t_mono_ns=0)

        def read() -> None:
            with Journal.open(path, readonly=True) as reader:
                while not done.is_set():
                    verdicts.append(reader.verify().holds)

        writers = [threading.Thread(target=write, args=[name]) for name in range(4)]
        reader = threading.Thread(target=read)
        for thread in (reader, *writers):
            thread.start()
        for thread in writers:
            thread.join()
        done.set()
        reader.join()
        assert journal.verify().events_n == 100
        for name in range(4):
            own = [event.body["number"] for event in journal.events() if event.body["from"] == name]
            assert own == list(range(25))
    assert verdicts
    assert all(verdicts)
