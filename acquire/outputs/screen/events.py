"""What happens at the bench, as a stream of server-sent events: one for each page that is open.

    Live ──wake──> the page's stream ──"news"──> browser

An event carries the number up to which its page knows everything; a browser whose connection dropped sends it
back by itself (Last-Event-ID) and gets what it missed, marked as caught up. A slow browser costs memory for
its newest trace only.
"""

import asyncio
import json
import math
from collections.abc import AsyncGenerator, Callable
from typing import Any

from pydantic import TypeAdapter

from acquire.clock import Clock
from acquire.live import GaugeSeen, Live, News, Snapshot, Told, Trace
from acquire.notes import Note
from acquire.service.desk import Armed, Desk

BEAT_S = 2.0
"""So often a page hears that the bench is there, if nothing happens."""
AGAIN = b"retry: 1000\n\n"
"""So many milliseconds after a connection dropped a browser tries again."""
PACE_S = 0.02
"""No page hears more often than this: a gauge of 1 kHz would wake it a hundred times a second."""
RECENT_N = 60
"""So much of what was told before it came a new page hears, to show how things stand."""

_SEEN = TypeAdapter(GaugeSeen)
State = dict[str, Any]


class Openings:
    """The event streams that are open. `changed` may be called from any thread."""

    def __init__(self, live: Live, desk: Desk, clock: Clock) -> None:
        self._live, self._desk, self._clock = live, desk, clock
        self._wakes: set[Callable[[], None]] = set()

    def changed(self, armed: Armed | None) -> None:
        """What is armed has changed: every page shall know at once."""
        for wake in tuple(self._wakes):
            wake()

    def desk_state(self) -> State:
        """What is armed and whether acquisition runs."""
        armed = self._desk.armed
        return {
            "armed": None if armed is None else _armed(armed),
            "failed": self._desk.failed,
        }

    async def stream(self, last: str | None) -> AsyncGenerator[bytes, None]:
        """Events for one page, without end.

        Args:
            last: what the page was sent last as an event's id; None: it is new.
        """
        woken = asyncio.Event()
        loop = asyncio.get_running_loop()

        def wake() -> None:
            try:
                loop.call_soon_threadsafe(woken.set)
            except RuntimeError:
                return  # the loop has ended, and this page with it

        snapshot = self._live.snapshot()
        since = _since(last, snapshot)
        self._wakes.add(wake)
        try:
            with self._live.subscribe(since=since, wake=wake) as subscription:
                missed = subscription.take()
                yield AGAIN
                yield self._event("state", since, self._whole(snapshot))
                known = self.desk_state()
                if missed:
                    yield self._news(missed, known, caught_up=True)
                while True:
                    try:
                        await asyncio.wait_for(woken.wait(), BEAT_S)
                    except TimeoutError:
                        yield self._event("beat", None, {})
                        continue
                    woken.clear()
                    news, desk = subscription.take(), self.desk_state()
                    if news or desk != known:
                        known = desk
                        yield self._news(news, desk)
                        await asyncio.sleep(PACE_S)
        finally:
            self._wakes.discard(wake)

    def _news(self, news: News, desk: State, *, caught_up: bool = False) -> bytes:
        number = news.told[-1].number if news.told else None
        return self._event("news", number, _news(news) | {"desk": desk, "caught_up": caught_up})

    def _event(self, kind: str, number: int | None, data: State) -> bytes:
        data |= {"t_utc": self._clock.utc().isoformat()}
        text = json.dumps(data, allow_nan=False, separators=(",", ":"))
        place = "" if number is None else f"id: {self._live.run}.{number}\n"
        return f"event: {kind}\n{place}data: {text}\n\n".encode()

    def _whole(self, snapshot: Snapshot) -> State:
        return {
            "run": snapshot.run,
            "number": snapshot.number,
            "gauges": [_SEEN.dump_python(gauge, mode="json") for gauge in snapshot.gauges],
            "latest": {name: _number(value) for name, value in snapshot.latest.items()},
            "desk": self.desk_state(),
        }


def _since(last: str | None, snapshot: Snapshot) -> int:
    """Where a page goes on that was away; one that is new, or knows another run, begins a little earlier."""
    run, _, number = (last or "").partition(".")
    if run != snapshot.run or not number.isascii() or not number.isdigit():
        return max(0, snapshot.number - RECENT_N)
    return min(int(number), snapshot.number)


def _armed(armed: Armed) -> State:
    return {
        "trial": armed.trial,
        "step": None if armed.step is None else armed.step.model_dump(mode="json"),
        "gauge": armed.gauge,
        "reference": armed.reference,
        "text": str(armed),
        "paused": armed.paused,
        "staying": armed.staying,
    }


def _news(news: News) -> State:
    return {
        "told": [_told(one) for one in news.told],
        "traces": [_trace(one) for one in news.traces],
        "missed": news.missed_n,
        "missed_points": news.missed_points_n,
    }


def _told(told: Told) -> State:
    about = told.about
    if isinstance(about, Note):
        body = None if about.about is None else about.about.model_dump(mode="json")
        return {
            "number": told.number,
            "kind": about.kind,
            "text": about.text,
            "gauge": about.gauge,
            "progress": about.progress,
            "about": plain(body),
        }
    return {"number": told.number, "kind": "gauge", "state": _SEEN.dump_python(about, mode="json")}


def _trace(trace: Trace) -> State:
    return {
        "gauge": trace.gauge,
        "start_utc": trace.start_utc.isoformat(),
        "t_s": [round(float(t_s), 4) for t_s in trace.t_s],
        "values": [_number(float(value)) for value in trace.values],
    }


def _number(value: float) -> float | None:
    """JSON knows neither infinity nor not-a-number."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def plain(body: Any) -> Any:
    """As JSON can hold it: null where a number is none."""
    if isinstance(body, dict):
        return {key: plain(value) for key, value in body.items()}
    if isinstance(body, list):
        return [plain(value) for value in body]
    return None if isinstance(body, float) and not math.isfinite(body) else body
