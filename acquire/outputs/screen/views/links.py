"""Read-only links for overlays: made here, opened without pairing, withdrawn one by one."""

from typing import Annotated, TypeVar

from pydantic import StringConstraints, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from acquire.errors import ConfigError, PanelwrightError
from acquire.outputs.screen.access import json_no
from acquire.outputs.screen.app import Screen, json_body
from acquire.outputs.screen.orders import Order
from drivers.keys import OneLine, faults

_O = TypeVar("_O", bound=Order)


class NewLink(Order):
    label: OneLine = "overlay"


class Withdrawal(Order):
    digest: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


def routes(screen: Screen) -> list[BaseRoute]:
    """`POST /links` with {label} gives {path}; `POST /links/withdraw` with {digest} ends one."""

    async def make(request: Request) -> Response:
        try:
            wanted = _checked(NewLink, await json_body(request))
            if screen.admissions is None:
                return JSONResponse({"path": "/overlay"})
            key = await run_in_threadpool(screen.admissions.admit, "overlay", wanted.label)
        except PanelwrightError as error:
            return json_no(error)
        return JSONResponse({"path": f"/overlay?key={key}"})

    async def withdraw(request: Request) -> Response:
        try:
            wanted = _checked(Withdrawal, await json_body(request))
            if screen.admissions is None:
                raise ConfigError("this bench has no links", hint="only its own machine can open its screen")
            gone_n = await run_in_threadpool(screen.admissions.withdraw, wanted.digest)
        except PanelwrightError as error:
            return json_no(error)
        return JSONResponse({"withdrawn": gone_n})

    return [
        Route("/links", make, methods=["POST"]),
        Route("/links/withdraw", withdraw, methods=["POST"]),
    ]


def _checked(model: type[_O], body: object) -> _O:
    try:
        return model.model_validate(body)
    except ValidationError as error:
        raise ConfigError("; ".join(faults(error, model)), hint="reload the page") from error
