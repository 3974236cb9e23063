"""The screen's web application: pages, events, orders, put behind the gate."""

import json
import mimetypes
from collections.abc import AsyncGenerator, Iterable
from contextlib import aclosing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from acquire.clock import Clock
from acquire.errors import ConfigError, PanelwrightError
from acquire.home import Home
from acquire.live import Live
from acquire.outputs.screen.access import COOKIE, SESSION_DAYS, Admissions, Gate, json_no
from acquire.outputs.screen.events import Openings
from acquire.outputs.screen.forms import read_form
from acquire.outputs.screen.orders import Orders
from acquire.outputs.screen.present import Present
from acquire.service.desk import Desk

HERE = Path(__file__).parent
MOST_BODY_BYTES = 64 * 1024
MOST_PAIR_BYTES = 4096
PAGES = (
    ("/", "Bench"),
    ("/trials", "Trials"),
    ("/checks", "Checks"),
    ("/standings", "Standings"),
    ("/setup", "Set-up"),
)
"""What every page links to, in order."""

# Browsers take no module of another type, and on Windows the registry may say that ".js" is plain text.
mimetypes.add_type("text/javascript", ".js")


@dataclass(frozen=True)
class Screen:
    """All that the pages need of the bench. `openings.changed` is to be told what the desk arms."""

    home: Home
    desk: Desk
    live: Live
    clock: Clock
    admissions: Admissions | None = None
    """None: only this machine can call."""
    secure: bool = False
    """Served by TLS."""

    @cached_property
    def openings(self) -> Openings:
        return Openings(self.live, self.desk, self.clock)

    @cached_property
    def orders(self) -> Orders:
        return Orders(self.home, self.desk, self.clock)

    @cached_property
    def present(self) -> Present:
        return Present(self.home, self.clock)

    @cached_property
    def pages(self) -> Environment:
        return Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    @cached_property
    def bench_name(self) -> str:
        return self.home.bench().name

    def page(self, name: str, status: int = 200, /, **words: object) -> Response:
        """A page from its template. `here`: which of `PAGES` it is, or is part of."""
        known = {"pages": PAGES, "here": "", "bench_name": self.bench_name}
        return HTMLResponse(self.pages.get_template(name).render({**known, **words}), status)


def make_app(screen: Screen, *, hosts: Iterable[str], routes: Iterable[BaseRoute] = ()) -> Gate:
    """The application.

    Args:
        hosts: names and addresses under which the bench may be called.
        routes: further pages; see `acquire.outputs.screen.views`.
    """

    async def events(request: Request) -> Response:
        # A page that opens the stream anew itself cannot send the header.
        last = request.headers.get("last-event-id") or request.query_params.get("last")
        stream = _while_let_in(screen.admissions, request, screen.openings.stream(last))
        return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})

    async def order(request: Request) -> Response:
        try:
            body = await json_body(request)
            said = await run_in_threadpool(screen.orders.give, request.path_params["name"], body)
        except PanelwrightError as error:
            return json_no(error)
        return _said(said)

    async def pair(request: Request) -> Response:
        if screen.admissions is None:
            return RedirectResponse("/", 303)
        if request.method == "GET":
            return screen.page("pair.html", wrong="")
        label = request.headers.get("user-agent", "")
        try:
            # Whoever can reach the bench may send this: no more is read than a code needs.
            form = await read_form(request, MOST_PAIR_BYTES)
            key = await run_in_threadpool(screen.admissions.pair, form.words.get("code", ""), label)
        except ConfigError as error:
            return screen.page("pair.html", 429, wrong=f"{error}: {error.hint}")
        if key is None:
            return screen.page("pair.html", 403, wrong="That is not the code shown on the bench machine.")
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE,
            key,
            max_age=SESSION_DAYS * 86400,
            httponly=True,
            samesite="strict",
            secure=screen.secure,
        )
        return answer

    inner = Starlette(
        routes=[
            Route("/events", events),
            Route("/do/{name}", order, methods=["POST"]),
            Route("/pair", pair, methods=["GET", "POST"]),
            Mount("/static", StaticFiles(directory=HERE / "static")),
            *routes,
        ]
    )
    return Gate(
        inner,
        hosts=hosts,
        admissions=screen.admissions,
        overlay=("/overlay", "/events", "/static"),
        free=("/pair", "/static"),
        secure=screen.secure,
    )


async def _while_let_in(
    admissions: Admissions | None, request: Request, stream: AsyncGenerator[bytes, None]
) -> AsyncGenerator[bytes, None]:
    """Ends a stream once whoever it goes to is let in no longer: it may be open for weeks."""
    keys = (request.cookies.get(COOKIE), request.query_params.get("key"))
    async with aclosing(stream):
        async for event in stream:
            if admissions is not None and not any(admissions.may(key) for key in keys):
                return
            yield event


def _said(text: str) -> Response:
    return Response(json.dumps({"said": text}), media_type="application/json")


async def json_body(request: Request) -> object:
    """The body of an order.

    Raises:
        ConfigError: it is too long, or no JSON.
    """
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY_BYTES:
            raise ConfigError("that is too much for one order", hint="reload the page")
    if not body:
        return {}
    try:
        return json.loads(body)
    except ValueError as error:
        raise ConfigError("an order is JSON", hint="reload the page") from error
