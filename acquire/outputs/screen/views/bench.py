"""The bench view, the overlay for a camera mixer, and what both ask for besides the live stream."""

from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from acquire.errors import ConfigError, PanelwrightError
from acquire.outputs.screen.access import json_no
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.events import plain

CORNERS = ("bottom-right", "bottom-left", "top-right", "top-left")
SIZES_PERCENT = (25, 400)
"""Smallest and largest overlay; 100 suits a picture of 1920 by 1080."""


def routes(screen: Screen) -> list[BaseRoute]:
    """`/`, `/overlay`, `/now.json`, `/next.json`."""

    async def bench(request: Request) -> Response:
        return screen.page("bench.html", here="/")

    async def overlay(request: Request) -> Response:
        try:
            size, corner = _size(request), _corner(request)
        except ConfigError as error:
            return screen.page("refused.html", 400, error=str(error), hint=error.hint)
        return screen.page("overlay.html", size=size, corner=corner)

    async def now(request: Request) -> Response:
        return await _told(lambda: screen.present.now(screen.desk.armed))

    async def next_(request: Request) -> Response:
        return await _told(screen.present.next)

    return [
        Route("/", bench),
        Route("/overlay", overlay),
        Route("/now.json", now),
        Route("/next.json", next_),
    ]


async def _told(work_out: Callable[[], dict[str, Any]]) -> Response:
    try:
        return JSONResponse(plain(await run_in_threadpool(work_out)))
    except PanelwrightError as error:
        return json_no(error, 503)


def _size(request: Request) -> int:
    text = request.query_params.get("size", "100")
    least, most = SIZES_PERCENT
    if not (text.isascii() and text.isdigit() and len(text) <= 4 and least <= int(text) <= most):
        raise ConfigError(
            f"an overlay cannot have the size {text[:20]!r}",
            hint=f"say size={least} to size={most}, in per cent",
        )
    return int(text)


def _corner(request: Request) -> str:
    text = request.query_params.get("corner", CORNERS[0])
    if text not in CORNERS:
        raise ConfigError(
            f"an overlay cannot sit in the corner {text[:20]!r}", hint=f"say corner={' or '.join(CORNERS)}"
        )
    return text
