"""A real Mosquitto on a free port of this machine, which can be killed and started again."""

import os
import signal
import socket
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

from acquire.outputs.mqtt import BusSettings
from tests.must_run import program

DEADLINE_S = 10.0


@dataclass
class Broker:
    """Use it as a context manager. What it was told to keep it forgets when it is killed.

    Args:
        folder: for its configuration and log.
        lines: of its configuration, behind the listener.
    """

    folder: Path
    lines: tuple[str, ...] = ("allow_anonymous true",)
    port: int = 0
    process: "subprocess.Popen[bytes] | None" = field(default=None, repr=False)

    def __enter__(self) -> "Broker":
        self._program = program("mosquitto", where=("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin"))
        self.folder.mkdir(exist_ok=True)
        self.port = self.port or free_port()
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")

    def settings(self, **more: object) -> BusSettings:
        """For a bus or follower that tries again quickly."""
        given: dict[str, object] = {"first_wait_s": 0.05, "longest_wait_s": 0.2, "rate_per_s": 5000.0, **more}
        return BusSettings("127.0.0.1", self.port, **given)  # type: ignore[arg-type]

    def start(self) -> None:
        """Starts it; returns once it answers."""
        config = self.folder / "mosquitto.conf"
        # Without a user of its own it would need one that the machine may not have.
        user = ("user root",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
        listener = (f"listener {self.port} 127.0.0.1", "log_type all", "max_queued_messages 0")
        config.write_text("\n".join((*user, *listener, *self.lines)) + "\n", encoding="utf-8")
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen([self._program, "-c", config], stdout=log, stderr=log)
        end = time.monotonic() + DEADLINE_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
                return
            except OSError:
                assert self.process.poll() is None, self.log
                assert time.monotonic() < end, self.log
                time.sleep(0.01)

    def kill(self) -> None:
        """As in a power cut."""
        process, self.process = self.process, None
        if process is not None:
            process.send_signal(signal.SIGKILL)
            process.wait(DEADLINE_S)


def free_port() -> int:
    """A port that nobody listens on just now."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        return port
