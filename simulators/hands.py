"""What a person does to a simulated gauge: lines on stdin."""

import os
import queue
import socket
import threading


class Hands:
    """Lines from stdin, read by a thread: not every system can wait for stdin and a port together."""

    def __init__(self) -> None:
        self.lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.wakes, self._waker = socket.socketpair()
        self.wakes.setblocking(False)
        self._waker.setblocking(False)
        threading.Thread(target=self._read, name="hands", daemon=True).start()

    def _read(self) -> None:
        # The bare descriptor: a buffered stdin held by this thread would trouble the interpreter's end.
        pending = b""
        while chunk := os.read(0, 4096):
            *lines, pending = (pending + chunk).split(b"\n")
            for line in lines:
                self.lines.put(line.decode("utf-8", "replace"))
            self.wake()
        if pending:
            self.lines.put(pending.decode("utf-8", "replace"))
        self.lines.put(None)
        self.wake()

    def wake(self) -> None:
        try:
            self._waker.send(b"!")
        except BlockingIOError:
            return  # plenty of wake-ups are waiting already

    def take(self) -> list[str | None]:
        """All lines that have come; None marks the end of stdin."""
        try:
            self.wakes.recv(4096)
        except BlockingIOError:
            return []
        out: list[str | None] = []
        while True:
            try:
                out.append(self.lines.get_nowait())
            except queue.Empty:
                return out
