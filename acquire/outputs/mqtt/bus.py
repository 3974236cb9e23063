"""Keeps a bench on the bus: connects, delivers, answers, and tries again, until it is told to stop."""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any

import aiomqtt
from pydantic import ValidationError

from acquire.clock import Clock, SystemClock
from acquire.errors import PanelwrightError
from acquire.home import Home
from acquire.journal import Journal
from acquire.live import Live
from acquire.outputs.mqtt.connection import Connection, Dialler, until_first_ends
from acquire.outputs.mqtt.cursor import Cursor, open_cursor
from acquire.outputs.mqtt.figures import Figures
from acquire.outputs.mqtt.gauges import Gauges
from acquire.outputs.mqtt.lanes import (
    POLL_LIVE_S,
    POLL_S,
    WINDOW_N,
    Durable,
    Lively,
    Pace,
    next_events,
    publish_events,
    publish_gauges,
)
from acquire.outputs.mqtt.messages import FACTS, AgainRequest, BenchState, bench_slug, encode, topic
from acquire.outputs.mqtt.settings import BusSettings

Say = Callable[[str], None]
STATE_EVERY_S = 0.5
STOP_EVERY_S = 0.1


def run_bus(
    home: Home,
    live: Live | None,
    settings: BusSettings,
    stop: threading.Event,
    *,
    clock: Clock | None = None,
    say: Say = lambda _: None,
) -> None:
    """Keeps the bench on the bus until `stop` is set; run it in a thread of its own.

    It reads the journal and never writes it. A broker that is away, slow or refuses us is tried again for
    ever, and said once. Stopping waits for an attempt to connect that is under way.

    Args:
        live: the service's hub; None: only what the journal holds is published, soon after it is written.
        say: takes what becomes of the connection, in words.

    Raises:
        ConfigError: the bench has no journal, another program feeds its bus, a certificate cannot be used.
        JournalError: the journal cannot be read, or the place in it cannot be kept.
    """
    bench = home.bench().name
    settings.tls_context()
    target = f"{settings.target} {bench_slug(bench)}"
    with home.journal(readonly=True) as journal, open_cursor(home.folder, target) as cursor:
        bus = _Bus(home, bench, journal, cursor, live, settings, clock or SystemClock(), say)
        asyncio.run(bus.run(stop))


class _Bus:
    def __init__(
        self,
        home: Home,
        bench: str,
        journal: Journal,
        cursor: Cursor,
        live: Live | None,
        settings: BusSettings,
        clock: Clock,
        say: Say,
    ) -> None:
        self._bench, self._journal, self._cursor, self._live = bench, journal, cursor, live
        self._settings, self._clock, self._tell = settings, clock, say
        self._dialler = Dialler(settings)
        self._gauges = Gauges(bench)
        self._said = self._first_hash = ""
        self._connected = False
        self._stopping = asyncio.Event()
        self._durable = Durable(bench, journal, cursor, self._gauges, settings.rate_per_s)
        self._lively = None if live is None else Lively(bench, live, self._gauges, self._durable, clock)
        self._figures = Figures(home, bench, journal, self._say)

    def _say(self, what: str) -> None:
        """Once: an attempt every half minute is not news."""
        if what != self._said:
            self._said = what
            self._tell(what)

    async def run(self, stop: threading.Event) -> None:
        self._gauges.history(self._journal)
        self._same_journal()
        if self._settings.exposed:
            self._say(f"the password for {self._settings.target} travels unencrypted; use mqtts://")
        watch = asyncio.create_task(self._watch(stop))
        wait_s = self._settings.first_wait_s
        try:
            while not self._stopping.is_set():
                self._connected = False
                protocol = self._dialler.protocol
                try:
                    await self._session()
                except aiomqtt.MqttError as error:
                    self._say(self._dialler.explain(error))
                if self._connected:
                    wait_s = self._settings.first_wait_s
                if self._dialler.protocol is protocol:
                    with suppress(TimeoutError):
                        async with asyncio.timeout(wait_s):
                            await self._stopping.wait()
                    wait_s = min(2 * wait_s, self._settings.longest_wait_s)
        finally:
            watch.cancel()

    async def _watch(self, stop: threading.Event) -> None:
        while not stop.is_set():
            await asyncio.sleep(STOP_EVERY_S)
        self._stopping.set()

    async def _until_stopped(self) -> None:
        await self._stopping.wait()

    def _same_journal(self) -> None:
        """A journal that was made anew is delivered from its beginning."""
        if not self._cursor.seq:
            return
        found = next(self._journal.events(since=self._cursor.seq - 1), None)
        if found is None or found.hash != self._cursor.hash:
            self._say("this is not the journal that was delivered before; starting from its beginning")
            self._cursor.rewind()

    async def _session(self) -> None:
        """One connection, from its first message to its end."""
        state, gone = topic(self._bench, "state"), encode(self._state(False, "vanished"))
        async with self._dialler.connect(aiomqtt.Will(state, gone, 1, True)) as connection:
            # Whoever sees the state may ask at once.
            await connection.subscribe(topic(self._bench, "again"))
            await self._publish_state(connection, True, "connected")
            # Not before: a broker that lets us in and takes nothing is no success.
            self._connected = True
            self._say(f"connected to {self._settings.target}, MQTT {connection.version}")
            self._gauges.forget_sent()
            await publish_gauges(connection, self._bench, self._gauges)
            try:
                await until_first_ends(self._until_stopped(), *self._parts(connection))
            except PanelwrightError:
                # We take our leave in order, so the broker would not say it for us.
                await connection.publish(state, gone, retain=True)
                raise
            await self._publish_state(connection, False, "stopped")

    def _parts(self, connection: Connection) -> list[Coroutine[Any, Any, None]]:
        parts = [
            self._durable.run(connection, POLL_S if self._lively is None else POLL_LIVE_S),
            self._figures.run(connection, self._durable),
            self._tell_state(connection),
            self._answer(connection),
        ]
        if self._lively is not None:
            parts += [self._lively.notes(connection), self._lively.traces(connection)]
        return parts

    def _state(self, online: bool, said: str) -> BenchState:
        head, _ = self._journal.head()
        return BenchState(
            bench=self._bench,
            online=online,
            said=said,
            t_utc=self._clock.utc(),
            seq=self._cursor.seq,
            journal=self._journal_id(),
            waiting_n=head - max(self._cursor.seq, self._durable.position),
        )

    def _journal_id(self) -> str:
        if not self._first_hash:
            first = next(self._journal.events(), None)
            self._first_hash = first.hash if first else ""
        return self._first_hash

    async def _publish_state(self, connection: Connection, online: bool, said: str) -> None:
        message = self._state(online, said)
        await connection.publish(topic(self._bench, "state"), encode(message), retain=True)

    async def _tell_state(self, connection: Connection) -> None:
        """How far the bus is, for those who come later; ends only with an error."""
        told = -1
        while True:
            if self._cursor.seq != told:
                told = self._cursor.seq
                await self._publish_state(connection, True, "delivering")
            await asyncio.sleep(STATE_EVERY_S)

    async def _answer(self, connection: Connection) -> None:
        """Publishes once more what somebody missed, one request after the other; ends only with an error."""
        async for message in connection.messages:
            try:
                request = AgainRequest.model_validate_json(bytes(message.payload))
            except (ValidationError, TypeError):
                # Anybody may write there; what is no request is none of our business.
                continue
            await self._once_more(connection, request)

    async def _once_more(self, connection: Connection, request: AgainRequest) -> None:
        pace = Pace(self._settings.rate_per_s)
        follows = request.since
        reader = self._journal.events(since=follows)
        # What was not delivered yet comes anyway.
        while events := await next_events(reader, WINDOW_N):
            due = [event for event in events if event.kind in FACTS and event.seq <= self._cursor.seq]
            await publish_events(connection, self._bench, due, follows, request.asker)
            if events[-1].seq >= self._cursor.seq:
                return
            follows = due[-1].seq if due else follows
            await pace.after(len(due))
