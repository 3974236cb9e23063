"""The gauges and whether each is right: state, next check, drift, and a form to begin a check."""

import base64
import threading
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from acquire.bench import Bench
from acquire.calibration.day import forecast_in_words, in_words
from acquire.calibration.references import channels_of
from acquire.drifting import Drift, drifts
from acquire.home import Home
from acquire.model import CalibrationState
from acquire.outputs.drift_table import basis_in_words, row_cells
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.forms import Done, Faults, Form, Sent, answer, checked, form_number
from acquire.outputs.screen.views.safely import safely
from acquire.outputs.words import SYMBOLS
from acquire.overview import GaugeState, overview
from drivers.keys import OneLine

LOOKS = {
    CalibrationState.IN_TOLERANCE: "good",
    CalibrationState.UNCHECKED: "warn",
    CalibrationState.OVERDUE: "warn",
    CalibrationState.OUT_OF_TOLERANCE: "bad",
    CalibrationState.DOUBTFUL: "bad",
}
_KIND_FOR = {"force": "weight", "gloss": "tile", "count": "strokes"}
CAUTIONS = {
    "weight": "Hang weights low, over nothing they could hurt, toes included.",
    "strokes": "The carriage traps fingers at both ends: hands clear before starting.",
    "tile": "A tile is glass: hold it by its edge, and clean it only as its certificate allows.",
}
_DRAWING = threading.Lock()
"""The plotting library keeps its settings for the whole program: one figure at a time."""


class BeginCheck(Form):
    """A check to be begun."""

    against: OneLine
    """Reference, and behind a bar its angle where it has several."""
    repeats: Annotated[int, Field(ge=1, le=50)] = 3


@dataclass(frozen=True, slots=True)
class Choice:
    """A reference that a gauge can be checked against."""

    value: str
    words: str


@dataclass(frozen=True, slots=True)
class GaugeCard:
    """One gauge on the page, with its state at each of its angles."""

    name: str
    states: list[GaugeState]
    choices: list[Choice]
    caution: str
    connected: bool


def routes(screen: Screen) -> list[BaseRoute]:
    """`/checks`, `POST /checks/GAUGE`, `/drift/GAUGE`."""

    def page(sent: Sent, faults: Faults, blamed: str = "") -> Response:
        bench = screen.home.bench()
        with screen.home.journal(readonly=True) as journal:
            states = overview(journal, screen.home, screen.clock.utc())
        return screen.page(
            "checks.html",
            here="/checks",
            cards=_cards(states, bench, screen.home),
            looks=LOOKS,
            number=form_number(),
            sent=sent.words,
            faults=faults,
            blamed=blamed,
        )

    def begin(gauge: str, sent: Sent) -> Done:
        wanted = checked(BeginCheck, sent.words)
        reference, _, channel = wanted.against.partition("|")
        order: dict[str, Any] = {"gauge": gauge, "reference": reference, "repeats": wanted.repeats}
        if channel:
            order["channel"] = channel
        return Done("/", screen.orders.give("check", order))

    def drift(gauge: str, since: str | None) -> Response:
        with screen.home.journal(readonly=True) as journal:
            found = drifts(journal, screen.home.bench(), gauge, since=since)
        return screen.page(
            "drift.html",
            here="/checks",
            gauge=gauge,
            since=since or "",
            charts=[_chart(one) for one in found],
        )

    async def checks(request: Request) -> Response:
        return await run_in_threadpool(safely, screen, lambda: page(Sent(), {}))

    async def check(request: Request) -> Response:
        gauge = request.path_params["gauge"]
        return await answer(
            request,
            lambda sent: begin(gauge, sent),
            lambda sent, faults: safely(screen, lambda: page(sent, faults, gauge)),
        )

    async def drifting(request: Request) -> Response:
        gauge, since = request.path_params["gauge"], request.query_params.get("since") or None
        return await run_in_threadpool(safely, screen, lambda: drift(gauge, since))

    return [
        Route("/checks", checks),
        Route("/checks/{gauge}", check, methods=["POST"]),
        Route("/drift/{gauge}", drifting),
    ]


def _cards(states: list[GaugeState], bench: Bench, home: Home) -> list[GaugeCard]:
    found: dict[str, list[GaugeState]] = {}
    for one in states:
        found.setdefault(one.gauge, []).append(one)
    return [_card(name, own, bench, home) for name, own in found.items()]


def _card(name: str, states: list[GaugeState], bench: Bench, home: Home) -> GaugeCard:
    quantity = home.description(bench.gauge(name).description).quantity
    kind = _KIND_FOR.get(quantity, "")
    choices = [
        Choice(
            reference if channel is None else f"{reference}|{channel}",
            reference if channel is None else f"{reference} at {channel}°",
        )
        for reference, one in bench.references.items()
        if one.kind == kind
        for channel in channels_of(bench, reference)
    ]
    return GaugeCard(name, states, choices, CAUTIONS.get(kind, ""), name in bench.with_port)


@dataclass(frozen=True, slots=True)
class _Chart:
    """One series of checks on the page."""

    title: str
    source: str
    """The figure, as a URL that holds it."""
    said: list[str]
    rows: list[list[str]]
    unit: str


def _chart(one: Drift) -> _Chart:
    # The plotting library takes a while to load, and no other page needs it.
    from acquire.outputs.drift_figure import draw_drift

    study = one.study
    with _DRAWING:
        drawn = draw_drift(one, "svg", title=False)
    said = (in_words(study), forecast_in_words(study), basis_in_words(study))
    day = study.start.astimezone(study.zone)
    return _Chart(
        title=f"{study.series.name}, from {day:%Y-%m-%d}",
        source=f"data:image/svg+xml;base64,{base64.b64encode(drawn).decode('ascii')}",
        said=[words for words in said if words],
        rows=row_cells(one),
        unit=SYMBOLS.get(study.series.unit, study.series.unit),
    )
