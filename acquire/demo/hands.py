"""The tester's hands in the demonstration: simulated gauges as processes, told what to do line by line."""

import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from acquire.errors import TransportError

START_S = 20.0


class Simulator:
    """One simulated gauge in a process of its own; `address` is where to open it."""

    def __init__(self, arguments: Sequence[str], link: Path) -> None:
        # Pseudo-terminals where the system has them, TCP elsewhere: the same bytes either way.
        place = ["--link", str(link)] if os.name == "posix" else ["--tcp", "0"]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "simulators.cli", *arguments, *place, "--no-auto"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
            bufsize=1,
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._stdin: IO[str] = self._process.stdin
        self._stdout: IO[str] = self._process.stdout
        self._answers: queue.Queue[dict[str, object]] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        try:
            self.address = str(self._answers.get(timeout=START_S)["port"])
        except queue.Empty:
            self.close()
            raise TransportError(f"the simulator {' '.join(arguments)} did not start") from None

    def _read(self) -> None:
        for line in self._stdout:
            self._answers.put(json.loads(line))

    def tell(self, command: str) -> None:
        """Sends a command; `answered` says when it is done."""
        self._stdin.write(command + "\n")

    def answered(self) -> bool:
        """Takes the next answer, if one is there.

        Raises:
            TransportError: the simulator has ended, or did not understand.
        """
        try:
            answer = self._answers.get_nowait()
        except queue.Empty:
            if self._process.poll() is not None:
                raise TransportError("a simulator has ended unasked") from None
            return False
        if "error" in answer:
            raise TransportError(f"a simulator did not understand: {answer['error']}")
        return True

    def close(self) -> None:
        """Ends the process."""
        self._process.terminate()
        self._process.wait(timeout=10)
        self._reader.join(timeout=10)
        for stream in (self._stdin, self._stdout):
            stream.close()


class Hands:
    """The three gauges of the demonstration. A context manager."""

    def __init__(self, folder: Path, speed: float) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        pace = ["--speed", f"{speed:g}"]
        self.by_name: dict[str, Simulator] = {}
        arguments = {
            "force": ["force", "--speaks", "force-stream-n", "--mass-g", "800", "--seed", "11", *pace],
            "gloss": ["gloss", "--speaks", "gloss-key", "--angle", "60", "--seed", "12", *pace],
            "wash": ["wash", "--speaks", "wash-stroke", "--seed", "13", *pace],
        }
        try:
            for name, words in arguments.items():
                self.by_name[name] = Simulator(words, folder / name)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        for simulator in self.by_name.values():
            simulator.close()
