"""What a person types on a page: read with a limit, checked, written once, answered as a page or as data.

    browser ──POST──> read_form ──Form──> carried out, once ──> another page, or faults at their fields

Every form works without a script. With one, what was typed is kept in the browser until the bench has said
that it is written, and is sent again with the same number: see static/forms.js.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, TypeVar
from uuid import uuid4

from pydantic import ConfigDict, StringConstraints, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import Message, Receive

from acquire.errors import ConfigError, JournalError, PanelwrightError
from acquire.journal import Journal
from acquire.model import Model

MOST_FORM_BYTES = 64 * 1024
MOST_FIELDS = 40

Faults = dict[str, tuple[str, str]]
"""What is wrong and what to do next, by field; the empty name stands for the whole form."""
FormNumber = Annotated[str, StringConstraints(pattern="^[0-9a-f]{32}$")]


class Form(Model):
    """Base of all forms: unknown fields are refused. A field left empty counts as not there."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=False, str_strip_whitespace=True, allow_inf_nan=False
    )

    form: FormNumber
    """The same in what is sent again because the answer never came."""


class UnfitError(PanelwrightError):
    """What a form says cannot be."""

    def __init__(self, faults: Faults) -> None:
        what, hint = next(iter(faults.values()))
        super().__init__(what, hint=hint)
        self.faults = faults


@dataclass(frozen=True, slots=True)
class Sent:
    """What came of a form."""

    words: dict[str, str] = field(default_factory=dict)
    """By field; empty ones left out."""
    photo: bytes | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """What came of it: where to go on, and what was done in words."""

    location: str
    said: str


_F = TypeVar("_F", bound=Form)


def form_number() -> str:
    """For a form that is handed out anew."""
    return uuid4().hex


async def read_form(request: Request, most_bytes: int = MOST_FORM_BYTES) -> Sent:
    """Reads a form.

    Raises:
        ConfigError: it is longer than `most_bytes`, or no form.
    """
    limited = Request(request.scope, _at_most(most_bytes, request.receive))
    try:
        async with limited.form(max_files=1, max_fields=MOST_FIELDS, max_part_size=MOST_FORM_BYTES) as form:
            words: dict[str, str] = {}
            photo = None
            for name, value in form.multi_items():
                if isinstance(value, UploadFile):
                    photo = await value.read() or None
                elif value.strip():
                    words[name] = value
    except HTTPException as error:
        raise ConfigError(f"that is no form: {error.detail}", hint="reload the page") from error
    return Sent(words, photo)


def _at_most(most_bytes: int, receive: Receive) -> Receive:
    got_n = 0

    async def counted() -> Message:
        nonlocal got_n
        message = await receive()
        got_n += len(message.get("body", b""))
        if got_n > most_bytes:
            raise ConfigError("that is too much for one form", hint="send less at once")
        return message

    return counted


def checked(model: type[_F], words: dict[str, str]) -> _F:
    """A form as its model.

    Raises:
        UnfitError: with each fault at its field.
    """
    try:
        return model.model_validate(words)
    except ValidationError as error:
        faults: Faults = {}
        for one in error.errors(include_url=False):
            name = str(one["loc"][0]) if one["loc"] else ""
            at = name if name in model.model_fields and name != "form" else ""
            faults.setdefault(at, _fault(one["type"], one["msg"]) if at else _OUTDATED)
        raise UnfitError(faults) from error


_OUTDATED = ("this page is of another version of the program", "reload it")


def _fault(kind: str, said: str) -> tuple[str, str]:
    if kind == "missing":
        return "this is missing", "fill it in"
    return said.removeprefix("Value error, ").removeprefix("Input "), "correct it, then send it again"


def once(journal: Journal, kind: str, form: str, write: Callable[[], object]) -> None:
    """Writes what a form says unless it was written before: its answer may never have reached the browser.

    Raises:
        PanelwrightError: what `write` raises.
    """
    written = f"{kind}.{form}"
    if journal.find(written) is not None:
        return
    try:
        write()
    except JournalError:
        # The same form may come twice at the same time.
        if journal.find(written) is None:
            raise


def hint_here(error: PanelwrightError) -> str:
    """The error's hint, unless it names a command: there is none to type on a page."""
    return "" if "panelwright " in error.hint or "--" in error.hint else error.hint


async def answer(
    request: Request,
    carry_out: Callable[[Sent], Done],
    again: Callable[[Sent, Faults], Response],
    *,
    most_bytes: int = MOST_FORM_BYTES,
) -> Response:
    """Answers a form: goes on to another page, or shows it again with what was typed and what is wrong.

    Args:
        carry_out: called on a thread of its own, as `again` is.
        again: the page with the form; the answer's status is set here.
    """
    sent = Sent()
    try:
        sent = await read_form(request, most_bytes)
        done = await run_in_threadpool(carry_out, sent)
    except UnfitError as error:
        faults = error.faults
    except PanelwrightError as error:
        faults = {"": (str(error), hint_here(error))}
    else:
        if _wants_data(request):
            return JSONResponse({"location": done.location, "said": done.said})
        return RedirectResponse(done.location, 303)
    if _wants_data(request):
        return JSONResponse({"faults": faults}, 422)
    shown = await run_in_threadpool(again, sent, faults)
    shown.status_code = max(shown.status_code, 422)
    return shown


def _wants_data(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")
