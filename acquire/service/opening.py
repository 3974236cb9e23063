"""Opens and closes the ports of a bench: for each a recording, a thread, and the streams of its gauges.

PortOwner (a thread for each port) ──events──> queue
"""

import queue
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

from acquire.bench import Bench
from acquire.capture import CAPTURE_VERSION
from acquire.capture_rules import chosen_by
from acquire.clock import Clock
from acquire.health import Health
from acquire.home import Home
from acquire.journal import Journal
from acquire.logger import Source
from acquire.model import StreamStart
from acquire.ports import Poll, PortEvent, PortOwner, parse_address
from acquire.ports.listing import SystemPorts
from acquire.ports.owner import connect_to
from acquire.recordings import Header, Recorder
from acquire.scoring.method import Method
from acquire.stream import GaugeStream
from acquire.tasks import Line, Task
from drivers.contact import ContactSettings
from drivers.description import GaugeDescription
from drivers.registry import make_driver

QUEUE_EVENTS = 1000


@dataclass(slots=True)
class OpenGauge:
    """One gauge while the service runs."""

    line: Line
    owner: PortOwner
    recorder: Recorder
    health: Health
    task: Task | None = None
    opened: bool = False
    device: str = ""
    """What the port was opened as, the last time."""
    lost: str = ""
    """Why the port is not open, as far as was told."""
    unheard: bool = False
    """Nothing came through the open port, and since then still nothing has, however often it was opened."""
    battery_low: bool = False
    """The newest value said so."""
    complaint: str | None = None
    """Why the gauge is not to be used although its port is open, as far as was told."""


class OpenPorts:
    """The ports of the gauges that are open. `events` holds what they deliver, and what made one fail.

    Args:
        descriptions: of the gauges to open, by name.
        system: where USB serial numbers are looked up.

    Raises:
        JournalError, RecordingError: a recording cannot be started. Nothing is left open.
    """

    def __init__(
        self,
        home: Home,
        bench: Bench,
        method: Method,
        journal: Journal,
        descriptions: Mapping[str, GaugeDescription],
        *,
        clock: Clock,
        system: SystemPorts,
        shortest_limit_s: float,
    ) -> None:
        self._home, self._bench, self._method, self._journal = home, bench, method, journal
        self._clock, self._system, self._shortest_limit_s = clock, system, shortest_limit_s
        self.events: queue.Queue[PortEvent | Exception] = queue.Queue(QUEUE_EVENTS)
        self.gauges: dict[str, OpenGauge] = {}
        self.on_port: dict[str, list[OpenGauge]] = {}
        self._closing = False
        try:
            for group in bench.lines(list(descriptions)):
                self._prepare(
                    {
                        name: GaugeStream(
                            descriptions[name],
                            self._capture(descriptions[name].quantity),
                            place=place,
                            places=len(group),
                        )
                        for place, name in enumerate(group)
                    }
                )
        except BaseException:
            self.close()
            raise

    def _capture(self, quantity: str) -> dict[str, float | None]:
        """Capture settings that the method chooses."""
        chosen = chosen_by(self._method, self._bench.gravity(), quantity)
        if chosen and self._shortest_limit_s:
            # On a clock that runs fast, bytes are handed over late by as much more.
            chosen["min_gap_s"] = self._shortest_limit_s
        return chosen

    def _prepare(self, streams: dict[str, GaugeStream]) -> None:
        """Makes one port ready, for one gauge or for all on its line; they share its recording."""
        line_name = "+".join(streams)
        port = self._bench.gauge(next(iter(streams))).port
        first = next(iter(streams.values())).description
        path = self._home.recordings / f"{self._clock.utc():%Y%m%dT%H%M%S.%fZ}-{line_name}.rec"
        self._home.recordings.mkdir(exist_ok=True)
        header = Header(
            driver=first.name,
            description_sha256=first.sha256 if len(streams) == 1 else None,
            device=line_name,
            port=port,
            scenario=self._bench.name,
        )
        contact = first.settings if isinstance(first.settings, ContactSettings) else None
        connect = connect_to(
            parse_address(port),
            first.serial,
            contact=None if contact is None else (contact, self._clock),
            ports=self._system,
        )
        with ExitStack() as undo:
            recorder = Recorder(path, header, self._clock)
            undo.callback(recorder.close)
            for name, stream in streams.items():
                self._announce_stream(name, stream, recorder)
            undo.pop_all()
        owner = PortOwner(
            line_name,
            connect,
            [
                Poll(name, stream.description.timing, make_driver(stream.description).plan())
                for name, stream in streams.items()
            ],
            recorder=recorder,
            clock=self._clock,
            deliver=partial(self.events.put, timeout=0.1),
            on_failure=self.failed,
            shortest_limit_s=self._shortest_limit_s,
        )
        source = Source(path.name, recorder.start_utc)
        for name, stream in streams.items():
            line = Line(name, source, recorder.sync, stream, stream.t_source)
            self.gauges[name] = OpenGauge(line, owner, recorder, Health(stream, port, self._others(streams)))
        self.on_port[line_name] = [self.gauges[name] for name in streams]

    def _others(self, streams: dict[str, GaugeStream]) -> dict[str, GaugeDescription]:
        """The bench's gauges that are plugged in elsewhere, each kind once."""
        own = {stream.description.sha256 for stream in streams.values()}
        found = {
            name: self._home.description(self._bench.gauge(name).description)
            for name in self._bench.with_port
        }
        return {name: one for name, one in found.items() if name not in streams and one.sha256 not in own}

    def _announce_stream(self, name: str, stream: GaugeStream, recorder: Recorder) -> None:
        """Writes down all that is needed to get this recording's readings out of its bytes again."""
        self._journal.append(
            "stream",
            StreamStart(
                recording=recorder.path.name,
                gauge=name,
                description=stream.description.name,
                description_text=stream.description.text,
                description_sha256=stream.description.sha256,
                capture=stream.chosen,
                capture_version=CAPTURE_VERSION,
                place=stream.place,
                places=stream.places,
                t_utc=recorder.start_utc,
            ),
            t_utc=recorder.start_utc,
            t_mono_ns=self._clock.monotonic_ns(),
        )

    def start(self) -> None:
        """Lets the ports' threads begin."""
        for sharing in self.on_port.values():
            sharing[0].owner.start()

    def close(self) -> None:
        """One that fails to close does not keep the others open."""
        self._closing = True
        for one in self.gauges.values():
            one.owner.request_stop()
        with ExitStack() as last_to_first:
            for one, *_ in self.on_port.values():
                last_to_first.callback(one.recorder.close)
                if one.owner.running:
                    last_to_first.callback(one.owner.stop)

    def failed(self, error: Exception) -> None:
        """Called on a port's thread: the pump must see it, even if the queue is full."""
        while not self._closing:
            try:
                self.events.put(error, timeout=0.1)
            except queue.Full:
                continue
            return
