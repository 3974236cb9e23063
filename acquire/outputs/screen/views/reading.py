"""One reading, down to its bytes: its stamp then and now, its pull, its check and its event."""

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route

from acquire.bench import Bench
from acquire.calibration.brackets import Confirmed, confirming_spans
from acquire.calibration.checks import Check
from acquire.chain import Event
from acquire.errors import ConfigError, PanelwrightError
from acquire.facts import facts, read_fact
from acquire.journal import Journal
from acquire.known import History, as_known
from acquire.model import Amendment, Reading, StreamStart
from acquire.outputs import words
from acquire.outputs.pages import TEMPLATES
from acquire.outputs.report.figures import Frame, draw_pull, words_of_pull
from acquire.outputs.report.traces import pull_traces
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.raw_bytes import Part, bytes_of, part_of
from acquire.outputs.screen.steps import shown
from acquire.outputs.screen.views.checks import LOOKS
from acquire.outputs.screen.views.safely import safely
from acquire.trials import trials_of


@dataclass(frozen=True, slots=True)
class _CheckShown:
    """The check that a stamp rests on, with its event."""

    event: Event
    check: Check
    care: str


def routes(screen: Screen) -> list[BaseRoute]:
    """`/reading/ID` (`?part=N` for more of its bytes), `/figures.css`."""

    def page(reading_id: str, part: int) -> Response:
        bench = screen.home.bench()
        with screen.home.journal(readonly=True) as journal:
            event = journal.find(reading_id)
            if event is None or event.kind != "reading":
                raise ConfigError(f"there is no reading {reading_id!r}", hint="go back to its trial")
            then = read_fact(Reading, event)
            learnt = [
                (one, amendment)
                for one, amendment in facts(journal, "amendment", Amendment, since=event.seq)
                if amendment.reading == then.id
            ]
            now = _now(journal, event, then, [amendment for _, amendment in learnt])
            starts = [
                one for _, one in facts(journal, "stream", StreamStart) if one.recording == then.raw.recording
            ]
            checks = _checks(journal, bench, then, now)
            product = trials_of(journal)[then.trial].product
        return screen.page(
            "reading.html",
            here="/trials",
            event=event,
            then=then,
            now=now,
            product=product,
            learnt=learnt,
            checks=checks,
            looks=LOOKS,
            words=words,
            shown=shown,
            details=_details(then),
            **_figure(screen, starts, then),
            **_bytes(screen, then, part),
        )

    async def reading(request: Request) -> Response:
        text = request.query_params.get("part", "1")
        part = int(text[:9]) if text.isascii() and text.isdigit() else 1
        reading_id = request.path_params["reading"]
        return await run_in_threadpool(safely, screen, lambda: page(reading_id, part))

    async def looks(request: Request) -> Response:
        return FileResponse(TEMPLATES / "figures.css", media_type="text/css")

    return [Route("/reading/{reading}", reading), Route("/figures.css", looks)]


def _now(journal: Journal, event: Event, then: Reading, learnt: list[Amendment]) -> Reading:
    confirmed = Confirmed(confirming_spans(History(journal).all()))
    return as_known(event.seq, then, {then.id: learnt}, confirmed)


def _checks(journal: Journal, bench: Bench, *stamped: Reading) -> dict[str, _CheckShown]:
    """The checks that the stamps rest on, by the ids of their events."""
    found: dict[str, _CheckShown] = {}
    for id_ in (reading.stamp.check for reading in stamped):
        event = None if id_ is None else journal.find(id_)
        if event is None or event.kind != "check":
            continue
        check = read_fact(Check, event)
        reference = bench.references.get(check.worst_reference)
        found[event.id] = _CheckShown(event, check, (reference.care if reference else None) or "")
    return found


def _details(reading: Reading) -> list[tuple[str, str]]:
    """What capture found besides the value, as it is kept."""
    return [
        (key.replace("_", " "), f"{value:.6g}" if isinstance(value, float) else str(value))
        for key, value in reading.details.items()
        if value is not None
    ]


def _figure(screen: Screen, starts: list[StreamStart], reading: Reading) -> dict[str, Any]:
    """The drawn pull, or why there is none; neither for what is no pull."""
    drawing: Markup | None = None
    problem = ""
    if reading.quantity == "force" and starts:
        traces, problems = pull_traces(screen.home.recordings, starts, [reading])
        trace = traces.get(reading.id)
        problem = " ".join(problems)
        if trace is not None:
            alt = words_of_pull(reading, str(reading.step))
            drawing = draw_pull(trace, Frame.around([trace]), alt=alt)
    return {"drawing": drawing, "no_drawing": problem}


def _bytes(screen: Screen, reading: Reading, number: int) -> dict[str, Any]:
    part: Part | None = None
    problem = ""
    try:
        part = part_of(bytes_of(screen.home.recordings, reading.raw), reading.raw.first_byte, number)
    except PanelwrightError as error:
        problem = str(error).replace(str(screen.home.recordings / reading.raw.recording), "the recording")
    return {"part": part, "no_bytes": problem}
