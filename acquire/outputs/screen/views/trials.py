"""The list of trials, and a form to open one."""

from typing import Annotated, Any

from pydantic import StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from acquire.answers import open_trial
from acquire.errors import ConfigError
from acquire.journal import Journal
from acquire.model import Trial
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.forms import Done, Faults, Form, Sent, UnfitError, answer, checked, form_number
from acquire.outputs.screen.steps import trial_view
from acquire.outputs.screen.views.safely import safely
from acquire.panels import panels_of_bench
from acquire.plan import must_serve
from acquire.progress import open_trials
from acquire.trials import trials_of
from drivers.keys import OneLine


class NewTrial(Form):
    """A trial to be opened."""

    id: Annotated[str, StringConstraints(pattern="^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
    product: OneLine
    product_class: OneLine | None = None
    panels: OneLine
    """Their names, apart by commas."""
    control: bool = False
    without_protocol: bool = False

    @property
    def named(self) -> tuple[str, ...]:
        return tuple(one.strip() for one in self.panels.split(",") if one.strip())


def routes(screen: Screen) -> list[BaseRoute]:
    """`/trials`: GET lists them, POST opens one."""

    def page(sent: Sent, faults: Faults) -> Response:
        with screen.home.journal(readonly=True) as journal:
            rows = _rows(screen, journal)
            used = {panel for one in open_trials(journal) for panel in one.panels}
            panels = [
                one
                for one in panels_of_bench(journal).values()
                if one.retired is None and one.name not in used
            ]
        return screen.page(
            "trials.html",
            here="/trials",
            rows=rows,
            panels=panels,
            number=form_number(),
            sent=sent.words,
            faults=faults,
        )

    def open_new(sent: Sent) -> Done:
        wanted = checked(NewTrial, sent.words)
        protocol = None if wanted.without_protocol else screen.home.protocol()
        if protocol is not None:
            must_serve(protocol, screen.home.method())
        with screen.home.journal() as journal:
            known = trials_of(journal).get(wanted.id)
            if known is None:
                _must_have_panels(wanted)
                open_trial(
                    journal,
                    screen.clock,
                    wanted.id,
                    product=wanted.product,
                    panels=wanted.named,
                    control=wanted.control,
                    product_class=wanted.product_class,
                    protocol=protocol,
                )
            elif not _is(known, wanted):
                # The same form may have come before; another trial of that id is another matter.
                raise UnfitError({"id": (f"there is a trial {wanted.id!r} already", "choose another id")})
        return Done(f"/trial/{wanted.id}", f"trial {wanted.id} is open")

    async def trials(request: Request) -> Response:
        if request.method == "POST":
            return await answer(request, open_new, page)
        return await run_in_threadpool(safely, screen, lambda: page(Sent(), {}))

    return [Route("/trials", trials, methods=["GET", "POST"])]


def _must_have_panels(wanted: NewTrial) -> None:
    if not wanted.named:
        raise UnfitError({"panels": ("this names no panel", "name one or more, apart by commas")})


def _is(known: Trial, wanted: NewTrial) -> bool:
    return (known.product, known.panels, known.control, known.product_class) == (
        wanted.product,
        wanted.named,
        wanted.control,
        wanted.product_class,
    )


def _rows(screen: Screen, journal: Journal) -> dict[str, list[dict[str, Any]]]:
    """Open trials, each with its next step; the others by name alone, as there may be hundreds."""
    method, bench, now = screen.home.method(), screen.home.bench(), screen.clock.utc()
    led = {one.id for one in open_trials(journal)}
    rows: dict[str, list[dict[str, Any]]] = {"open": [], "over": []}
    for trial in trials_of(journal).values():
        told: dict[str, Any] = {"trial": trial, "view": None, "fault": ""}
        if trial.id in led or (trial.protocol is None and not trial.imported):
            try:
                told["view"] = trial_view(journal, bench, method, trial, now)
            except ConfigError as error:
                told["fault"] = str(error)
        view = told["view"]
        rows["over" if (view is None and not told["fault"]) or (view and view.closed) else "open"].append(
            told
        )
    return {name: found[::-1] for name, found in rows.items()}
