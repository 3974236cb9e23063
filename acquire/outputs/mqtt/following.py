"""A subscriber: follows benches on the bus, drops what comes twice, notices what is missing and asks for it.

It is our own and the example for others. The rules it keeps are all there are:

1. An event whose `seq` is not above the last one seen of its bench came before: drop it.
2. An event whose `follows` is above the last one seen shows that something is missing: ask under `again`.
3. The bench's retained `state` says how far it is: whoever comes late or comes back compares.
"""

import asyncio
import re
from collections.abc import AsyncGenerator, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from uuid import uuid4

import aiomqtt
from pydantic import ValidationError

from acquire.outputs.mqtt.connection import Connection, Dialler, end_all
from acquire.outputs.mqtt.messages import (
    VERSION,
    AgainRequest,
    BenchState,
    EventMessage,
    NoteMessage,
    encode,
)
from acquire.outputs.mqtt.settings import BusSettings

PATIENCE_S = 10.0
ASK_EVERY_S = 3.0
HELD_N = 1000
WAITING_N = 1000
LOOK_EVERY_S = 1.0
_TOPIC = re.compile(rf"panelwright/{VERSION}/(?P<bench>[^/]+)/(?P<what>state|event|again|live)(/.*)?")


@dataclass(frozen=True, slots=True)
class Gap:
    """Events between two numbers did not come, and were not to be had."""

    bench: str
    after: int
    before: int


@dataclass(frozen=True, slots=True)
class Connected:
    """The connection to the broker is there, or it is not."""

    there: bool
    said: str


Shown = EventMessage | NoteMessage | BenchState | Gap | Connected


@dataclass(slots=True)
class Sequence:
    """The events of one bench, put in order."""

    bench: str
    last: int | None = None
    """`seq` of the newest that was passed on; None: whatever comes first is the first."""
    known: int = 0
    """The bench says that it has delivered so far."""
    twice_n: int = 0
    online: bool = True
    asked_s: float | None = None
    """When we last asked for what is missing."""
    stuck_s: float | None = None
    """Since when something is missing, and nothing of it came."""
    moved: bool = False
    """Something was passed on since we last looked."""
    journal: str = ""
    _early: dict[int, EventMessage] = field(default_factory=dict)

    def take(self, message: EventMessage) -> list[EventMessage]:
        """What can be passed on now that this one has come, in order."""
        if self.last is None:
            self.last = message.follows
        if message.seq <= self.last or message.seq in self._early:
            self.twice_n += 1
            return []
        # What is let go here is asked for again later; what can be passed on never is.
        if message.follows <= self.last or len(self._early) < HELD_N:
            self._early[message.seq] = message
        return self._ready()

    def heard(self, state: BenchState) -> None:
        """The bench says how far it is; in another journal, numbers begin anew."""
        if self.journal not in ("", state.journal):
            self.last = None
            self._early.clear()
        self.journal, self.known, self.online = state.journal, state.seq, state.online
        if self.last is None:
            self.last = state.seq

    @property
    def missing(self) -> bool:
        """Something is known to have been published that did not come."""
        return bool(self._early) or (self.last is not None and self.known > self.last)

    def give_up(self) -> list[EventMessage | Gap]:
        """Goes on with what is there, and says what is missing."""
        shown: list[EventMessage | Gap] = []
        while self._early or (self.last is not None and self.known > self.last):
            before = min(self._early, default=self.known + 1)
            shown.append(Gap(self.bench, self.last or 0, before))
            self.last = self._early[before].follows if before in self._early else self.known
            shown += self._ready()
        return shown

    def _ready(self) -> list[EventMessage]:
        ready: list[EventMessage] = []
        while self._early:
            first = min(self._early)
            if self.last is not None and self._early[first].follows > self.last:
                break
            ready.append(self._early.pop(first))
            self.last = first
            self.moved = True
        return ready


async def follow(
    settings: BusSettings, *, bench: str | None = None, since: int | None = None, notes: bool = False
) -> AsyncGenerator[Shown, None]:
    """What benches publish, each event once and in order; waits for brokers and benches that are away.

    Args:
        bench: as in topics; None: all there are.
        since: first gives the events after this number; None: from now on.
        notes: also what a bench tells its people.
    """
    dialler = Dialler(settings)
    places: dict[str, Sequence] = {}
    asker = f"follow-{uuid4().hex[:12]}"
    root = f"panelwright/{VERSION}/{bench or '+'}"
    topics = [f"{root}/state", f"{root}/event/+", f"{root}/again/{asker}/event"]
    topics += [f"{root}/live/note"] if notes else []
    wait_s = settings.first_wait_s
    while True:
        try:
            async with dialler.connect() as connection:
                wait_s = settings.first_wait_s
                yield Connected(True, f"connected to {settings.target}")
                await connection.subscribe(*topics)
                async for message in _with_looks(connection):
                    if message is not None:
                        for shown in _understand(message, places, since):
                            yield shown
                    for slug, place in places.items():
                        for shown in await _mend(connection, slug, place, asker):
                            yield shown
        except aiomqtt.MqttError as error:
            yield Connected(False, dialler.explain(error))
        await asyncio.sleep(wait_s)
        wait_s = min(2 * wait_s, settings.longest_wait_s)


async def _with_looks(connection: Connection) -> AsyncGenerator[aiomqtt.Message | None, None]:
    """Messages as they come, and None every second, so that somebody looks whether something is missing."""
    # A reader that is slower than the bus holds messages up; what is dropped then is asked for again.
    heard: asyncio.Queue[aiomqtt.Message | aiomqtt.MqttError | None] = asyncio.Queue(WAITING_N)

    async def listen() -> None:
        try:
            async for message in connection.messages:
                await heard.put(message)
        except aiomqtt.MqttError as error:
            await heard.put(error)

    async def look() -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            await heard.put(None)

    tasks = [asyncio.create_task(listen()), asyncio.create_task(look())]
    try:
        while True:
            one = await heard.get()
            if isinstance(one, aiomqtt.MqttError):
                raise one
            yield one
    finally:
        await end_all(tasks)


def _understand(message: aiomqtt.Message, places: dict[str, Sequence], since: int | None) -> Iterable[Shown]:
    """What one message gives to show. What is not as it should be is passed over: anybody may write there."""
    found = _TOPIC.fullmatch(str(message.topic))
    if found is None or not isinstance(message.payload, bytes | bytearray):
        return []
    slug, payload = found["bench"], bytes(message.payload)
    with suppress(ValidationError):
        if found["what"] == "live":
            return [NoteMessage.model_validate_json(payload)]
        place = places.setdefault(slug, Sequence(slug, since))
        if found["what"] == "state":
            state = BenchState.model_validate_json(payload)
            news = state.online != place.online or not place.journal
            place.heard(state)
            return [state] if news else []
        event = EventMessage.model_validate_json(payload)
        # The last of each kind, kept for those who come late, says nothing of where the bench is.
        if not (message.retain and place.last is None):
            return place.take(event)
    return []


async def _mend(connection: Connection, slug: str, place: Sequence, asker: str) -> Iterable[Shown]:
    """Asks for what is missing, more than once if it must; gives up when nothing comes of that."""
    now_s = asyncio.get_running_loop().time()
    if not (place.missing and place.online):
        place.stuck_s = place.asked_s = None
        return []
    if place.moved or place.stuck_s is None:
        place.stuck_s, place.moved = now_s, False
    if now_s - place.stuck_s > PATIENCE_S:
        place.stuck_s = place.asked_s = None
        return place.give_up()
    if place.asked_s is None or now_s - max(place.asked_s, place.stuck_s) > ASK_EVERY_S:
        place.asked_s = now_s
        request = AgainRequest(asker=asker, since=place.last or 0)
        await connection.publish(f"panelwright/{VERSION}/{slug}/again", encode(request))
    return []
