"""What the bench view learns from the journal, event by event, and what its stream of events tells."""

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from acquire.answers import open_trial
from acquire.errors import ConfigError
from acquire.live import Live
from acquire.model import Amendment, Climate, RawRef, Trial
from acquire.notes import Note
from acquire.outputs.screen.access import Admissions
from acquire.outputs.screen.app import Screen, make_app
from acquire.outputs.screen.events import Openings
from acquire.outputs.screen.present import Present
from acquire.outputs.screen.views import routes
from acquire.service.desk import Armed, Desk
from tests.benches import PULLS_N, MadeBench
from tests.rig import slip

ARMED = Armed(trial="larch", step=slip())


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path / "home") as bench:
        bench.begin("larch", "Sample Wax (invented)")
        yield bench


@pytest.fixture
def present(made: MadeBench) -> Iterator[Present]:
    one = Present(made.home, made.clock)
    yield one
    one.close()


def desk_of(made: MadeBench) -> Desk:
    def never(tell: object) -> Any:
        raise AssertionError("no service is opened here")

    return Desk(made.home, never, clock=made.clock, tell=lambda note: None)


def led(made: MadeBench, trial: str, *panels: str) -> Trial:
    return open_trial(
        made.journal,
        made.clock,
        trial,
        product="Spray Sealant (invented)",
        panels=panels,
        control=False,
        protocol=made.home.protocol(),
    )


def test_readings_undone_and_refused_show_as_they_come(made: MadeBench, present: Present) -> None:
    assert present.now(None)["step"] is None
    made.slip("larch", "A", "bare", [2.0, 2.1], refused=1)
    step = present.now(ARMED)["step"]
    assert (step["taken"], step["wanted"], step["product"]) == (2, PULLS_N, "Sample Wax (invented)")
    assert [row["became"] for row in step["readings"]] == ["taken", "taken"]
    assert [row["value"] for row in step["readings"]] == pytest.approx([2.0, 2.1], abs=0.05)
    assert step["refused_n"] == 1
    assert any("saturated" in reason or "range" in reason for reason in step["refusals"][0]["reasons"])
    undo = Amendment(reading=step["readings"][-1]["id"], what="ruling", reason="slipped", counts=False)
    made.logger.amend(undo)
    made.slip("larch", "A", "bare", [2.2])
    step = present.now(ARMED)["step"]
    assert [row["became"] for row in step["readings"]] == ["taken", "undone", "taken"]
    assert step["taken"] == 2


def test_reading_on_gives_the_same_as_reading_anew(made: MadeBench, present: Present) -> None:
    present.now(ARMED)
    made.slip("larch", "A", "bare", [2.0])
    made.begin("alder", "Another (invented)")
    made.slip("alder", "A", "bare", [3.0])
    made.slip("larch", "A", "treated", [1.0])
    made.slip("larch", "A", "bare", [2.1, 2.2, 2.3])
    read_on = present.now(ARMED)
    anew = Present(made.home, made.clock)
    assert read_on == anew.now(ARMED)
    assert [row["became"] for row in read_on["step"]["readings"]] == ["taken"] * 4
    anew.close()


def test_a_check_shows_at_once_and_its_end_in_time(made: MadeBench, present: Present) -> None:
    def force() -> dict[str, Any]:
        found: dict[str, Any] = next(one for one in present.now(None)["gauges"] if one["gauge"] == "force")
        return found

    assert force()["state"] == "unchecked today"
    made.check_force()
    assert force()["state"] == "in tolerance"
    assert force()["check_before_utc"] is not None
    made.clock.move(2 * 86400)
    assert force()["state"] != "in tolerance"


def test_the_room_shows_its_newest_values(made: MadeBench, present: Present) -> None:
    raw = RawRef(recording="room.rec", opening=0, first_byte=0, last_byte=1, ordinal=0)
    for value in (23.0, 26.5):
        made.write(
            "climate",
            Climate(
                gauge="room",
                quantity="temperature",
                value=value,
                unit="degC",
                where="room",
                outside=None if value < 25 else "above 25 °C",
                t_utc=made.clock.utc(),
                raw=raw,
            ),
        )
        shown = present.now(None)["climate"]
        assert [(one["value"], one["gauge"]) for one in shown] == [(value, "room")]
    assert shown[0]["outside"] == "above 25 °C"


def test_what_comes_next_follows_the_protocol(made: MadeBench, present: Present) -> None:
    led(made, "oak", "B")
    trials = {one["trial"]: one for one in present.next()["trials"]}
    assert trials["oak"]["next"]["kind"] == "prepare"
    assert trials["oak"]["next"]["caution"]
    assert [one["test"] for one in trials["oak"]["arm"]] == ["slip", "gloss"]
    assert trials["larch"]["arm"][0]["text"] == "bare slip on A", "one without a protocol follows the method"
    made.slip("oak", "B", "bare", [2.0])
    oak = next(one for one in present.next()["trials"] if one["trial"] == "oak")
    assert [(one["taken"], one["wanted"]) for one in oak["arm"][:1]] == [(1, PULLS_N)]


class Page:
    """One page's stream of events."""

    def __init__(self, openings: Openings, last: str | None = None) -> None:
        self._stream: AsyncIterator[bytes] = openings.stream(last)

    async def hear(self) -> tuple[str, str, dict[str, Any]]:
        """Kind, id and data of the next event."""
        while True:
            text = (await anext(self._stream)).decode()
            fields = dict(line.split(": ", 1) for line in text.strip().split("\n"))
            if "event" in fields:
                return fields["event"], fields.get("id", ""), json.loads(fields["data"])


def test_a_page_that_was_away_gets_what_it_missed_marked_as_caught_up(made: MadeBench) -> None:
    live = Live()
    openings = Openings(live, desk_of(made), made.clock)

    async def go() -> None:
        page = Page(openings)
        kind, last, _ = await page.hear()
        assert kind == "state"
        live.tell(Note("port", "first"))
        kind, last, data = await page.hear()
        assert (kind, data["caught_up"]) == ("news", False)
        live.tell(Note("port", "second"))
        again = Page(openings, last)
        assert (await again.hear())[0] == "state"
        kind, _, data = await again.hear()
        assert (kind, data["caught_up"]) == ("news", True)
        assert [one["text"] for one in data["told"]] == ["second"]

    asyncio.run(go())


@pytest.mark.parametrize("last", [None, "", "another-run.7", "x", "other.²"])
def test_a_new_page_hears_what_was_told_of_late(made: MadeBench, last: str | None) -> None:
    live = Live()
    live.tell(Note("waiting", "pull the block"))

    async def go() -> None:
        page = Page(Openings(live, desk_of(made), made.clock), last)
        assert (await page.hear())[0] == "state"
        _, _, data = await page.hear()
        assert [one["text"] for one in data["told"]] == ["pull the block"]

    asyncio.run(go())


def test_a_page_hears_from_another_thread_at_once(made: MadeBench) -> None:
    live = Live()

    async def go() -> None:
        page = Page(Openings(live, desk_of(made), made.clock))
        await page.hear()
        thread = threading.Thread(target=lambda: live.tell(Note("port", "told")))
        thread.start()
        kind, _, data = await page.hear()
        thread.join()
        assert (kind, data["told"][0]["text"]) == ("news", "told")

    asyncio.run(go())


def ask(
    made: MadeBench, method: str, path: str, body: object = None, *, admissions: Admissions | None = None
) -> httpx.Response:
    screen = Screen(made.home, desk_of(made), Live(), made.clock, admissions)
    app = make_app(screen, hosts=("bench.example",), routes=routes(screen))
    headers = {"Origin": "http://bench.example"}
    if admissions is not None:
        headers["Cookie"] = f"panelwright={admissions.admit('all', 'test')}"

    async def go() -> httpx.Response:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench.example") as http:
            return await http.request(method, path, json=body, headers=headers)

    try:
        return asyncio.run(go())
    finally:
        screen.present.close()


def test_what_cannot_be_armed_yet_says_what_comes_first(made: MadeBench) -> None:
    led(made, "oak", "B")
    treated = {"trial": "oak", "test": "slip", "panel": "B", "phase": "treated"}
    answer = ask(made, "POST", "/do/arm", treated)
    assert answer.status_code == 409
    assert "first comes" in answer.json()["error"]
    for body, said in (
        ({**treated, "trial": "elm"}, "there is no trial 'elm'"),
        ({**treated, "panel": "Z"}, "no such slip step"),
        ({**treated, "zone": "control"}, "no such slip step"),
        ({**treated, "file": "/etc/passwd"}, "file"),
    ):
        refused = ask(made, "POST", "/do/arm", body)
        assert refused.status_code == 409
        assert said in refused.json()["error"]


def test_a_stream_that_is_open_ends_when_its_link_is_withdrawn(made: MadeBench, tmp_path: Path) -> None:
    admissions, live = Admissions(tmp_path / "paired.json", made.clock), Live()
    key = admissions.admit("overlay", "camera")
    screen = Screen(made.home, desk_of(made), live, made.clock, admissions)
    app = make_app(screen, hosts=("bench.example",))

    async def watch() -> str:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench.example") as http:
            watching = asyncio.create_task(http.get(f"/events?key={key}"))
            async with asyncio.timeout(5.0):
                while not live._subscriptions:
                    await asyncio.sleep(0.01)
                live.tell(Note("port", "before"))
                while live._subscriptions[0]._number < live._number:
                    await asyncio.sleep(0.01)
                assert not watching.done()
                admissions.withdraw()
                live.tell(Note("port", "behind"))
                return (await watching).text

    told = asyncio.run(watch())
    assert "before" in told
    assert "behind" not in told
    assert not live._subscriptions


def test_how_things_stand_does_not_wait_for_what_comes_next(
    made: MadeBench, present: Present, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def slow(journal: object) -> list[Trial]:
        begun.set()
        assert go_on.wait(5.0)
        return []

    monkeypatch.setattr("acquire.outputs.screen.present._not_closed", slow)
    with ThreadPoolExecutor(2) as pool:
        later = pool.submit(present.next)
        try:
            assert begun.wait(5.0)
            now = pool.submit(present.now, None).result(5.0)
        finally:
            go_on.set()
        assert now["gauges"]
        assert later.result(5.0)["trials"] == []


@pytest.mark.parametrize(
    "path", ["/", "/overlay", "/overlay?size=25&corner=top-left", "/now.json", "/next.json"]
)
def test_every_part_of_the_bench_view_answers(made: MadeBench, path: str) -> None:
    answer = ask(made, "GET", path)
    assert answer.status_code == 200
    assert "style=" not in answer.text
    assert "onclick" not in answer.text


def test_a_bench_whose_files_cannot_be_read_says_why(made: MadeBench) -> None:
    made.home.method_file.write_text("[", encoding="utf-8")
    with pytest.raises(ConfigError, match="method"):
        Present(made.home, made.clock).next()
    answer = ask(made, "GET", "/next.json")
    assert answer.status_code == 503
    assert "method" in answer.json()["error"]


def test_who_pairs_may_send_no_more_than_a_code(made: MadeBench, tmp_path: Path) -> None:
    admissions = Admissions(tmp_path / "paired.json", made.clock)
    screen = Screen(made.home, desk_of(made), Live(), made.clock, admissions)
    app = make_app(screen, hosts=("bench.example",))
    read_n = 0

    async def flood() -> AsyncIterator[bytes]:
        nonlocal read_n
        yield b"code="
        for _ in range(1000):
            read_n += 1
            yield b"1" * 1024

    async def send(body: AsyncIterator[bytes] | bytes) -> httpx.Response:
        headers = {"Origin": "http://bench.example", "Content-Type": "application/x-www-form-urlencoded"}
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench.example") as http:
            return await http.post("/pair", content=body, headers=headers)

    refused = asyncio.run(send(flood()))
    assert refused.status_code == 429
    assert "too much for one form" in refused.text
    assert read_n < 10
    let_in = asyncio.run(send(f"code={admissions.code}".encode()))
    assert let_in.status_code == 303
    assert admissions.may(let_in.cookies["panelwright"]) == "all"


@pytest.mark.parametrize("size", ["24", "401", "000100999", "1" * 5000, "-50", "٥٠"])
def test_an_overlay_has_a_sane_size(made: MadeBench, size: str) -> None:
    answer = ask(made, "GET", f"/overlay?size={size}")
    assert answer.status_code == 400
    assert "an overlay cannot have the size" in answer.text
