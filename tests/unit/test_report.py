"""The page: complete, honest, readable without network, script or sight."""

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from acquire.errors import ConfigError, PanelwrightError
from acquire.model import Test as Kind
from acquire.outputs.report import write_report
from acquire.outputs.report.traces import pull_traces
from acquire.results import gather
from tests.benches import BENCH, MadeBench

ODD_NAME = "Wax <b>& Co</b> $x$ (invented)"


class Page(HTMLParser):
    """What tests ask of the page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.feed(text)
        self.words = " ".join(self.words.split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeBench]:
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        made.check_force()
        made.begin("alder", ODD_NAME)
        made.begin("control", "Untreated (invented)", control=True)
        for trial, treated_n in (("alder", 2.0), ("control", 3.0)):
            made.slip(trial, "A", "bare", [3.0, 3.2, 3.1], refused=1)
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1, treated_n])
            made.gloss(trial, "A", "bare", [91.0, 90.8, 91.2])
            made.gloss(trial, "A", "treated", [93.0, 92.8, 93.2])
            made.rate(trial, Kind.APPEARANCE, "A", 8.0, f"rating.a.{trial}")
        made.rate("alder", Kind.HANDLING, "A", 7.5, "rating.h.alder")
        made.wash("alder", "A", 60, 60, passed=True)
        made.inspect("control", "A", 60, 60, passed=False)
        yield made


@pytest.fixture(scope="module")
def text(made: MadeBench) -> str:
    return write_report(made.home, made.home.folder / "report").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


@pytest.mark.slow  # the fixtures draw four pulls
def test_the_page_needs_nothing_but_itself(text: str, page: Page, made: MadeBench) -> None:
    assert sorted(path.name for path in (made.home.folder / "report").iterdir()) == ["index.html"]
    assert not page.all("script")
    assert not page.all("link")
    assert not page.all("img")
    assert not re.findall(r'(?:src|href)="(?!#)[^"]*"', text)
    assert "url(http" not in text
    assert "@import" not in text


def test_ids_are_unique_and_links_lead_somewhere(text: str, page: Page) -> None:
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = {f"#{one}" for one in ids}
    wanted = set(re.findall(r'href="(#[^"]+)"', text)) | set(re.findall(r"url\((#[^)]+)\)", text))
    assert wanted <= targets


def test_tables_tell_what_they_are(page: Page) -> None:
    budgets = [table for table in page.all("table") if "budget" in str(table["class"])]
    assert len(page.all("table")) - len(budgets) == 1 + 2 + 2
    assert len(page.all("caption")) == len(page.all("table"))
    assert len(page.all("details")) == len(page.all("summary")) == 2
    assert {attributes.get("scope") for attributes in page.all("th")} == {"col", "row"}


def test_every_trial_is_drawn_bare_and_treated_with_words_for_the_blind(page: Page) -> None:
    labels = [str(drawing["aria-label"]) for drawing in page.all("svg")]
    assert len(labels) == 4
    assert sum("bare panel A" in label for label in labels) == 2
    assert all(re.search(r"rises to a break at \d.* N, then slides at \d", label) for label in labels)
    assert {drawing["role"] for drawing in page.all("svg")} == {"img"}


def test_a_drawing_names_reading_bytes_and_stamp(page: Page, made: MadeBench) -> None:
    bare = [
        reading
        for reading in gather(made.journal).readings
        if reading.trial == "alder" and reading.quantity == "force" and reading.step.phase == "bare"
    ]
    middle = sorted(bare, key=lambda reading: reading.value)[1]
    raw = middle.raw
    assert (
        f"Reading {middle.id}; recording {raw.recording}, opening 0, "
        f"bytes {raw.first_byte} to {raw.last_byte}. "
        f"Gauge force, in tolerance: {middle.stamp.reason}."
    ) in page.words
    assert f"break at {middle.value:.4g} N, which may be under-read by up to" in page.words


def test_simulated_is_said_in_large(page: Page) -> None:
    assert "Simulated Nothing on this page was measured on a real panel" in page.words
    assert (
        "the bench is called “Test bench (invented)”; recordings are marked “simulated, invented”"
        in page.words
    )


def test_names_are_text_and_never_markup(text: str, page: Page) -> None:
    assert ODD_NAME in page.words
    assert "<b>& Co" not in text


def test_nothing_is_left_out_in_silence(page: Page) -> None:
    assert "Left out of slip: force-" in page.words
    assert "taken beyond the 3 that the method asks for" in page.words
    assert "Refused for bare slip on A: force-" in page.words
    assert "counted although the gauge was unchecked today" in page.words
    assert "Untreated (invented) is not ranked: untreated control." in page.words
    assert "≥ " in page.words


def test_limits_cautions_and_proof_are_there(page: Page, made: MadeBench) -> None:
    for said in (
        "not months on a car",
        "Local codes, the products’ safety data sheets and licensed practice come first",
        made.home.method().sha256,
        made.journal.head()[1],
        "passed against weight-200g",
    ):
        assert said in page.words


@pytest.mark.slow
def test_the_same_journal_gives_the_same_page(text: str, made: MadeBench, tmp_path: Path) -> None:
    assert write_report(made.home, tmp_path).read_text(encoding="utf-8") == text


def test_the_line_that_is_drawn_passes_through_the_value(made: MadeBench) -> None:
    material = gather(made.journal)
    pulls = [reading for reading in material.readings if reading.quantity == "force"]
    traces, problems = pull_traces(made.home.recordings, material.streams, pulls)
    assert problems == []
    assert len(traces) == len(pulls) == 14
    for trace in traces.values():
        at_break = trace.force_n[abs(trace.t_s).argmin()]
        assert at_break == pytest.approx(trace.reading.value, abs=0.005)
        assert trace.t_s[0] < -0.5
        assert trace.t_s[-1] > 0.5


def small(folder: Path) -> MadeBench:
    made = MadeBench(folder, scenario=None)
    made.begin("alder", "Product Alder")
    made.slip("alder", "A", "bare", [3.0, 3.2, 3.1])
    made.slip("alder", "A", "treated", [2.0, 2.2, 2.1])
    return made


@pytest.mark.slow
def test_a_real_bench_is_not_called_simulated(tmp_path: Path) -> None:
    with small(tmp_path / "bench") as made:
        made.home.bench_file.write_text(BENCH.replace(" (invented)", ""), encoding="utf-8")
        page = Page(write_report(made.home, tmp_path / "out").read_text(encoding="utf-8"))
    assert "Nothing on this page was measured on a real panel" not in page.words
    assert "Simulated" not in page.words


def test_a_missing_recording_costs_its_figure_and_is_said(tmp_path: Path) -> None:
    with small(tmp_path / "bench") as made:
        (made.home.recordings / "force-001.rec").unlink()
        (made.home.recordings / "force-002.rec").write_text("# format: something else\n", encoding="utf-8")
        page = Page(write_report(made.home, tmp_path / "out").read_text(encoding="utf-8"))
    assert page.all("svg") == []
    assert "No figure from force-001.rec: the recording: cannot be read" in page.words
    assert "No figure from force-002.rec: the recording, line" in page.words


def test_without_trials_there_is_no_page(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made, pytest.raises(ConfigError, match="no trial yet"):
        write_report(made.home, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_page_that_cannot_be_written_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file, no folder", encoding="utf-8")
    with small(tmp_path / "bench") as made, pytest.raises(PanelwrightError, match="cannot be written"):
        write_report(made.home, tmp_path / "out")
