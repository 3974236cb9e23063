"""From the last byte of a reading to the journal, to screens and to a subscriber of the bus.

    here ──pty──> panelwright serve ──> its console, right after the commit ──┐
                    ^             ├──> event stream of each screen ───────────┼──> here
    1 kHz gauge ────┘             └──> Mosquitto ──> subscriber, QoS 1 ───────┘

Service, broker and the fast gauge are processes of their own. This one writes the lines of a glossmeter whose
key is pressed, and notes when each value comes back; the delay of noticing it is in the times. Needs
pseudo-terminals (Linux, macOS) and Mosquitto.
"""

import asyncio
import json
import os
import random
import re
import signal
import sqlite3
import sys
import tempfile
import time
import urllib.request
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np

import config
from acquire import answers
from acquire.clock import SystemClock
from acquire.home import Home
from acquire.outputs.mqtt.messages import topic
from simulators.speech import gloss_key
from tests.benchmarks import bus
from tests.benchmarks.live import simulated
from tests.benchmarks.traces import NAME as FORCE
from tests.benchmarks.traces import RATE_HZ
from tests.broker.broker import Broker
from tests.port_tools import Cable
from tests.scoring_kit import SHIPPED

Result = dict[str, str | float]

BENCH_NAME = "Latency bench (invented, simulated)"
TRIAL, PANEL, TILE_GU = "t", "A", 93.0
FIRST_GU, STEP_GU = 20.0, 0.1
"""Each press shows a value of its own, so that it is known again wherever it arrives."""
ECHO_S = 0.25
SPACING_S = (0.1, 0.2)
SCREENS_N = 10
LIMIT_S = 20.0
COMMITTED, PUBLISHED = "journal", "bus"
AIMS_MS = {COMMITTED: 20.0, "screen": 60.0, PUBLISHED: 60.0}

_BENCH = """
format = "panelwright-bench 1"
name = "{name}"
time_zone = "UTC"

[place]
latitude_deg = 52.0
height_m = 80.0

[gauges.force]
description = "fast"
port = "{force}"
tolerance = {{ absolute = 0.03 }}

[gauges.gloss]
description = "gloss-key"
port = "serial:{gloss}"
tolerance = {{ absolute = 1.0 }}

[references.tile]
kind = "tile"
gloss_gu = {{ 60 = 93.0 }}
expanded_uncertainty = 0.4
certificate = "T-1 (invented)"
due = 2031-12-31
"""


@dataclass
class Arrivals:
    """When each value was seen at each place, in ns."""

    seen_ns: dict[str, dict[float, int]] = field(default_factory=dict)
    changed: asyncio.Event = field(default_factory=asyncio.Event)

    def watch(self, place: str) -> Callable[[float], None]:
        seen = self.seen_ns.setdefault(place, {})

        def note(value_gu: float) -> None:
            seen.setdefault(round(value_gu, 1), time.monotonic_ns())
            self.changed.set()

        return note

    async def everywhere(self, value_gu: float) -> dict[str, int]:
        """When it was seen at each place; waits until it was at all.

        Raises:
            TimeoutError: it was not, for too long.
        """
        async with asyncio.timeout(LIMIT_S):
            while any(value_gu not in seen for seen in self.seen_ns.values()):
                self.changed.clear()
                await self.changed.wait()
        return {place: seen[value_gu] for place, seen in self.seen_ns.items()}


@dataclass
class Served:
    """The command at work, as seen from here."""

    process: asyncio.subprocess.Process
    cable: Cable
    port: int
    arrivals: Arrivals
    said: list[str] = field(default_factory=list)

    async def until(self, words: str) -> None:
        """Waits until the console says so. Fails if it does not, for too long."""
        end_s = time.monotonic() + LIMIT_S
        while not any(words in line for line in self.said):
            assert time.monotonic() < end_s, self.said[-5:]
            await asyncio.sleep(0.02)

    async def order(self, name: str, **words: object) -> None:
        url = f"http://127.0.0.1:{self.port}"
        request = urllib.request.Request(
            f"{url}/do/{name}", json.dumps(words).encode(), {"Origin": url}, method="POST"
        )
        await asyncio.to_thread(lambda: urllib.request.urlopen(request, timeout=LIMIT_S).close())

    def press(self, value_gu: float) -> int:
        """Lets the glossmeter send a value; the time just before, in ns."""
        line = gloss_key(60, value_gu)
        before_ns = time.monotonic_ns()
        self.cable.send(line)
        return before_ns

    def processor_s(self) -> float:
        """Processor time that the service has used; not a number where the system has no /proc."""
        try:
            text = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii")
        except FileNotFoundError:
            return float("nan")
        words = text.rpartition(")")[2].split()
        return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def lay_out(folder: Path, force: str, gloss: Path, wanted: int) -> Home:
    """A bench with both gauges and one trial, whose gloss step takes so many readings."""
    home = Home(folder)
    home.create()
    text = (config.FOLDER / "gauges" / f"{FORCE}.toml").read_text(encoding="utf-8")
    fast = text.replace("rate_hz = 100.0", f"rate_hz = {RATE_HZ}")
    (home.gauges / "fast.toml").write_text(fast, encoding="utf-8")
    home.bench_file.write_text(_BENCH.format(name=BENCH_NAME, force=force, gloss=gloss), encoding="utf-8")
    assert SHIPPED.count("readings = 8 ") == 1
    method = SHIPPED.replace("readings = 8 ", f"readings = {wanted} ")
    home.method_file.write_text(method, encoding="utf-8")
    with home.journal() as journal:
        answers.open_trial(
            journal, SystemClock(), TRIAL, product="Invented wax", panels=(PANEL,), control=False
        )
    return home


@asynccontextmanager
async def served(home: Home, cable: Cable, broker: Broker, arrivals: Arrivals) -> AsyncIterator[Served]:
    """`panelwright serve` on this bench, its screen and bus up."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-u", "-c", "from acquire.cli import main; main()",
        "serve", "--home", str(home.folder), "--port", "0",
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "PANELWRIGHT_MQTT_URL": f"mqtt://127.0.0.1:{broker.port}"},
    )  # fmt: skip
    one = Served(process, cable, 0, arrivals)
    committed = arrivals.watch(COMMITTED)

    async def listen() -> None:
        assert process.stdout is not None
        async for line in process.stdout:
            text = line.decode()
            if found := re.search(r"gloss: \d+ of \d+: ([\d.]+) GU", text):
                committed(float(found[1]))
            one.said.append(text)
            arrivals.changed.set()

    async with beside(listen()):
        try:
            await one.until("The screen is at ")
            address = next(line for line in one.said if "The screen is at " in line)
            one.port = int(address.rstrip("/\n").rsplit(":", 1)[1])
            await one.until("bus: connected")
            yield one
        finally:
            process.send_signal(signal.SIGTERM)
            await process.wait()


@asynccontextmanager
async def beside(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def look(port: int, note: Callable[[float], None], up: asyncio.Event) -> None:
    """A screen: reads the stream of events as a page does."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1 << 22)
    with closing(writer):
        writer.write(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        while line := await reader.readline():
            if line.startswith(b"event: state"):
                up.set()
            if not line.startswith(b"data: ") or b'"kind":"reading"' not in line:
                continue
            for told in json.loads(line.removeprefix(b"data: "))["told"]:
                if told["kind"] == "reading":
                    note(told["about"]["value"])


async def subscribe(broker: Broker, note: Callable[[float], None], up: asyncio.Event) -> None:
    """A subscriber of the bench's readings."""
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.subscribe(topic(BENCH_NAME, "event", "reading"), qos=1)
        up.set()
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            note(json.loads(message.payload)["body"]["value"])


@dataclass
class Presses:
    """Times in ms at each place, one for each press, and the service's share of a core meanwhile."""

    times_ms: dict[str, list[float]]
    core_percent: float

    @property
    def slowest_screen_ms(self) -> list[float]:
        screens = [times for place, times in self.times_ms.items() if place.startswith("screen")]
        return [max(each) for each in zip(*screens, strict=True)]


async def pressed(one: Served, first: int, count: int) -> Presses:
    """Presses the key so often, at uneven times."""
    chance = random.Random(first)
    times_ms: dict[str, list[float]] = {}
    begun_s, processor_s = time.monotonic(), one.processor_s()
    for number in range(first, first + count):
        value_gu = round(FIRST_GU + STEP_GU * number, 1)
        before_ns = one.press(value_gu)
        for place, seen_ns in (await one.arrivals.everywhere(value_gu)).items():
            times_ms.setdefault(place, []).append((seen_ns - before_ns) / 1e6)
        await asyncio.sleep(chance.uniform(*SPACING_S))
    used_s, took_s = one.processor_s() - processor_s, time.monotonic() - begun_s
    return Presses(times_ms, 100 * used_s / took_s)


async def measured(home: Home, cable: Cable, broker: Broker, count: int) -> tuple[Presses, Presses]:
    """With one screen, then with ten."""
    arrivals = Arrivals()
    async with AsyncExitStack() as stack:
        one = await stack.enter_async_context(served(home, cable, broker, arrivals))

        async def join(work: Callable[..., Coroutine[Any, Any, None]], at: object, place: str) -> None:
            up = asyncio.Event()
            await stack.enter_async_context(beside(work(at, arrivals.watch(place), up)))
            await asyncio.wait_for(up.wait(), LIMIT_S)

        await check_first(one)
        await join(subscribe, broker, PUBLISHED)
        await join(look, one.port, "screen 1")
        alone = await pressed(one, 0, count)
        for number in range(2, SCREENS_N + 1):
            await join(look, one.port, f"screen {number}")
        # Values seen before are known to the newcomers already, or never will be.
        return alone, await pressed(one, count, count)


async def check_first(one: Served) -> None:
    """As at the beginning of a day: readings then carry the stamp of a checked gauge."""
    await one.order("check", gauge="gloss", reference="tile", channel="60", repeats=3)
    for _ in range(3):
        one.press(TILE_GU)
        await asyncio.sleep(ECHO_S)
    await one.until("gloss: pass: ")
    await one.order("arm", trial=TRIAL, test="gloss", panel=PANEL, phase="bare")


def bare_commits(folder: Path, count: int) -> list[float]:
    """Milliseconds for one row of a reading's size, written and committed synchronously, nothing else."""
    times_ms = []
    with closing(sqlite3.connect(folder / "bare.sqlite", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE rows (number INTEGER PRIMARY KEY, body TEXT)")
        for _ in range(count):
            begun_ns = time.monotonic_ns()
            connection.execute("INSERT INTO rows (body) VALUES (?)", ("x" * 2000,))
            times_ms.append((time.monotonic_ns() - begun_ns) / 1e6)
    return times_ms


@contextmanager
def _cable(link: Path) -> Iterator[Cable]:
    cable = Cable(link)
    try:
        yield cable
    finally:
        cable.pull()


def run(count: int = 300) -> list[Result]:
    """Medians and 99th percentiles; `count` presses with one screen and as many with ten."""
    words = ["force", "--speaks", FORCE, "--rate-hz", str(RATE_HZ)]
    with (
        tempfile.TemporaryDirectory() as text,
        Broker(Path(text) / "broker", bus.CONFIG) as broker,
        simulated(words, Path(text) / "force") as force,
        _cable(Path(text) / "gloss") as cable,
    ):
        folder = Path(text)
        commits_ms, publications_ms = bare_commits(folder, count), bus.bare(broker, count)
        home = lay_out(folder / "home", force, cable.link, 3 * count)
        alone, ten = asyncio.run(measured(home, cable, broker, count))
    beside_it = "one 1 kHz gauge live"
    return [
        times("bare SQLite commit, synchronous", commits_ms),
        times("bare aiomqtt publication, QoS 1, to its acknowledgement", publications_ms),
        times(f"last byte to committed reading, {beside_it}", alone.times_ms[COMMITTED], AIMS_MS[COMMITTED]),
        times(f"last byte to screen, {beside_it}", alone.times_ms["screen 1"], AIMS_MS["screen"]),
        times(f"last byte to subscriber, {beside_it}", alone.times_ms[PUBLISHED], AIMS_MS[PUBLISHED]),
        times("the same with ten screens: committed", ten.times_ms[COMMITTED], AIMS_MS[COMMITTED]),
        times("the slowest of ten screens", ten.slowest_screen_ms, AIMS_MS["screen"]),
        times("the subscriber beside ten screens", ten.times_ms[PUBLISHED], AIMS_MS[PUBLISHED]),
        {"what": "the whole service, one screen: share of a core", "core_percent": alone.core_percent},
        {"what": "the whole service, ten screens: share of a core", "core_percent": ten.core_percent},
    ]


def times(what: str, times_ms: list[float], aim_ms: float | None = None) -> Result:
    """A line of the table."""
    found: Result = {
        "what": what,
        "median_ms": float(np.median(times_ms)),
        "p99_ms": float(np.percentile(times_ms, 99)),
    }
    return found if aim_ms is None else {**found, "aim_ms": aim_ms}


if __name__ == "__main__":
    for result in run(int(sys.argv[1]) if len(sys.argv) > 1 else 300):
        sys.stdout.write(f"{result}\n")
