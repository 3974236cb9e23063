"""One trial: what comes next, every step, notes and photographs, where it left its protocol."""

from collections.abc import Iterator
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route

from acquire.answers import trial_named
from acquire.deviations import deviations
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.journal import Journal
from acquire.model import Trial
from acquire.notebook import MOST_PHOTO_BYTES, KeptPhoto, keep_photo, notes_of, photo_named, write_note
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.forms import (
    Done,
    Faults,
    Form,
    Sent,
    UnfitError,
    answer,
    checked,
    form_number,
    once,
)
from acquire.outputs.screen.steps import trial_view
from acquire.outputs.screen.views.safely import safely
from acquire.outputs.screen.views.step import material_for
from acquire.protocol_events import Sealed, Unsealed

PHOTO_TYPES = {"jpg": "image/jpeg", "png": "image/png"}


class NewNote(Form):
    """A note; its photograph comes beside it."""

    text: str = ""
    step: str = ""
    by: str = ""


def routes(screen: Screen) -> list[BaseRoute]:
    """`/trial/ID`, `POST /trial/ID/notes`, `/photo/NAME`."""

    def page(trial_id: str, sent: Sent, faults: Faults) -> Response:
        now = screen.clock.utc()
        bench, method = screen.home.bench(), screen.home.method()
        with screen.home.journal(readonly=True) as journal:
            trial = trial_named(journal, trial_id)
            view = trial_view(journal, bench, method, trial, now)
            return screen.page(
                "trial.html",
                here="/trials",
                view=view,
                notes=notes_of(journal, trial.id)[::-1],
                deviations=deviations(journal, trial, method, now),
                blind=_blind(journal, trial),
                zone=bench.zone,
                number=form_number(),
                note_sent=sent.words,
                note_faults=faults,
                most_bytes=MOST_PHOTO_BYTES,
                **({} if view.next is None else material_for(journal, method, view.next)),
            )

    def note(trial_id: str, sent: Sent) -> Done:
        wanted = checked(NewNote, sent.words)
        kept = None if sent.photo is None else _kept(screen, sent.photo)
        with screen.home.journal() as journal:
            trial = trial_named(journal, trial_id)

            def write() -> object:
                return write_note(
                    journal,
                    screen.clock,
                    trial,
                    wanted.text,
                    step=wanted.step,
                    photo=kept,
                    by=wanted.by,
                    form=wanted.form,
                )

            once(journal, "note", wanted.form, write)
        return Done(f"/trial/{trial.id}#notes", "noted")

    async def trial_page(request: Request) -> Response:
        trial_id = request.path_params["trial"]
        return await run_in_threadpool(safely, screen, lambda: page(trial_id, Sent(), {}))

    async def notes(request: Request) -> Response:
        trial_id = request.path_params["trial"]
        return await answer(
            request,
            lambda sent: note(trial_id, sent),
            lambda sent, faults: safely(screen, lambda: page(trial_id, sent, faults)),
            # A photograph that is a little too large shall be told so, not cut off.
            most_bytes=3 * MOST_PHOTO_BYTES,
        )

    async def photo(request: Request) -> Response:
        return await run_in_threadpool(
            safely, screen, lambda: _photo(screen, str(request.path_params["name"]))
        )

    return [
        Route("/trial/{trial}", trial_page),
        Route("/trial/{trial}/notes", notes, methods=["POST"]),
        Route("/photo/{name}", photo),
    ]


def _kept(screen: Screen, data: bytes) -> KeptPhoto:
    try:
        return keep_photo(screen.home, data)
    except ConfigError as error:
        raise UnfitError({"photo": (str(error), error.hint)}) from error


def _photo(screen: Screen, name: str) -> Response:
    with screen.home.journal(readonly=True) as journal:
        found = photo_named(journal, name)
    # The name is the journal's own: what a browser asks for never becomes a path.
    place = None if found is None else screen.home.photos / found.name
    if found is None or place is None or not place.is_file():
        raise ConfigError("there is no such photograph", hint="go back to the trial")
    return FileResponse(place, media_type=PHOTO_TYPES[found.kind], headers={"Cache-Control": "max-age=86400"})


def _blind(journal: Journal, trial: Trial) -> dict[str, Any] | None:
    """What may be said of a trial's seal; None: it has none."""
    opened = {one.id for _, one in facts(journal, "unsealed", Unsealed)}
    return next(_seals(journal, trial, opened), None)


def _seals(journal: Journal, trial: Trial, opened: set[str]) -> Iterator[dict[str, Any]]:
    for _, sealed in facts(journal, "sealed", Sealed):
        letter = next((one for one, id_ in sealed.trials.items() if id_ == trial.id), None)
        if letter is not None:
            yield {"id": sealed.id, "letter": letter, "order": sealed.order, "open": sealed.id in opened}
