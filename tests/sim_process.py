"""Simulated gauges as processes of their own, for tests that want real bytes on a real port."""

import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Any

import serial

from tests.processes import end_process

DEADLINE_S = 10.0


class SimProcess:
    """`python -m simulators.cli ARGS`, told what to do and asked for its answers; ended on leaving."""

    def __init__(self, *args: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "simulators.cli", *args],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()
        self.port = str(self.answer()["port"])

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._answers.put(line)

    def tell(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def answer(self) -> dict[str, Any]:
        """The next line it says. Fails if none comes in time."""
        answer: dict[str, Any] = json.loads(self._answers.get(timeout=DEADLINE_S))
        return answer

    def answers(self) -> list[dict[str, Any]]:
        """What it has said since the last look; does not wait."""
        found = []
        while not self._answers.empty():
            found.append(json.loads(self._answers.get()))
        return found

    def open(self, timeout_s: float = DEADLINE_S) -> serial.Serial:
        """A reader on its pseudo-terminal."""
        return serial.Serial(self.port.removeprefix("serial:"), timeout=timeout_s)

    def end(self, signum: int | None = None) -> tuple[int, str]:
        """Ends it by a signal or by the end of stdin. Returns its exit code and what it said on stderr."""
        assert self._process.stdin is not None
        assert self._process.stderr is not None
        if signum is not None:
            self._process.send_signal(signum)
        else:
            self._process.stdin.close()
        code = self._process.wait(DEADLINE_S)
        return code, self._process.stderr.read()

    def __enter__(self) -> "SimProcess":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        end_process(self._process, self._listener, within_s=DEADLINE_S)


def lines(port: serial.Serial, count: int, request: bytes | None = None) -> list[bytes]:
    """The next `count` lines, each asked for by `request` if there is one. Fails if they do not come."""
    out: list[bytes] = []
    deadline_s = time.monotonic() + DEADLINE_S
    while len(out) < count and time.monotonic() < deadline_s:
        if request is not None:
            port.write(request)
        out.append(port.readline())
    assert len(out) == count, f"only {len(out)} of {count} lines came: {out[-3:]}"
    return out


def truths(path: str, event: str) -> Sequence[dict[str, Any]]:
    """What a truth file says of one kind of event."""
    with open(path, encoding="utf-8") as file:
        return [fact for fact in map(json.loads, file) if fact["event"] == event]
