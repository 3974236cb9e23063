"""The command as a process of its own, told apart line by line."""

import json
import os
import queue
import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.processes import end_process

DEADLINE_S = 20.0


class Command:
    """`panelwright ARGS --json`, whose notes are read as they come; killed on leaving if it has not ended."""

    def __init__(self, *args: str | Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from acquire.cli import main; main()", *map(str, args), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUTF8": "1"},
        )
        self.notes: list[dict[str, Any]] = []
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line)
        self._lines.put("")

    def until(self, kind: str, containing: str = "") -> dict[str, Any]:
        """The next note of a kind. Fails if the command ends first, or says nothing for too long."""
        while True:
            line = self._lines.get(timeout=DEADLINE_S)
            assert line, f"ended before {kind!r}: {self.notes[-3:]} {self._stderr()}"
            note: dict[str, Any] = json.loads(line)
            self.notes.append(note)
            if note["kind"] == kind and containing in note["text"]:
                return note

    def interrupt(self) -> None:
        self._process.send_signal(signal.SIGINT)

    def end(self) -> tuple[int, str]:
        """Waits for its end; its exit code and what it said on stderr. Takes the last notes too."""
        code = self._process.wait(DEADLINE_S)
        self._listener.join(DEADLINE_S)
        while line := self._lines.get(timeout=DEADLINE_S):
            self.notes.append(json.loads(line))
        return code, self._stderr()

    def told(self, kind: str) -> list[str]:
        return [note["text"] for note in self.notes if note["kind"] == kind]

    def _stderr(self) -> str:
        assert self._process.stderr is not None
        return self._process.stderr.read()

    def __enter__(self) -> "Command":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        end_process(self._process, self._listener, within_s=DEADLINE_S)
