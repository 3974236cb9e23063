"""Everything a bench runs all day, put together, started and ended in order."""

import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import FrameType

from acquire.clock import Clock
from acquire.errors import PanelwrightError
from acquire.home import Home
from acquire.live import Live
from acquire.notes import Note
from acquire.outputs.mqtt import BusSettings, run_bus
from acquire.outputs.screen.access import LOOPBACK, Admissions, is_loopback
from acquire.outputs.screen.app import Screen, make_app
from acquire.outputs.screen.server import Certificate, WebServer
from acquire.outputs.screen.views import routes
from acquire.service import Service
from acquire.service.desk import Armed, Desk

BUS_AGAIN_S = 30.0
BUS_END_S = 1.5
QUIET = ("strokes",)
"""Kinds of notes that are not written to the console: they come all day."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the screen is to be found."""

    host: str = "127.0.0.1"
    port: int = 8460
    names: tuple[str, ...] = ()
    certificate: Certificate | None = None

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names and addresses a browser may call it by."""
        own = () if is_loopback(self.host) else (self.host, socket.gethostname(), *_addresses(self.host))
        return (*LOOPBACK, *own, *self.names)


def serve_bench(
    home: Home,
    address: Address,
    *,
    clock: Clock,
    say: Callable[[str], None],
    forget_browsers: bool = False,
    shortest_limit_s: float = 0.0,
    bus: BusSettings | None = None,
) -> None:
    """Serves until the process is told to end (Ctrl-C, SIGTERM). Runs the gauges on the calling thread.

    Args:
        bus: the broker to publish to; None: no bus.

    Raises:
        PanelwrightError: something cannot be started; what was started is ended again.
    """
    live = Live()

    def tell(note: Note) -> None:
        if note.kind not in QUIET:
            say(f"{clock.utc():%H:%M:%S}  {note.gauge + ': ' if note.gauge else ''}{note.text}")

    def changed(armed: Armed | None) -> None:
        screen.openings.changed(armed)

    desk = Desk(
        home,
        # Notes of the service reach the hub by themselves; the desk's own go there too.
        lambda _: Service(home, clock=clock, tell=tell, shortest_limit_s=shortest_limit_s, live=live),
        clock=clock,
        tell=live.beside(tell),
        changed=changed,
    )
    admissions = None
    if not is_loopback(address.host):
        admissions = Admissions(home.folder / "paired-browsers.json", clock)
        if forget_browsers:
            admissions.withdraw()
    screen = Screen(home, desk, live, clock, admissions, secure=address.certificate is not None)
    app = make_app(screen, hosts=address.hosts, routes=routes(screen))
    stop = threading.Event()
    with (
        _ended_by_signals(stop),
        WebServer(app, host=address.host, port=address.port, certificate=address.certificate) as server,
        ExitStack() as stack,
    ):
        scheme = "https" if screen.secure else "http"
        say(f"The screen is at {scheme}://{_shown(address.host)}:{server.port}/")
        if admissions is not None:
            say(f"A browser that has not been here before asks for this code: {_spaced(admissions.code)}")
        if bus is not None:
            stack.enter_context(_on_bus(home, live, bus, clock, say))
        desk.run(stop)
    screen.present.close()
    say("Ended. What was taken is kept.")


@contextmanager
def _on_bus(
    home: Home, live: Live, settings: BusSettings, clock: Clock, say: Callable[[str], None]
) -> Iterator[None]:
    """Keeps the bench on the bus from a thread of its own; whatever becomes of that, the bench goes on."""
    home.journal().close()  # the bus reads it, and a new bench has none yet
    stop = threading.Event()

    def run() -> None:
        while not stop.is_set():
            try:
                run_bus(home, live, settings, stop, clock=clock, say=lambda text: say(f"bus: {text}"))
            except (PanelwrightError, OSError) as error:
                hint = getattr(error, "hint", "")
                say(f"bus: {error}" + (f"; {hint}" if hint else "") + "; tried again every half minute")
                stop.wait(BUS_AGAIN_S)

    # Not waited for beyond reason: a broker that does not answer must not hold up the end, and what was not
    # delivered is delivered next time.
    thread = threading.Thread(target=run, name="bus", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(BUS_END_S)


@contextmanager
def _ended_by_signals(stop: threading.Event) -> Iterator[None]:
    def end(number: int, frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _addresses(host: str) -> list[str]:
    """This machine's addresses, if it listens at all of them."""
    if host not in ("0.0.0.0", "::"):
        return []
    try:
        found = socket.getaddrinfo(socket.gethostname(), None)
    except OSError:
        return []
    return sorted({str(entry[4][0]) for entry in found})


def _shown(host: str) -> str:
    if host in ("0.0.0.0", "::"):
        return socket.gethostname()
    return f"[{host}]" if ":" in host else host


def _spaced(code: str) -> str:
    return f"{code[:4]} {code[4:]}"
