"""rescore and methods: what they print, the page, JSON, and how they end when something is wrong."""

import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.cli import main
from acquire.model import Test as Kind
from acquire.revision import Revision
from tests.benches import MadeBench, method_text

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeBench]:
    """Two complete trials, published as the spring page; birch leads by its gloss."""
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        made.check_force()
        for trial, treated_n, gloss in (("alder", 1.9, 92.0), ("birch", 2.3, 98.0)):
            made.begin(trial, f"Product {trial.title()} (invented)")
            made.slip(trial, "A", "bare", [3.0, 3.2, 3.1], refused=1)
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1])
            made.gloss(trial, "A", "bare", [91.0, 90.8, 91.3])
            made.gloss(trial, "A", "treated", [gloss, gloss - 0.2, gloss + 0.3])
            made.rate(trial, Kind.HANDLING, "A", 7.5, f"rating.h.{trial}")
            made.rate(trial, Kind.APPEARANCE, "A", 8.0, f"rating.a.{trial}")
            made.wash(trial, "A", 60, 60, passed=True)
            made.inspect(trial, "A", 150, 150, passed=False)
        folder = made.home.folder
        done = CliRunner().invoke(main, ["report", "--where", "spring page", "--home", str(folder)])
        assert done.exit_code == 0, done.output
        yield made


@pytest.fixture
def new_method(tmp_path: Path) -> Path:
    """Slip counts double, and pulls must not be under-read by more than a ten-thousandth."""
    text = method_text()
    for old, new in (
        ('title = "Starting method"', 'title = "Second method"'),
        ("points_per_unit = 40 ", "points_per_unit = 80 "),
        ("max_under_read_fraction = 0.1 ", "max_under_read_fraction = 0.0001 "),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = tmp_path / "new.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run(made: MadeBench, *args: str | Path) -> Result:
    words = [*map(str, args), "--home", str(made.home.folder)]
    return CliRunner().invoke(main, words, env={"COLUMNS": "80"})


def said(result: Result) -> str:
    """What was printed, on one line: wrapping is the terminal's."""
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_old_and_new_places_and_what_moved_them(made: MadeBench, new_method: Path) -> None:
    result = run(made, "rescore", "--method", new_method)
    text = said(result)
    assert max(len(line.rstrip()) for line in result.output.splitlines()) <= 80
    assert "slip.points_per_unit 40 80" in text
    assert "2 → 1 alder" in text
    assert "1 → 2 birch" in text
    assert "alder, slip:" in text
    assert "slip.points_per_unit +6.1" in text
    assert "2 of 2 trials have other points; 1 up, 1 down in place." in text
    assert "Held against what was published as spring page, which stays as it is." in text
    assert "slip.capture.max_under_read_fraction: what is accepted was decided when it was captured" in text


def test_from_bytes_says_which_readings_came_out_otherwise(made: MadeBench, new_method: Path) -> None:
    text = said(run(made, "rescore", "--method", new_method, "--from-bytes"))
    # Two trials of two times three pulls; the two that were refused before are refused still.
    assert "12 now refused" in text
    # The first pull of alder, made with a break of 3.0 N, comes after the refused one.
    assert re.search(r"alder, bare slip on A: force-001\.rec#1: now refused: (2\.99|3|3\.01) N", text)
    assert "(refused: too fast for this gauge)" in text
    assert "--from-bytes captures anew" not in text


def test_json_is_the_revision(made: MadeBench, new_method: Path) -> None:
    result = run(made, "rescore", "--method", new_method, "--json")
    revision = Revision.model_validate_json(result.output)
    assert [(move.trial, move.old_place, move.new_place) for move in revision.trials] == [
        ("alder", 2, 1),
        ("birch", 1, 2),
    ]
    assert revision.new_title == "Second method"


class _Cells(HTMLParser):
    """The text of each row of each table, and every element that would fetch something."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.fetched: list[str] = []
        self._in_cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self._in_cell = True
            self.rows[-1].append("")
        self.fetched += [f"{tag} {name}={value}" for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        self._in_cell = self._in_cell and tag not in ("td", "th")

    def handle_data(self, data: str) -> None:
        if self._in_cell:
            self.rows[-1][-1] = " ".join(f"{self.rows[-1][-1]} {data}".split())


def test_the_page_shows_the_same_and_needs_nothing_else(
    made: MadeBench, new_method: Path, tmp_path: Path
) -> None:
    page = tmp_path / "rescored.html"
    result = run(made, "rescore", "--method", new_method, "--from-bytes", "--out", page)
    assert result.output.rstrip().endswith(str(page))
    text = page.read_text(encoding="utf-8")
    cells = _Cells()
    cells.feed(text)
    assert cells.fetched == []
    assert "Simulated" in text
    assert ["slip.points_per_unit", "40", "80"] in cells.rows
    assert any(row[:2] == ["2 → –", "Product Alder (invented) alder"] for row in cells.rows)
    assert any(row[-1] == "now refused: 3.2 N (refused: too fast for this gauge)" for row in cells.rows)
    revision = Revision.model_validate_json(run(made, "rescore", "--method", new_method, "--json").output)
    assert revision.old_sha256 in text
    assert revision.new_sha256 in text


def test_the_methods_of_publications_are_listed_and_can_be_used_again(
    made: MadeBench, tmp_path: Path
) -> None:
    (known,) = json.loads(run(made, "methods", "--json").output)
    assert (known["title"], known["where"]) == ("Starting method", ["spring page"])
    text = said(run(made, "methods"))
    assert f"{known['sha256'][:16]}… Starting method" in text
    shown = run(made, "methods", "--show", known["sha256"][:6])
    assert shown.output == method_text()
    again = tmp_path / "again.toml"
    again.write_text(shown.output, encoding="utf-8")
    assert "no key differs" in said(run(made, "rescore", "--method", again))


@pytest.mark.parametrize(
    ("args", "error"),
    [
        (("methods", "--show", "zz"), "no method has a fingerprint that begins 'zz'"),
        (("rescore", "--against", "autumn page", "--method"), "nothing was published as 'autumn page'"),
    ],
)
def test_what_is_wrong_is_said_once_with_what_there_is(
    made: MadeBench, new_method: Path, args: tuple[str, ...], error: str
) -> None:
    result = run(made, *args, *([new_method] if args[-1] == "--method" else []))
    assert result.exit_code == 1
    assert result.output.count("Error:") == 1
    assert error in result.output
    assert "there are: " in result.output or "publications: spring page" in result.output


def test_help_has_an_example() -> None:
    for name in ("rescore", "methods"):
        assert f"Example:  panelwright {name}" in CliRunner().invoke(main, [name, "--help"]).output
