"""The published folder: whole, honest, and every figure leads down to the bytes it came from."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner

from acquire.blind import seal
from acquire.cli import main
from acquire.errors import ConfigError, PanelwrightError
from acquire.model import Phase, Reading, Step
from acquire.model import Test as Kind
from acquire.outputs.publish import names
from acquire.outputs.publish.evidence import evidence
from acquire.outputs.publish.site import _put_in_place, publish_site
from acquire.publications import Publication, standing
from acquire.recordings import read_recording
from acquire.results import gather
from tests.benches import MadeBench
from tests.manual_clock import ManualClock
from tests.rig import BENCH_MORE, lay_out, rig
from tests.site_kit import ODD_NAME, Page, fill, pages_in, wanted, write_draft

pytestmark = pytest.mark.slow  # the fixture makes 28 pulls and publishes them


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeBench]:
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        fill(made)
        yield made


@pytest.fixture(scope="module")
def folder(made: MadeBench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("published") / "site"
    publish_site(made.home, out, ManualClock(), wanted(made.home))
    return out


@pytest.fixture(scope="module")
def pages(folder: Path) -> dict[str, Page]:
    return pages_in(folder)


@pytest.fixture(scope="module")
def published(made: MadeBench, folder: Path) -> Publication:
    return standing(made.journal)[0]


def test_every_link_leads_somewhere_inside_the_folder(pages: dict[str, Page], folder: Path) -> None:
    known = {page.path.resolve(): set(page.ids) for page in pages.values()}
    followed = 0
    for page in pages.values():
        for path, place in page.leads_to:
            assert path.resolve().is_relative_to(folder.resolve()), (page.path.name, path)
            assert path.is_file(), (page.path.name, path)
            assert not place or place in known[path.resolve()], (page.path.name, path.name, place)
            followed += 1
    assert followed > 300


def test_every_page_can_be_reached_from_the_first(pages: dict[str, Page]) -> None:
    reached, ahead = set(), ["index.html"]
    while ahead:
        name = ahead.pop()
        if name in pages and name not in reached:
            reached.add(name)
            ahead += [path.name for path, _ in pages[name].leads_to]
    assert reached == set(pages)


def test_pages_are_well_formed_and_need_no_script_and_no_network(
    pages: dict[str, Page], folder: Path
) -> None:
    for page in pages.values():
        assert page.faults == [], page.path.name
        assert len(page.ids) == len(set(page.ids)), page.path.name
        assert not page.all("script")
        assert not re.search(r'(?:src|href)="[a-z]+:', page.path.read_text(encoding="utf-8"))
    assert not re.search(r"url\(|@import", (folder / "style.css").read_text(encoding="utf-8"))


def test_who_cannot_see_finds_the_way(pages: dict[str, Page]) -> None:
    for page in pages.values():
        assert len(page.all("main")) == len(page.all("h1")) == len(page.all("footer")) == 1
        assert len(page.all("caption")) == len(page.all("table"))
        assert {one.get("scope") for one in page.all("th")} <= {"col", "row"}
        assert all(one["role"] == "img" and one["aria-label"] for one in page.all("svg"))
        assert all(one.get("aria-label") for one in page.all("nav"))


def test_each_product_has_every_part_of_the_story(pages: dict[str, Page]) -> None:
    page = pages["product-sealant-invented.html"]
    labels = " | ".join(str(drawing["aria-label"]) for drawing in page.all("svg"))
    assert labels.count("3 pulls on the bare panel A") == 2
    assert labels.count("3 pulls on the treated panel A") == 2
    assert (
        "Readings, a row for each panel and phase. A bare: 91, 90.8, 91.2; A treated: 93, 92.8, 93.2."
        in labels
    )
    assert "A gave way between 60 and 150 strokes; control: A gave way between 0 and 60 strokes" in labels
    for said in (
        "2 trials: birch, birch-2",
        "one run: gave way between 60 and 150 strokes",
        "10: no effort to notice",
        "taken beyond the 3 that the method asks for",
        "Refused: 1 value, kept with the readings",
        "It had no protocol to deviate from",
        "in tolerance",
        "not months on a car",
    ):
        assert said in page.words, said
    assert "Product applied on A: 3 sprays" in pages["product-wax-b-co-b-invented.html"].words


def test_standings_are_there_in_every_choice(pages: dict[str, Page]) -> None:
    main_page = pages["index.html"]
    assert "Sealant (invented) 2 trials" in main_page.words
    assert "Chance of each place" in main_page.words
    assert "Untreated (invented) is not ranked: untreated control." in main_page.words
    for name in ("standings-trials.html", "standings-test-slip.html", "standings-test-wash-endurance.html"):
        assert name in pages
    assert "birch-2, Sealant (invented)" in pages["standings-trials.html"].words


def test_a_figure_leads_down_to_the_bytes_in_the_recording(
    made: MadeBench, pages: dict[str, Page], folder: Path
) -> None:
    """Expected bytes: the recording itself, read line by line, not through the code of the pages."""
    card_links = [
        place
        for path, place in pages["index.html"].leads_to
        if path.name == "product-wax-b-co-b-invented.html"
    ]
    assert "t-alder-gloss" in card_links
    readings = [one for one in gather(made.journal).readings if one.trial == "alder"]
    on_product = {
        place for path, place in pages["product-wax-b-co-b-invented.html"].leads_to if "trial" in path.name
    }
    text = (folder / "trial-alder.html").read_text(encoding="utf-8")
    shown_n = 0
    for reading in readings:
        place = names.place("r", reading.id)
        if reading.quantity != "count":
            assert place in on_product, reading.id
        block = text[text.index(f'id="{place}"') :].partition("</article>")[0]
        raw = reading.raw
        assert f"{raw.first_byte} to {raw.last_byte} of {raw.recording}, opening {raw.opening}" in block
        whole = received(made, raw.recording)
        for offset, row in re.findall(
            r"^(?:<pre class=\"bytes\">)?(\d{6})  ((?:[0-9A-F]{2} ?)+)", block, re.M
        ):
            expected = bytes.fromhex(row)
            assert whole[int(offset) : int(offset) + len(expected)] == expected
            assert raw.first_byte <= int(offset) < raw.last_byte
            shown_n += len(expected)
    assert shown_n > 700


def received(made: MadeBench, recording: str) -> bytes:
    _, lines = read_recording(made.home.recordings / recording)
    return b"".join(line.data for line in lines if line.kind == "chunk")


def test_what_arrived_at_the_break_holds_the_value(made: MadeBench) -> None:
    """The gauge writes its value as text: the break's own digits stand in the bytes shown for it."""
    material = gather(made.journal)
    pulls = [one for one in material.readings if one.quantity == "force"]
    found = evidence(made.home.recordings, material.streams, pulls)
    assert found.problems == []
    for pull in pulls:
        excerpt = next(one for one in found.excerpts[pull.id] if one.title == "what arrived at the break")
        data = b"".join(bytes.fromhex(row.hexadecimal) for row in excerpt.rows)
        assert f"{pull.value:06.2f}".encode() in data, pull.id
        trace = found.traces[pull.id]
        assert abs(trace.force_n[abs(trace.t_s).argmin()] - pull.value) < 0.02
        assert len(trace.t_s) <= 260 < found.samples_n[pull.id]


def test_stamps_lead_to_checks_and_these_to_references(pages: dict[str, Page]) -> None:
    to_checks = [
        place
        for path, place in pages["trial-alder.html"].leads_to
        if path.name == "calibration.html" and place
    ]
    assert len(set(to_checks)) == 1
    words = pages["calibration.html"].words
    assert "W-1 (invented)" in words
    assert "28 readings before the check against weight-200g: confirmed" in words
    assert "ref-weight-200g" in pages["calibration.html"].ids


def test_the_journal_keeps_what_was_published(
    made: MadeBench, published: Publication, pages: dict[str, Page], folder: Path
) -> None:
    noted = json.loads((folder / "published.json").read_text(encoding="utf-8"))
    head = next(made.journal.events(since=published.at_seq - 1))
    assert (noted["at_seq"], noted["head"]) == (published.at_seq, head.hash)
    assert noted["draft"] is False
    assert published.where == "a test"
    assert [one.trial for one in published.trials] == ["alder", "birch", "birch-2", "control"]
    for page in pages.values():
        assert head.hash in page.words
        assert made.home.method().sha256 in page.words
        assert "Nothing on this page was measured on a real panel" in page.words
        assert "every link holds" in page.words
    for one in published.trials:
        for figure in one.figures:
            assert figure.text in pages[f"product-{PRODUCT_PAGES[one.trial]}.html"].words


PRODUCT_PAGES = {
    "alder": "wax-b-co-b-invented",
    "birch": "sealant-invented",
    "birch-2": "sealant-invented",
    "control": "untreated-invented",
}


def test_names_are_text_and_never_markup(pages: dict[str, Page], folder: Path) -> None:
    assert ODD_NAME in pages["index.html"].words
    assert not [page for page in pages.values() if "<b>& Co" in page.path.read_text(encoding="utf-8")]


def test_tables_and_the_bundle_lie_beside_the_pages(folder: Path, pages: dict[str, Page]) -> None:
    linked = {path.name for path, _ in pages["index.html"].leads_to}
    beside = {path.name for path in (folder / "data").iterdir()} | {"bundle.zip"}
    assert {"readings.csv", "scorecards.json", "readings.parquet"} < beside <= linked


def test_a_draft_says_so_and_leaves_no_trace(made: MadeBench, tmp_path: Path) -> None:
    before = made.journal.head()
    out = write_draft(made, tmp_path / "draft")
    assert made.journal.head() == before
    assert not (out / "bundle.zip").exists()
    for page in pages_in(out).values():
        assert "Draft. Nothing here was published" in page.words


def test_the_same_journal_gives_the_same_pages_and_takes_their_place(made: MadeBench, tmp_path: Path) -> None:
    out = write_draft(made, tmp_path / "draft")
    first = {path.name: path.read_bytes() for path in out.glob("*.html")}
    (out / "left-over.html").write_text("from an earlier time", encoding="utf-8")
    write_draft(made, out)
    assert {path.name: path.read_bytes() for path in out.glob("*.html")} == first
    assert [path.name for path in tmp_path.iterdir()] == ["draft"]


def test_a_folder_with_something_else_is_left_alone(made: MadeBench, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("years of work", encoding="utf-8")
    with pytest.raises(ConfigError, match="holds something else"):
        write_draft(made, tmp_path)
    with pytest.raises(ConfigError, match="is no folder"):
        write_draft(made, tmp_path / "thesis.txt")
    assert (tmp_path / "thesis.txt").read_text(encoding="utf-8") == "years of work"


def small(folder: Path) -> MadeBench:
    made = MadeBench(folder)
    made.begin("alder", "Wax (invented)")
    made.slip("alder", "A", "bare", [3.0, 3.2, 3.1])
    return made


def test_what_does_not_verify_is_not_published_unless_it_says_so(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with small(tmp_path / "bench") as made:
        (made.home.recordings / "force-001.rec").unlink()
        with pytest.raises(PanelwrightError, match=r"does not hold: force-001\.rec"):
            publish_site(made.home, out, ManualClock(), wanted(made.home))
        assert not out.exists()
        assert standing(made.journal) == []
        publish_site(made.home, out, ManualClock(), wanted(made.home, unverified=True))
        assert len(standing(made.journal)) == 1
    for page in pages_in(out).values():
        assert "Not verified. These pages were written although verification found" in page.words
    assert "No figure from force-001.rec: the recording" in pages_in(out)["index.html"].words


def test_blind_trials_wait_for_their_seal(tmp_path: Path) -> None:
    with small(tmp_path / "bench") as made:
        products, panels = ("Wax One (invented)", "Wax Two (invented)"), (("B",), ("C",))
        seal(
            made.home,
            made.journal,
            made.clock,
            "spring",
            products=products,
            panels=panels,
            protocol=made.home.protocol(),
            draw=Random(1),
        )
        with pytest.raises(ConfigError, match="still blind: spring-a, spring-b") as refused:
            publish_site(made.home, tmp_path / "out", ManualClock(), wanted(made.home))
        assert "panelwright trial unseal spring" in refused.value.hint
        publish_site(made.home, tmp_path / "out", ManualClock(), wanted(made.home, leave_out_blind=True))
        left = pages_in(tmp_path / "out")
        assert (
            "Not shown: spring-a, spring-b. Their products are still under code letters."
            in left["index.html"].words
        )
        assert "trial-spring-a.html" not in left
        shown = pages_in(write_draft(made, tmp_path / "draft"))
        assert "Code A of spring" in shown["index.html"].words
        for page in (*left.values(), *shown.values()):
            assert not any(product in page.words for product in products)


def test_without_trials_there_is_nothing_to_publish(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made, pytest.raises(ConfigError, match="no trial yet"):
        write_draft(made, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_command_publishes_and_signs(made: MadeBench, tmp_path: Path) -> None:
    key, out = tmp_path / "tester.key", tmp_path / "out"
    new = ["signing-key", "new", "--out", str(key), "--no-passphrase"]
    assert CliRunner().invoke(main, new).exit_code == 0
    command = ["publish", "--home", str(made.home.folder), "--out", str(out), "--key", str(key), "--no-cards"]
    result = CliRunner().invoke(main, command)
    assert result.exit_code == 0, result.output
    assert str(out / "index.html") in result.output
    page = Page(out / "index.html")
    assert "Signed; fingerprint of the key" in page.words
    assert (out / "public-key.pem").is_file()


def test_uv_screening_is_told_in_its_own_words_and_no_others(tmp_path: Path) -> None:
    gauge = """
[gauges.lamp]
description = "irradiance-line"
port = "tcp://127.0.0.1:4"
tolerance = { relative = 0.05 }
"""
    home = lay_out(tmp_path / "bench", BENCH_MORE + gauge)
    text = home.method_file.read_text(encoding="utf-8")
    home.method_file.write_text(text.replace("[uv]\nused = false", "[uv]\nused = true"), encoding="utf-8")
    with rig(home.folder, gauges=["lamp"]) as one:
        trial = one.trial()
        sets: list[tuple[Phase, str | None]] = [("bare", None), ("bare", "control"), ("treated", None)]
        for phase, zone in (*sets, ("treated", "control")):
            one.service.measure(trial, Step(test=Kind.UV, panel="A", phase=phase, zone=zone))
            one.say("lamp", [f"E {1.25 + 0.01 * (i % 2):06.2f}\r".encode() for i in range(360)], every_s=1.0)
    publish_site(home, tmp_path / "out", ManualClock(), wanted(home, draft=True))
    page = next(page for name, page in pages_in(tmp_path / "out").items() if name.startswith("product-"))
    card = json.loads((tmp_path / "out" / "data" / "scorecards.json").read_text(encoding="utf-8"))[0]
    screening = next(score["screening"] for score in card["scores"] if score["test"] == "UV screening")
    assert screening["detected"] is False
    assert "no effect detected at this sensitivity" in screening["words"]
    assert screening["words"] in page.words


def test_places_in_pages_differ_where_names_do() -> None:
    ids = ["force-001.rec#1", "force-001.rec#11", "a b", "a-b", "a/b", "wähle", "wahle"]
    assert len({names.place("r", one) for one in ids}) == len(ids)
    assert names.slugs(["A b", "Wax"])["A b"] == "a-b"
    assert len(set(names.slugs(["A b", "a-b", "Воск", "蜡", "Ü", "x" * 99, "x" * 98]).values())) == 7


def test_readings_keep_the_digits_of_their_gauge(made: MadeBench, pages: dict[str, Page]) -> None:
    pulls: list[Reading] = [one for one in gather(made.journal).readings if one.quantity == "force"]
    assert any(f"{one.value:.2f}".endswith("0") for one in pulls)
    words = pages["trial-alder.html"].words
    assert all(f"{one.value:.2f} N" in words for one in pulls if one.trial == "alder")


def test_what_could_not_be_written_is_not_said_to_be_published(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"

    def no_room(*_: object, **__: object) -> Path:
        raise PanelwrightError("the bundle cannot be written", hint="make room")

    with small(tmp_path / "bench") as made:
        write_draft(made, out)
        before = {path.name: path.read_bytes() for path in out.glob("*.*")}
        monkeypatch.setattr("acquire.outputs.publish.site.write_bundle", no_room)
        with pytest.raises(PanelwrightError, match="the bundle cannot be written"):
            publish_site(made.home, out, ManualClock(), wanted(made.home))
        assert standing(made.journal) == []
    assert {path.name: path.read_bytes() for path in out.glob("*.*")} == before


def test_a_folder_that_cannot_be_put_in_place_leaves_the_old_one_there(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "index.html").write_text("old", encoding="utf-8")
    with pytest.raises(FileNotFoundError):
        _put_in_place(tmp_path / "never made", out, tmp_path / "old")
    assert (out / "index.html").read_text(encoding="utf-8") == "old"
