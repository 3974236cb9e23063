"""Set-up: ports, gauges, references, listening to an unknown gauge, overlay links, paired browsers."""

import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from typing import Annotated

from pydantic import StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from acquire.address import SerialPath, UsbAddress, parse_address
from acquire.bench import Bench, Reference
from acquire.errors import ConfigError
from acquire.outputs.screen.access import Admissions
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.forms import Done, Faults, Form, Sent, answer, checked, form_number
from acquire.outputs.screen.listening import Listening
from acquire.outputs.screen.views.checks import LOOKS
from acquire.outputs.screen.views.safely import safely
from acquire.overview import overview
from acquire.ports import PortInfo, list_ports
from acquire.tables import Strokes, Tile, Weight
from drivers.keys import OneLine

Ports = Callable[[], list[PortInfo]]
PORT_WORDS = {
    "open": ("open", "good"),
    "waiting": ("waiting for its port", "warn"),
    "lost": ("lost", "bad"),
    "trouble": ("in trouble", "bad"),
}


class Listen(Form):
    """Listen at a port, by its place in the list that the page showed."""

    device: OneLine


class NewLink(Form):
    label: OneLine = "overlay"


class Withdraw(Form):
    digest: Annotated[str, StringConstraints(pattern="^[0-9a-f]{64}$")]


@dataclass(frozen=True, slots=True)
class _PortRow:
    """A serial port of this machine."""

    port: PortInfo
    gauges: list[str]


@dataclass(frozen=True, slots=True)
class _GaugeRow:
    """A gauge of the bench file."""

    name: str
    description: str
    port: str
    word: str
    look: str
    said: str


@dataclass(frozen=True, slots=True)
class _ReferenceRow:
    name: str
    worth: str
    certificate: str
    due: date | None
    overdue: bool
    care: str


def unopened() -> list[PortInfo]:
    """This machine's ports; none is opened to list them, which some gauges would take as a reset."""
    return list_ports(probe=False)


def routes(screen: Screen, ports: Ports = unopened, listening: Listening | None = None) -> list[BaseRoute]:
    """`/setup`, and orders below it: `listen`, `links`, `withdraw`; `/setup/listening.json`.

    Args:
        ports: where the list of ports comes from.
        listening: how an unknown gauge is listened to.
    """
    ear = listening or Listening(screen.clock)

    def page(sent: Sent, faults: Faults, which: str = "", new_link: str = "") -> Response:
        bench, now = screen.home.bench(), screen.clock.utc()
        with screen.home.journal(readonly=True) as journal:
            states = overview(journal, screen.home, now)
        found = ports()
        today = now.astimezone(bench.zone).date()
        return screen.page(
            "setup.html",
            here="/setup",
            bench=bench,
            ports=[_PortRow(port, used_by(port, bench)) for port in found],
            gauges=_gauges(screen, bench),
            references=[_reference(name, one, today) for name, one in bench.references.items()],
            states=states,
            looks=LOOKS,
            attempt=ear.attempt,
            admissions=None if screen.admissions is None else screen.admissions.known,
            new_link=new_link,
            number=form_number(),
            sent=sent.words,
            faults=faults,
            which=which,
            zone=bench.zone,
        )

    def listen(sent: Sent) -> Done:
        wanted = checked(Listen, sent.words)
        # A browser chooses among the ports there are; what it sends is compared, never opened.
        port = next((one for one in ports() if one.device == wanted.device), None)
        if port is None:
            raise ConfigError("that port is no longer there", hint="look at the list again")
        gauges = used_by(port, screen.home.bench())
        if gauges:
            raise ConfigError(
                f"{port.device} belongs to {', '.join(gauges)}", hint="choose a port without a gauge"
            )
        ear.begin(port)
        return Done("/setup#listening", f"listening at {port.device}")

    def withdraw(sent: Sent) -> Done:
        wanted = checked(Withdraw, sent.words)
        _must_have(screen).withdraw(wanted.digest)
        return Done("/setup#browsers", "withdrawn")

    async def link(request: Request) -> Response:
        made: list[str] = []

        def make(sent: Sent) -> Done:
            wanted = checked(NewLink, sent.words)
            made.append(f"/overlay?key={_must_have(screen).admit('overlay', wanted.label)}")
            return Done("/setup", "the link is made")

        shown = await answer(request, make, lambda sent, faults: again("links", sent, faults))
        # The key is told once and kept nowhere: it is shown on the answer itself.
        if made:
            return await run_in_threadpool(safely, screen, lambda: page(Sent(), {}, new_link=made[0]))
        return shown

    def again(which: str, sent: Sent, faults: Faults) -> Response:
        return safely(screen, lambda: page(sent, faults, which))

    async def setup(request: Request) -> Response:
        return await run_in_threadpool(safely, screen, lambda: page(Sent(), {}))

    async def begin_listening(request: Request) -> Response:
        return await answer(request, listen, lambda sent, faults: again("listen", sent, faults))

    async def end_one(request: Request) -> Response:
        return await answer(request, withdraw, lambda sent, faults: again("withdraw", sent, faults))

    async def heard(request: Request) -> Response:
        return JSONResponse(None if ear.attempt is None else asdict(ear.attempt))

    return [
        Route("/setup", setup),
        Route("/setup/listen", begin_listening, methods=["POST"]),
        Route("/setup/listening.json", heard),
        Route("/setup/links", link, methods=["POST"]),
        Route("/setup/withdraw", end_one, methods=["POST"]),
    ]


def used_by(port: PortInfo, bench: Bench) -> list[str]:
    """The gauges of the bench that are on a port."""
    return [name for name in bench.with_port if _is_on(bench.gauge(name).port, port)]


def _is_on(text: str, port: PortInfo) -> bool:
    match parse_address(text):
        case SerialPath(path=path):
            return os.path.realpath(path) == os.path.realpath(port.device)
        case UsbAddress(serial_number=number):
            return number == port.usb_serial_number
        case _:
            return False


def _must_have(screen: Screen) -> Admissions:
    if screen.admissions is None:
        raise ConfigError("this bench has no links", hint="only its own machine can open its screen")
    return screen.admissions


def _gauges(screen: Screen, bench: Bench) -> list[_GaugeRow]:
    seen = {one.gauge: one for one in screen.live.snapshot().gauges}
    rows = []
    for name, gauge in bench.gauges.items():
        if name in seen:
            word, look = PORT_WORDS[seen[name].port]
        else:
            word, look = ("typed in", "") if gauge.port == "none" else ("not running", "warn")
        said = seen[name].said if name in seen else ""
        rows.append(_GaugeRow(name, gauge.description, gauge.port, word, look, said))
    return rows


def _reference(name: str, one: Reference, today: date) -> _ReferenceRow:
    match one:
        case Weight():
            worth = f"{one.mass_g:g} g ± {one.expanded_uncertainty:g} g"
        case Tile():
            values = ", ".join(f"{value:g} GU at {angle}°" for angle, value in one.gloss_gu.items())
            worth = f"{values}, ± {one.expanded_uncertainty:g} GU"
        case Strokes():
            worth = f"{one.strokes} strokes, counted by hand"
    due = one.due
    return _ReferenceRow(name, worth, one.certificate, due, due is not None and due < today, one.care or "")
