"""The pages beside the bench view in a real browser: clean at every width, and nothing typed is lost."""

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from playwright.sync_api import Browser, FilePayload, Page, Request, Route, expect

from acquire.facts import facts
from acquire.model import Rating
from acquire.notebook import notes_of
from acquire.outputs.screen.app import make_app
from acquire.outputs.screen.server import WebServer
from acquire.outputs.screen.views import routes
from tests.benches import MadeBench
from tests.browser.kit import WIDTHS, accessibility_faults, reached_by_tab, seen, wider_than_its_window
from tests.screen_kit import HOST, PIXEL, Pages, pages

pytestmark = pytest.mark.slow

PAGES = (
    "/trials",
    "/trial/spruce",
    "/trial/spring-a",
    "/trial/spruce/step/handling/black-1",
    "/trial/spruce/step/apply/white-1",
    "/checks",
    "/drift/force",
    "/standings",
    "/score/fir",
    "/reading/{reading}",
    "/setup",
    "/trial/nope",
)
RATE = "/trial/spruce/step/handling/black-1"


class Served:
    """The pages of a filled bench on a real server, which can go away and come back at the same port."""

    def __init__(self, made: MadeBench, asked: Pages) -> None:
        self.made, self._asked = made, asked
        self._server: WebServer | None = None
        self._port = 0
        self.come_back()

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self._port}"

    def go_away(self) -> None:
        assert self._server is not None
        self._server.__exit__(None, None, None)
        self._server = None

    def come_back(self) -> None:
        app = make_app(self._asked.screen, hosts=[HOST], routes=routes(self._asked.screen))
        self._server = WebServer(app, host=HOST, port=self._port, certificate=None)
        self._server.__enter__()
        self._port = self._server.port

    def close(self) -> None:
        if self._server is not None:
            self.go_away()

    def ratings(self) -> list[float]:
        return [one.value for _, one in facts(self.made.journal, "rating", Rating) if one.trial == "spruce"]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with pages(tmp_path) as (made, asked):
        one = Served(made, asked)
        try:
            yield one
        finally:
            one.close()


def missed(problems: list[str], *words: str) -> None:
    """Takes off what a test broke on purpose."""
    problems[:] = [one for one in problems if not any(word in one for word in words)]


AWAY = ("/step/", "ERR_CONNECTION", "Failed to load resource", "/notes")


def test_every_page_is_clean_at_every_width(browser: Browser, served: Served) -> None:
    reading = quote(next(served.made.journal.events("reading")).id, safe="")
    with seen(browser, f"{served.url}/trials") as one:
        for path in PAGES:
            one.page.goto(served.url + path.format(reading=reading), wait_until="load")
            for width in WIDTHS:
                one.page.set_viewport_size({"width": width, "height": 800})
                assert wider_than_its_window(one.page) == 0, (path, width)
                assert accessibility_faults(one.page) == [], (path, width)
        # The page that is not there was asked for on purpose.
        missed(one.problems, "404")


def test_a_step_is_rated_by_keyboard_alone(browser: Browser, served: Served) -> None:
    with seen(browser, served.url + RATE) as one:
        reached = reached_by_tab(one.page)
        assert "input value" in reached
        assert "button Write the rating down" in reached
        one.page.locator("input[name=value]").first.focus()
        for _ in range(4):
            one.page.keyboard.press("ArrowDown")
        one.page.keyboard.press("Enter")
        one.page.wait_for_url("**/trial/spruce")
    assert served.ratings() == [8.0]


def test_a_rating_typed_while_the_bench_is_away_is_written_once_it_is_back(
    browser: Browser, served: Served
) -> None:
    with seen(browser, served.url + RATE) as one:
        served.go_away()
        one.page.check("input[name=value][value='6.5']")
        one.page.click("text=Write the rating down")
        expect(one.page.locator("#f-rate [data-said]")).to_contain_text("kept here, and sent again by itself")
        assert served.ratings() == []
        served.come_back()
        one.page.wait_for_url("**/trial/spruce")
        missed(one.problems, *AWAY)
    assert served.ratings() == [6.5]


def test_what_was_typed_outlives_the_page_until_it_is_written(browser: Browser, served: Served) -> None:
    with seen(browser, f"{served.url}/trial/spruce") as one:
        one.page.fill("#note-text", "haze at the edge")
        one.page.reload()
        assert one.page.input_value("#note-text") == "haze at the edge"
        expect(one.page.locator("#note [data-said]")).to_contain_text("it was not sent")
        served.go_away()
        one.page.click("text=Keep the note")
        expect(one.page.locator("#note [data-said]")).to_contain_text("kept here")
        served.come_back()
        expect(one.page.locator(".notes")).to_contain_text("haze at the edge")
        assert one.page.input_value("#note-text") == ""
        one.page.reload()
        assert one.page.input_value("#note-text") == ""
        missed(one.problems, *AWAY)
    assert [note.text for note in notes_of(served.made.journal, "spruce")].count("haze at the edge") == 1


def test_a_lost_answer_does_not_write_twice(browser: Browser, served: Served) -> None:
    with seen(browser, served.url + RATE) as one:
        lost = _lose_the_first_answer(one.page)
        one.page.check("input[name=value][value='7']")
        one.page.click("text=Write the rating down")
        one.page.wait_for_url("**/trial/spruce")
        missed(one.problems, *AWAY)
    assert lost == [200]
    assert served.ratings() == [7.0]


def _lose_the_first_answer(page: Page) -> list[int]:
    """The bench gets the first form, and the browser never hears what it said."""
    lost: list[int] = []

    def through(route: Route, request: Request) -> None:
        if request.method != "POST" or lost:
            route.continue_()
            return
        lost.append(route.fetch().status)
        route.abort("connectionreset")

    page.route("**/step/**", through)
    return lost


def test_a_fault_is_told_at_its_field_and_a_photograph_is_kept(browser: Browser, served: Served) -> None:
    with seen(browser, f"{served.url}/trial/spruce") as one:
        bad = FilePayload(name="x.png", mimeType="image/png", buffer=b"no picture")
        one.page.set_input_files("#note-photo", bad)
        one.page.click("text=Keep the note")
        expect(one.page.locator("#note-photo-fault")).to_contain_text("no photograph in JPEG or PNG")
        assert one.page.get_attribute("#note-photo", "aria-invalid") == "true"
        missed(one.problems, "422")
        good = FilePayload(name="x.png", mimeType="image/png", buffer=PIXEL)
        one.page.set_input_files("#note-photo", good)
        one.page.click("text=Keep the note")
        expect(one.page.locator(".notes img")).to_have_count(2)
        assert one.page.evaluate("[...document.images].every((one) => one.complete && one.naturalWidth)")


def test_a_browser_pairs_and_is_let_in(browser: Browser, tmp_path: Path) -> None:
    with pages(tmp_path, admissions=True, filled=False) as (made, asked):
        one = Served(made, asked)
        try:
            assert asked.screen.admissions is not None
            with seen(browser, f"{one.url}/setup") as view:
                assert view.page.url.endswith("/pair")
                view.page.fill("#code", asked.screen.admissions.code)
                view.page.keyboard.press("Enter")
                view.page.wait_for_url(f"{one.url}/")
                view.page.goto(f"{one.url}/setup")
                view.page.fill("#links-label", "camera 1")
                view.page.click("text=Make a link")
                expect(view.page.locator("#new-link")).to_contain_text("/overlay?key=")
                assert accessibility_faults(view.page) == []
        finally:
            one.close()


def test_forms_work_without_a_script(browser: Browser, served: Served) -> None:
    with seen(browser, served.url + RATE, java_script_enabled=False) as one:
        one.page.check("input[name=value][value='5']")
        one.page.click("text=Write the rating down")
        one.page.wait_for_url("**/trial/spruce")
    assert served.ratings() == [5.0]
