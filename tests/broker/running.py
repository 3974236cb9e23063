"""Helpers: a bus and followers at work, each in a thread of its own, and what they said."""

import asyncio
import json
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import aclosing, contextmanager
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

from acquire.home import Home
from acquire.journal import Draft, Journal
from acquire.live import Live
from acquire.outputs.mqtt import BusSettings, run_bus
from acquire.outputs.mqtt.following import Connected, Gap, Shown, follow
from acquire.outputs.mqtt.messages import EventMessage
from tests.manual_clock import START_UTC

DEADLINE_S = 15.0


def until(true: Callable[[], bool], what: Callable[[], object] = lambda: "") -> None:
    """Waits until it is so; fails with `what` if that takes too long."""
    end = time.monotonic() + DEADLINE_S
    while not true():
        assert time.monotonic() < end, what()
        time.sleep(0.005)


@dataclass
class Following:
    """What a follower has shown so far."""

    shown: list[Shown] = field(default_factory=list)

    @property
    def events(self) -> list[EventMessage]:
        return [one for one in self.shown if isinstance(one, EventMessage)]

    @property
    def seqs(self) -> list[int]:
        return [one.seq for one in self.events]

    @property
    def gaps(self) -> list[Gap]:
        return [one for one in self.shown if isinstance(one, Gap)]

    @property
    def connections(self) -> list[Connected]:
        return [one for one in self.shown if isinstance(one, Connected)]


@contextmanager
def _beside(work: Callable[[], Coroutine[Any, Any, None]]) -> Iterator[None]:
    """Runs a coroutine in a thread of its own; cancels it on leaving. What it raises, this raises."""
    loop = asyncio.new_event_loop()
    ended = asyncio.Event()

    async def until_ended() -> None:
        task, end = asyncio.create_task(work()), asyncio.create_task(ended.wait())
        await asyncio.wait((task, end), return_when=asyncio.FIRST_COMPLETED)
        failed = task.done()
        for one in (task, end):
            one.cancel()
        await asyncio.gather(task, end, return_exceptions=True)
        if failed:
            task.result()

    def run() -> None:
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            runner.run(until_ended())

    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(run)
        try:
            yield
        finally:
            if not running.done():
                loop.call_soon_threadsafe(ended.set)
            running.result(DEADLINE_S)


@contextmanager
def following(settings: BusSettings, *, since: int | None = None, notes: bool = False) -> Iterator[Following]:
    """A follower at work, connected at least once."""
    seen = Following()

    async def listen() -> None:
        async with aclosing(follow(settings, since=since, notes=notes)) as all_shown:
            async for one in all_shown:
                seen.shown.append(one)

    with _beside(listen):
        until(lambda: bool(seen.connections))
        yield seen


@contextmanager
def hearing(settings: BusSettings, topic: str = "panelwright/1/#") -> Iterator[list[aiomqtt.Message]]:
    """All messages as the broker passes them on, without any rule of ours."""
    heard: list[aiomqtt.Message] = []
    subscribed = threading.Event()

    async def listen() -> None:
        client = aiomqtt.Client(
            settings.host,
            settings.port,
            protocol=aiomqtt.ProtocolVersion.V5,
            username=settings.user,
            password=settings.password,
            tls_context=settings.tls_context(),
        )
        async with client:
            await client.subscribe(topic, qos=1)
            subscribed.set()
            async for message in client.messages:
                heard.append(message)

    with _beside(listen):
        until(subscribed.is_set)
        yield heard


def said(message: aiomqtt.Message) -> dict[str, Any]:
    """The payload of a message."""
    assert isinstance(message.payload, bytes)
    payload: dict[str, Any] = json.loads(message.payload)
    return payload


def on(heard: list[aiomqtt.Message], ending: str) -> list[dict[str, Any]]:
    """The payloads of those whose topic ends so."""
    return [said(message) for message in heard if str(message.topic).endswith(ending)]


@dataclass
class Running:
    """A bus at work."""

    said: list[str] = field(default_factory=list)


@contextmanager
def bus(home: Home, settings: BusSettings, live: Live | None = None) -> Iterator[Running]:
    """The bus of a bench at work; stopped in order on leaving. What it raises, this raises."""
    running, stop = Running(), threading.Event()
    with ThreadPoolExecutor(1) as pool:
        work = pool.submit(run_bus, home, live, settings, stop, say=running.said.append)
        try:
            yield running
        finally:
            stop.set()
            work.result(DEADLINE_S)


def write_events(journal: Journal, count: int) -> None:
    """Events of a published kind, quickly: all in one transaction."""
    drafts = [Draft("clock step", {"step_s": float(number)}) for number in range(count)]
    journal.append_all(drafts, t_utc=START_UTC, t_mono_ns=0)


def speak(settings: BusSettings, messages: list[tuple[str, bytes]]) -> None:
    """Publishes as somebody else, and waits until the broker has it."""

    async def work() -> None:
        async with aiomqtt.Client(settings.host, settings.port) as client:
            for topic, payload in messages:
                await client.publish(topic, payload, qos=1)

    asyncio.run(work())
