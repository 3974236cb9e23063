"""Standings, scorecards, and which published figures are touched by what was learnt since."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from acquire.bench import Bench
from acquire.errors import ConfigError, MethodError, PanelwrightError
from acquire.filters import Filter
from acquire.journal import Journal
from acquire.model import Model, Test, Trial
from acquire.outputs import budgets, words
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.views.safely import safely
from acquire.results import gather, scorecard, standings
from acquire.scoring.method import Method
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import By, Standings
from acquire.touched import touched
from acquire.trials import uses
from drivers.keys import OneLine

MOST_KEPT = 8
"""Results of so many different questions are kept until the journal goes on."""
LEAST_CHANCE = 0.005
_IDLE = ("climate", "stream", "clock step", "refusal")
"""Kinds of events that change no figure."""


class Wanted(Model):
    """What the standings shall show; every word may be left out."""

    by: By = "trial"
    test: Test | None = None
    product_class: OneLine | None = None
    colour: OneLine | None = None


@dataclass(frozen=True, slots=True)
class _Ranked:
    """Standings as the page shows them, or why there are none."""

    ranked: Standings | None
    fault: PanelwrightError | None
    classes: list[str]
    colours: list[str]


_T = TypeVar("_T")


@dataclass
class Kept:
    """What was worked out last, for as long as nothing was written that can change it."""

    _turn: threading.Lock = field(default_factory=threading.Lock)
    _seq: int = 0
    _basis: object = None
    _found: dict[str, Any] = field(default_factory=dict)

    def get(self, journal: Journal, basis: object, question: str, work_out: Callable[[Journal], _T]) -> _T:
        """What `work_out` gives of the journal as it is. One at a time: it takes a processor for a while.

        Args:
            basis: what it rests on besides the journal.
        """
        with self._turn:
            seq, _ = journal.head()
            now = journal.as_of(seq)
            if basis != self._basis or any(e.kind not in _IDLE for e in now.events(since=self._seq)):
                self._found.clear()
            self._seq, self._basis = seq, basis
            if question not in self._found:
                while len(self._found) >= MOST_KEPT:
                    self._found.pop(next(iter(self._found)))
                self._found[question] = work_out(now)
            found: _T = self._found[question]
            return found


def routes(screen: Screen) -> list[BaseRoute]:
    """`/standings`, `/score/ID`."""
    kept = Kept()

    def known(question: str, work_out: Callable[[Journal], _T]) -> _T:
        basis = screen.home.method().sha256, screen.home.bench().text
        with screen.home.journal(readonly=True) as journal:
            return kept.get(journal, basis, question, work_out)

    def ranked_page(query: dict[str, str]) -> Response:
        wanted = _wanted(query)
        bench, method = screen.home.bench(), screen.home.method()
        found = known(wanted.model_dump_json(), lambda journal: _rank(journal, bench, method, wanted))
        return screen.page(
            "standings.html",
            here="/standings",
            found=found,
            ranked=found.ranked,
            wanted=wanted,
            tests=[test for test in Test if uses(method, test)],
            words=words,
            least=LEAST_CHANCE,
            touched=known("touched", lambda journal: touched(journal, bench)),
        )

    def card_page(trial_id: str) -> Response:
        bench, method = screen.home.bench(), screen.home.method()

        def work_out(journal: Journal) -> tuple[Scorecard, Trial, frozenset[str]]:
            material = gather(journal)
            card = scorecard(material, bench, method, trial_id)
            own = frozenset(one.id for one in material.readings if one.trial == trial_id)
            return card, material.trial(trial_id), own

        card, trial, readings = known(f"card {trial_id}", work_out)
        return screen.page(
            "score.html",
            here="/standings",
            card=card,
            trial=trial,
            readings=readings,
            words=words,
            budgets=budgets,
        )

    async def ranked(request: Request) -> Response:
        query = {key: value for key, value in request.query_params.items() if value.strip()}
        return await run_in_threadpool(safely, screen, lambda: ranked_page(query))

    async def card(request: Request) -> Response:
        trial_id = request.path_params["trial"]
        return await run_in_threadpool(safely, screen, lambda: card_page(trial_id))

    return [Route("/standings", ranked), Route("/score/{trial}", card)]


def _rank(journal: Journal, bench: Bench, method: Method, wanted: Wanted) -> _Ranked:
    material = gather(journal)
    ranked, fault = None, None
    try:
        if material.trials:
            only = Filter(product_class=wanted.product_class, colour=wanted.colour)
            ranked = standings(material, bench, method, by=wanted.by, test=wanted.test, only=only)
    except (ConfigError, MethodError) as error:
        fault = error
    classes = sorted({one.product_class for one in material.trials if one.product_class})
    return _Ranked(ranked, fault, classes, sorted(set(material.colours.values())))


def _wanted(query: dict[str, str]) -> Wanted:
    try:
        return Wanted.model_validate(query)
    except ValidationError as error:
        named = ", ".join(str(one["loc"][0]) for one in error.errors() if one["loc"])
        raise ConfigError(f"standings cannot be shown by that {named}", hint="choose on the page") from error
