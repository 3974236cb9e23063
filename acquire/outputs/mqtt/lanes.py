"""The two lanes of the bus.

    journal ──Durable──> event/KIND, QoS 1       every event in order, at a bounded rate
    live hub ──watch──> live/..., QoS 0          at once, for viewers; what cannot be sent in time is dropped

So what happens now is seen at once even while hours of events wait for their turn, and events stay in order.
"""

import asyncio
from collections.abc import Iterator
from contextlib import suppress
from itertools import islice

from acquire.chain import Event
from acquire.clock import Clock
from acquire.journal import Journal
from acquire.live import GaugeSeen, Live, Subscription, Trace
from acquire.model import Reading, Refusal
from acquire.notes import Note
from acquire.outputs.mqtt.connection import Connection, end_all
from acquire.outputs.mqtt.cursor import Cursor
from acquire.outputs.mqtt.gauges import Gauges
from acquire.outputs.mqtt.messages import (
    FACTS,
    NoteMessage,
    TraceMessage,
    encode,
    event_payload,
    topic,
)

WINDOW_N = 20
"""So many events are under way at once, and as many may come twice after a crash."""
TRACE_EVERY_S = 0.05
POLL_S, POLL_LIVE_S = 0.05, 1.0
"""How often the journal is looked at: where nothing tells of new events, and where the service does."""


class Pace:
    """Lets so many a second through."""

    def __init__(self, rate_per_s: float) -> None:
        self._each_s = 1.0 / rate_per_s
        self._due_s = 0.0

    async def after(self, count: int) -> None:
        """Waits until `count` more may have been sent."""
        now_s = asyncio.get_running_loop().time()
        self._due_s = max(self._due_s, now_s) + count * self._each_s
        await asyncio.sleep(self._due_s - now_s)


async def next_events(reader: Iterator[Event], count: int) -> list[Event]:
    """The next few events; reading the journal must not hold up what is live."""
    return await asyncio.to_thread(lambda: list(islice(reader, count)))


class Durable:
    """Delivers the journal from where the broker last acknowledged."""

    def __init__(
        self, bench: str, journal: Journal, cursor: Cursor, gauges: Gauges, rate_per_s: float
    ) -> None:
        self._bench, self._journal, self.cursor, self._gauges = bench, journal, cursor, gauges
        self.position = cursor.seq
        """Number of the newest event that was looked at; kinds that are not published are passed over."""
        self._pace = Pace(rate_per_s)
        self.fresh = asyncio.Event()
        """Set by who knows of new events."""
        self.delivered = asyncio.Event()
        """Set when events were delivered; cleared by who waits for that."""
        self.drained = asyncio.Event()
        """Set while nothing waits to be delivered."""

    async def run(self, connection: Connection, poll_s: float) -> None:
        """Ends only with an error."""
        self.position = self.cursor.seq
        reader = self._journal.events(since=self.position)
        while True:
            events = await next_events(reader, WINDOW_N)
            if events:
                await self._deliver(connection, events)
                self.position = events[-1].seq
                continue
            self.drained.set()
            with suppress(TimeoutError):
                async with asyncio.timeout(poll_s):
                    await self.fresh.wait()
            # Not before: a reader that has come to its end does not see what was written since.
            self.fresh.clear()
            reader = self._journal.events(since=self.position)

    async def _deliver(self, connection: Connection, events: list[Event]) -> None:
        for event in events:
            self._gauges.event(event)
        wanted = [event for event in events if event.kind in FACTS]
        if not wanted:
            return
        self.drained.clear()
        await publish_events(connection, self._bench, wanted, self.cursor.seq)
        self.cursor.move(wanted[-1])
        self.delivered.set()
        await publish_gauges(connection, self._bench, self._gauges)
        await self._pace.after(len(wanted))


async def publish_events(
    connection: Connection, bench: str, events: list[Event], follows: int, asker: str | None = None
) -> None:
    """Publishes events in order and waits until the broker has them all.

    Args:
        follows: number of the event that was published before the first of them.
        asker: who asked for them once more; None: they are for all.
    """
    sending = []
    for event in events:
        where = topic(bench, "event", event.kind) if asker is None else topic(bench, "again", asker, "event")
        payload = event_payload(bench, event, follows)
        # Tasks start in the order in which they are made, and each sends at once: the order is kept.
        sending.append(asyncio.create_task(connection.publish(where, payload, retain=asker is None)))
        follows = event.seq
    try:
        await asyncio.gather(*sending)
    finally:
        await end_all(sending)


class Lively:
    """Passes on what the hub tells: notes and states at once, traces a few times a second."""

    def __init__(self, bench: str, live: Live, gauges: Gauges, durable: Durable, clock: Clock) -> None:
        self._bench, self._live, self._gauges, self._durable = bench, live, gauges, durable
        self._clock = clock

    async def notes(self, connection: Connection) -> None:
        """Ends only with an error."""
        loop, woken = asyncio.get_running_loop(), asyncio.Event()
        with self._live.subscribe(traces=False, wake=lambda: loop.call_soon_threadsafe(woken.set)) as watcher:
            for seen in self._live.snapshot().gauges:
                self._gauges.see(seen)
            while True:
                await self._pass_on(connection, watcher)
                await publish_gauges(connection, self._bench, self._gauges)
                await woken.wait()
                woken.clear()

    async def _pass_on(self, connection: Connection, watcher: Subscription) -> None:
        news = watcher.take()
        if news.told:
            self._durable.fresh.set()
        missed_n = news.missed_n
        for one in news.told:
            if isinstance(one.about, GaugeSeen):
                self._gauges.see(one.about)
            else:
                message = self._note(one.about, missed_n)
                missed_n = 0
                await connection.publish(topic(self._bench, "live", "note"), encode(message), qos=0)

    def _note(self, note: Note, missed_n: int) -> NoteMessage:
        taken_n, wanted_n = note.progress or (None, None)
        return NoteMessage(
            bench=self._bench,
            t_utc=self._clock.utc(),
            kind=note.kind,
            text=note.text,
            gauge=note.gauge,
            taken_n=taken_n,
            wanted_n=wanted_n,
            about=note.about.id if isinstance(note.about, Reading | Refusal) else None,
            missed_n=missed_n,
        )

    async def traces(self, connection: Connection) -> None:
        """Ends only with an error."""
        loop, woken = asyncio.get_running_loop(), asyncio.Event()
        with self._live.subscribe(wake=lambda: loop.call_soon_threadsafe(woken.set)) as watcher:
            while True:
                await woken.wait()
                woken.clear()
                news = watcher.take()
                missed_n = news.missed_points_n
                for trace in news.traces:
                    where = topic(self._bench, "live", "trace", trace.gauge)
                    await connection.publish(where, encode(self._trace(trace, missed_n)), qos=0)
                    missed_n = 0
                await asyncio.sleep(TRACE_EVERY_S)

    def _trace(self, trace: Trace, missed_n: int) -> TraceMessage:
        return TraceMessage(
            bench=self._bench,
            gauge=trace.gauge,
            unit=trace.unit,
            start_utc=trace.start_utc,
            t_s=[round(t_s, 6) for t_s in trace.t_s.tolist()],
            values=trace.values.tolist(),
            missed_n=missed_n,
        )


async def publish_gauges(connection: Connection, bench: str, gauges: Gauges) -> None:
    """Publishes the states that have changed."""
    for message in gauges.changed():
        await connection.publish(topic(bench, "gauge", message.gauge), encode(message), retain=True)
