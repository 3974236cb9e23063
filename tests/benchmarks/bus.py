"""From a committed event to a subscriber, beside one bare publication with the same library and broker.

    python -m tests.benchmarks.bus

Needs Mosquitto; bus, broker and subscriber share this machine, bus and subscriber this process.
"""

import asyncio
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import aiomqtt
import numpy as np

from acquire.live import Live
from acquire.notes import Note
from acquire.outputs.mqtt.messages import topic
from tests.benches import MadeBench
from tests.broker.broker import Broker
from tests.broker.running import bus, until, write_events
from tests.manual_clock import START_UTC

Result = dict[str, str | float]

CONFIG = ("allow_anonymous true", "set_tcp_nodelay true")
NAME = "Test bench (invented)"


class Arrivals:
    """Counts messages as they arrive, and lets a thread wait for the next."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self.count = 0

    def arrived(self) -> None:
        with self._changed:
            self.count += 1
            self._changed.notify_all()

    def wait_for(self, count: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: self.count >= count, 60.0)


@contextmanager
def _subscribed(broker: Broker, where: str) -> Iterator[Arrivals]:
    arrivals, ready = Arrivals(), threading.Event()
    loop = asyncio.new_event_loop()
    end = asyncio.Event()

    async def listen() -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.subscribe(where, qos=1)
            ready.set()
            async for _ in client.messages:
                arrivals.arrived()

    async def work() -> None:
        task = asyncio.create_task(listen())
        await end.wait()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    def run() -> None:
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            runner.run(work())

    thread = threading.Thread(target=run)
    thread.start()
    try:
        assert ready.wait(10.0)
        yield arrivals
    finally:
        loop.call_soon_threadsafe(end.set)
        thread.join()


def _times_ms(count: int, arrivals: Arrivals, send: Callable[[], None]) -> list[float]:
    """From the end of `send` until the message has arrived, so many times."""
    times_ms = []
    for _ in range(count):
        before = arrivals.count
        send()
        begun_s = time.perf_counter()
        arrivals.wait_for(before + 1)
        times_ms.append((time.perf_counter() - begun_s) * 1e3)
    return times_ms


def bare(broker: Broker, count: int) -> list[float]:
    """Milliseconds from one publication at QoS 1 until its acknowledgement, nothing else going on."""
    times_ms = []

    async def work() -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            for _ in range(count):
                begun_s = time.perf_counter()
                await client.publish("bare", b"x" * 1000, qos=1)
                times_ms.append((time.perf_counter() - begun_s) * 1e3)

    asyncio.run(work())
    return times_ms


def live_events(broker: Broker, count: int, *, rate_hz: int) -> list[float]:
    """Milliseconds from commit to subscriber, beside the trace of one gauge (0: none)."""
    live, stop = Live(), threading.Event()
    live.opens("force", "force", START_UTC)

    def send_trace() -> None:
        begun_s = time.monotonic()
        sent = 0
        while not stop.wait(0.016):
            due = int((time.monotonic() - begun_s) * rate_hz)
            t_s = np.arange(sent, due) / rate_hz
            live.samples("force", t_s, np.sin(t_s))
            sent = due

    with tempfile.TemporaryDirectory() as folder, MadeBench(Path(folder) / "home") as made:
        where = topic(NAME, "event", "clock-step")
        with _subscribed(broker, where) as arrivals, bus(made.home, broker.settings(), live) as running:
            until(lambda: bool(running.said))
            tracing = threading.Thread(target=send_trace)
            if rate_hz:
                tracing.start()

            def send() -> None:
                write_events(made.journal, 1)
                live.tell(Note("reading", "one"))

            try:
                return _times_ms(count, arrivals, send)
            finally:
                stop.set()
                if rate_hz:
                    tracing.join()


def backlog(broker: Broker, count: int) -> float:
    """Events a second while catching up, with no limit that matters."""
    with tempfile.TemporaryDirectory() as folder, MadeBench(Path(folder) / "home") as made:
        write_events(made.journal, count)
        with _subscribed(broker, topic(NAME, "event", "clock-step")) as arrivals:
            begun_s = time.perf_counter()
            with bus(made.home, broker.settings(rate_per_s=1e6)):
                arrivals.wait_for(count)
            return count / (time.perf_counter() - begun_s)


def rows(count: int = 300) -> list[Result]:
    """Times in ms, median and 99th percentile, and the rate of catching up."""
    with tempfile.TemporaryDirectory() as folder, Broker(Path(folder) / "broker", CONFIG) as broker:
        measured = {
            "bare aiomqtt publication, QoS 1, to its acknowledgement": bare(broker, count),
            "event, from commit to a subscriber": live_events(broker, count, rate_hz=0),
            "the same, one 1 kHz trace live": live_events(broker, count, rate_hz=1000),
        }
        results: list[Result] = [
            {"what": what, "median_ms": float(np.median(ms)), "p99_ms": float(np.percentile(ms, 99))}
            for what, ms in measured.items()
        ]
        return [*results, {"what": "catching up", "events_per_s": backlog(broker, 5000)}]


def main() -> None:
    for result in rows():
        numbers = "  ".join(f"{key} {value:.1f}" for key, value in result.items() if key != "what")
        sys.stdout.write(f"{result['what']}: {numbers}\n")


if __name__ == "__main__":
    main()
