"""An invented bench with something on every page of the screen, and a client that needs no server."""

import asyncio
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import httpx
from starlette.routing import BaseRoute

from acquire import answers
from acquire.applying import apply
from acquire.blind import seal
from acquire.journal import Journal
from acquire.live import Live
from acquire.model import Test, Trial
from acquire.notebook import keep_photo, write_note
from acquire.outputs.screen.access import Admissions
from acquire.outputs.screen.app import Screen, make_app
from acquire.outputs.screen.views import routes
from acquire.panels import add_panel
from acquire.publications import publish
from acquire.results import gather, scorecards
from acquire.scoring.standings import rank
from acquire.service import Service
from acquire.service.desk import Desk
from tests.benches import MadeBench

HOST = "127.0.0.1"
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63e8e8e80000030401"
    "81ad8b3ad50000000049454e44ae426082"
)
"""A picture of one grey dot, in PNG."""


def fill(made: MadeBench) -> None:
    """Trials done, under way and blind; checks, a note with its photograph, a publication, a doubt."""
    add_panel(made.journal, made.clock, "black-1", colour="black", zones=("control",))
    add_panel(made.journal, made.clock, "white-1", colour="white")
    made.check_force()
    for name, product, breaks_n, glosses_gu in (
        ("larch", "Larch wax", (2.1, 2.15, 2.08), (91.0, 91.4, 90.8)),
        ("fir", "Fir sealant", (1.2, 1.22, 1.18), (92.6, 92.9, 92.7)),
    ):
        made.begin(name, product)
        made.slip(name, "A", "bare", (2.9, 2.95, 2.92), refused=1)
        made.gloss(name, "A", "bare", (88.0, 88.3, 88.1))
        made.rate(name, Test.HANDLING, "A", 7.0, f"rating.{name}.h")
        made.slip(name, "A", "treated", breaks_n)
        made.gloss(name, "A", "treated", glosses_gu)
        made.rate(name, Test.APPEARANCE, "A", 8.0, f"rating.{name}.a")
        made.wash(name, "A", 60, 60, passed=True, run=20)
        made.inspect(name, "A", 150, 150, passed=False)
        made.clock.move(1800)
        made.check_force(0.006)
    _publish(made)
    _led(made)
    seal(
        made.home,
        made.journal,
        made.clock,
        "spring",
        products=("Invented wax", "Invented coating"),
        panels=(("p1",), ("p2",)),
        protocol=made.home.protocol(),
        draw=Random(1),
    )
    made.check_force(0.3)


def _publish(made: MadeBench) -> None:
    cards = scorecards(gather(made.journal), made.bench, made.home.method())
    seq, _ = made.journal.head()
    publish(
        made.journal,
        made.clock,
        where="an invented film",
        method=made.home.method(),
        cards=cards,
        ranked=rank(cards),
        at_seq=seq,
    )


def _led(made: MadeBench) -> Trial:
    trial = answers.open_trial(
        made.journal,
        made.clock,
        "spruce",
        product="Spruce coating",
        panels=("black-1", "white-1"),
        control=False,
        product_class="coating",
        protocol=made.home.protocol(),
    )
    for panel in trial.panels:
        made.slip("spruce", panel, "bare", (2.9, 2.95, 2.92))
        made.gloss("spruce", panel, "bare", (88.0, 88.3, 88.1))
    method = made.home.method()
    apply(made.journal, made.clock, method, trial, "black-1", sprays=4, note="even")
    photo = keep_photo(made.home, PIXEL)
    write_note(
        made.journal,
        made.clock,
        trial,
        "A faint haze near the edge.",
        step="apply/black-1",
        photo=photo,
        by="Kim",
    )
    return trial


@dataclass
class Pages:
    """Asks for pages, as a browser on the bench machine would."""

    screen: Screen
    routes: list[BaseRoute] | None = None

    def get(self, path: str, **headers: str) -> httpx.Response:
        return self.call("GET", path, headers=headers)

    def post(
        self, path: str, words: Mapping[str, str], *, data: bool = False, files: Any = None
    ) -> httpx.Response:
        """Sends a form.

        Args:
            data: as the script of the pages sends it, else as a browser without one.
        """
        headers = {"origin": f"http://{HOST}:8460"} | ({"accept": "application/json"} if data else {})
        return self.call("POST", path, headers=headers, data=dict(words), files=files)

    def call(self, method: str, path: str, **what: Any) -> httpx.Response:
        made = routes(self.screen) if self.routes is None else self.routes
        app = make_app(self.screen, hosts=[HOST], routes=made)

        async def go() -> httpx.Response:
            transport = httpx.ASGITransport(app=app)
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}:8460") as http:
                return await http.request(method, path, **what)

        return asyncio.run(go())

    def journal(self) -> Journal:
        return self.screen.home.journal(readonly=True)


def text_of(page: httpx.Response) -> str:
    """What a page says, without its tags, with single blanks."""
    return " ".join(re.sub(r"<[^>]+>", " ", page.text).replace("&#39;", "'").split())


@contextmanager
def pages(
    folder: Path, *, admissions: bool = False, filled: bool = True
) -> Iterator[tuple[MadeBench, Pages]]:
    """A bench and its pages. No service runs: what needs one is refused."""
    with MadeBench(folder) as made:
        if filled:
            fill(made)

        def none(_: object) -> Service:
            raise AssertionError("no service runs here")

        desk = Desk(made.home, none, clock=made.clock, tell=lambda note: None)
        known = Admissions(folder / "paired-browsers.json", made.clock) if admissions else None
        yield made, Pages(Screen(made.home, desk, Live(), made.clock, known))
