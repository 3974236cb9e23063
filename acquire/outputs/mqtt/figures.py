"""Scorecards and standings on the bus: worked out anew when something they rest on was delivered."""

import asyncio
from collections.abc import Callable, Iterator

from pydantic import BaseModel

from acquire import results
from acquire.errors import ConfigError, MethodError
from acquire.home import Home
from acquire.journal import Journal
from acquire.outputs.mqtt.connection import Connection
from acquire.outputs.mqtt.lanes import Durable
from acquire.outputs.mqtt.messages import ScorecardMessage, StandingsMessage, encode, topic

SETTLE_S = 2.0
"""After the last event: the readings of one step come close together."""
SHARE = 0.05
"""Working figures out takes this share of a processor core at most: capture comes first."""


class Figures:
    """Publishes what has changed; bench and method are read anew each time, as a person may edit them."""

    def __init__(
        self, home: Home, bench: str, journal: Journal, say: Callable[[str], None], settle_s: float = SETTLE_S
    ) -> None:
        self._home, self._bench, self._journal, self._say = home, bench, journal, say
        self._settle_s = settle_s
        self._sent: dict[str, bytes] = {}

    async def run(self, connection: Connection, durable: Durable) -> None:
        """Ends only with an error."""
        self._sent.clear()
        loop = asyncio.get_running_loop()
        while True:
            durable.delivered.clear()
            begun_s = loop.time()
            for where, message in await asyncio.to_thread(lambda: list(self._work_out())):
                payload = encode(message.model_copy(update={"seq": 0}))
                if self._sent.get(where) != payload:
                    await connection.publish(where, encode(message), retain=True)
                    self._sent[where] = payload
            await asyncio.sleep((loop.time() - begun_s) / SHARE)
            await durable.delivered.wait()
            await asyncio.sleep(self._settle_s)
            await durable.drained.wait()

    def _work_out(self) -> Iterator[tuple[str, BaseModel]]:
        seq, _ = self._journal.head()
        try:
            bench, method = self._home.bench(), self._home.method()
            material = results.gather(self._journal)
            if not material.trials:
                return
            cards = results.scorecards(material, bench, method)
            ranked = results.standings(material, bench, method)
        except (ConfigError, MethodError) as error:
            self._say(f"no scorecards on the bus: {error}")
            return
        for card in cards:
            message = ScorecardMessage(bench=self._bench, seq=seq, scorecard=card)
            yield topic(self._bench, "scorecard", card.trial), message
        yield (
            topic(self._bench, "standings"),
            StandingsMessage(bench=self._bench, seq=seq, standings=ranked),
        )
