"""What port tests stand on: a pseudo-terminal in place of a gauge's cable, and a place to gather events."""

import functools
import os
import queue
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from acquire.clock import SystemClock
from acquire.ports import Poll, PortEvent, PortOwner, parse_address
from acquire.ports.listing import SystemPorts, system_ports
from acquire.ports.owner import connect_to
from acquire.recordings import Header, LineKind, Recorder
from drivers.description import SerialSettings, Timing

SETTINGS = SerialSettings(baudrate=115200)
STREAM = Timing(mode="stream", rate_hz=100.0)


class Cable:
    """A gauge's end of a pseudo-terminal, its other end under a stable link; can be pulled and put back."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._end: int | None = None
        self.plug()

    @property
    def end(self) -> int:
        assert self._end is not None, "the cable is pulled"
        return self._end

    def plug(self) -> None:
        self._end, other = os.openpty()
        tty.setraw(other)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(other))
        os.close(other)

    def pull(self) -> None:
        """Hangs the line up; the link keeps pointing at what is gone."""
        if self._end is not None:
            os.close(self._end)
            self._end = None

    def send(self, data: bytes) -> None:
        """Writes everything, waiting for the reader where the system's buffer is full."""
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(self.end, rest) :]


class Inbox:
    """Bounded, as the real one is; gathers events until one is seen."""

    def __init__(self, size: int = 1000) -> None:
        self.queue: queue.Queue[PortEvent] = queue.Queue(size)
        self.seen: list[PortEvent] = []
        self.failures: list[Exception] = []
        self.deliver: Callable[[PortEvent], None] = functools.partial(self.queue.put, timeout=0.05)

    def until(self, enough: Callable[[PortEvent], bool], limit_s: float = 5.0) -> PortEvent:
        """The next event that will do; those before it are kept in `seen` too."""
        deadline = time.monotonic() + limit_s
        while True:
            try:
                event = self.queue.get(timeout=max(0.0, deadline - time.monotonic()))
            except queue.Empty:
                raise AssertionError(
                    f"not within {limit_s} s; seen: {self.seen[-5:]}, {self.failures}"
                ) from None
            self.seen.append(event)
            if enough(event):
                return event

    def until_kind(self, kind: LineKind, limit_s: float = 5.0) -> PortEvent:
        return self.until(lambda event: event.kind == kind, limit_s)

    def until_bytes(self, total: int, limit_s: float = 10.0) -> bytes:
        """Everything received since the start, once it is at least so many bytes."""
        got = sum(len(event.data) for event in self.seen if event.kind == "chunk")
        while got < total:
            got += len(self.until_kind("chunk", limit_s).data)
        return self.received

    def drain(self) -> list[PortEvent]:
        """All events so far."""
        while not self.queue.empty():
            self.seen.append(self.queue.get())
        return self.seen

    @property
    def received(self) -> bytes:
        return b"".join(event.data for event in self.seen if event.kind == "chunk")


@contextmanager
def owning(
    path: Path,
    address: str,
    inbox: Inbox,
    timing: Timing = STREAM,
    settings: SerialSettings = SETTINGS,
    ports: SystemPorts = system_ports,
) -> Iterator[PortOwner]:
    """A running owner of `address` that records to `path`; stopped, and seen to end, at the end."""
    clock = SystemClock()
    with Recorder(path, Header(driver="x", device="g"), clock) as recorder:
        owner = PortOwner(
            "g",
            connect_to(parse_address(address), settings, ports=ports),
            [Poll("g", timing)],
            recorder=recorder,
            clock=clock,
            deliver=inbox.deliver,
            on_failure=inbox.failures.append,
            uniform=lambda low, high: high,
        )
        owner.start()
        try:
            yield owner
        finally:
            assert owner.stop(limit_s=1.0), "the owner's thread did not end within a second"
