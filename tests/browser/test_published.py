"""The published folder in a real browser, from a disk: nothing missing, nothing cut off, readable by all."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.benches import MadeBench
from tests.browser.kit import WIDTHS, accessibility_faults, seen, wider_than_its_window
from tests.site_kit import fill, write_draft

pytestmark = pytest.mark.slow

SHOWN = (
    "index",
    "differences",
    "standings-test-wash-endurance",
    "product-sealant-invented",
    "trial-birch",
    "calibration",
    "method",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        fill(made)
        yield write_draft(made, tmp_path_factory.mktemp("published") / "site")


@pytest.mark.parametrize("width", WIDTHS)
def test_every_kind_of_page_fits_its_window_and_breaks_no_rule(
    browser: Browser, folder: Path, width: int
) -> None:
    with seen(browser, (folder / "index.html").as_uri(), width=width) as one:
        for name in SHOWN:
            one.page.goto((folder / f"{name}.html").as_uri(), wait_until="load")
            assert wider_than_its_window(one.page) == 0, name
            assert one.problems == [], name
            assert accessibility_faults(one.page) == [], name
            # The checker asks for the style sheet by script, which a browser refuses to pages from a disk.
            one.problems.clear()


def test_it_works_without_script_down_to_the_bytes(browser: Browser, folder: Path) -> None:
    with seen(browser, (folder / "index.html").as_uri(), java_script_enabled=False) as one:
        page = one.page
        page.get_by_role("link", name="Sealant (invented)").first.click()
        page.get_by_role("row", name="A friction").get_by_role("link", name="3.20").first.click()
        assert "trial-birch.html#r-force-" in page.url
        reading = page.locator(f"[id='{page.url.rpartition('#')[2]}']")
        assert "3.20 N" in reading.inner_text()
        assert "what arrived at the break" in reading.inner_text()
        reading.get_by_role("link", name="stamp").click()
        page.get_by_role("link", name="against weight-200g").first.click()
        assert "calibration.html#c-" in page.url


def test_paper_shows_what_the_screen_folds_away(browser: Browser, folder: Path) -> None:
    with seen(browser, (folder / "product-sealant-invented.html").as_uri(), width=720) as one:
        budget = one.page.locator("details table").first
        assert not budget.is_visible()
        one.page.emulate_media(media="print")
        assert budget.bounding_box() is not None
        assert one.page.locator("nav").first.is_hidden()
        assert wider_than_its_window(one.page) == 0
        assert one.page.pdf(format="A4").startswith(b"%PDF-")
