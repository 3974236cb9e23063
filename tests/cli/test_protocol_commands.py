"""The protocol, panels, blind trials, earlier results and a new bench, as they are typed."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from acquire.cli import begin, main
from acquire.earlier import TEMPLATE
from acquire.home import Home
from tests.benches import MadeBench
from tests.rig import lay_out


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return lay_out(tmp_path / "bench")


def run(home: Home, *words: str, code: int = 0, typed: str | None = None) -> str:
    result = CliRunner().invoke(main, [*words, "--home", str(home.folder)], input=typed)
    assert result.exit_code == code, result.output
    return result.output


def data(home: Home, *words: str) -> Any:
    return json.loads(run(home, *words, "--json"))


def open_larch(home: Home, *more: str) -> None:
    run(home, "trial", "open", "larch", "--product", "Invented wax", "--panel", "A", *more)


def skip_to(home: Home, key: str) -> None:
    while (step := data(home, "next", "larch")[0]["next"])["key"] != key:
        run(home, "step", "skip", "larch", step["key"], "--reason", "not today")


def test_next_says_what_it_is_what_is_at_hand_and_what_can_hurt(home: Home) -> None:
    open_larch(home)
    for _ in range(3):
        run(home, "step", "done", "larch")
    said = run(home, "next")
    assert "larch: Invented wax on A\n  Next: Wipe with solvent on A\n" in said
    assert f"    panelwright step done larch wipe/A --home {home.folder}\n" in said
    assert "    At hand: panel wipe;" in said
    assert "    Caution: Solvent wipes are flammable" in said
    assert "  Also open: bare-slip/A, bare-gloss/A\n" in said
    assert all(len(line) <= 80 for line in said.splitlines() if "--home" not in line)


def test_closing_checks_name_the_gauges_that_want_one(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        made.check_force()
        run(made.home, "trial", "open", "larch", "--product", "Invented wax", "--panel", "A")
        made.slip("larch", "A", "bare", [2.5, 2.6, 2.7])
        skip_to(made.home, "closing-checks")
        said = run(made.home, "next", "larch")
        assert "panelwright check GAUGE --against REFERENCE" in said
        assert "Not checked since their last reading: force" in said
        run(made.home, "step", "done", "larch", "closing-checks")
        assert "ticked off, and no check of force follows its last reading" in run(
            made.home, "trial", "deviations", "larch"
        )


def test_a_panel_that_is_not_listed_is_told_at_opening(home: Home) -> None:
    said = run(home, "trial", "open", "larch", "--product", "Invented wax", "--panel", "A")
    assert "A is not in the list of panels" in said
    assert "panelwright panel add A --colour COLOUR --zones control" in said


def test_without_an_open_trial_next_says_how_to_begin_one(home: Home) -> None:
    home.journal().close()
    assert "panelwright trial open" in run(home, "next")
    assert data(home, "next") == []


def test_capture_waits_for_the_cure_and_says_until_when(home: Home) -> None:
    open_larch(home)
    skip_to(home, "apply/A")
    said = run(home, "apply", "larch", "--sprays", "3", "--wipe-off-min", "5", "--ago-min", "30")
    assert "Invented wax applied on A: 3 sprays." in said
    told = run(home, "journal", "--kind", "application")
    assert "larch: product applied on A: 3 sprays, 5 min until wiped off" in " ".join(told.split())
    assert "protocol in use from here on, sha256" in run(home, "journal", "--kind", "protocol")
    assert "Cures until " in said
    run(home, "rate", "larch", "handling", "8")
    refused = run(home, "capture", "larch", code=1)
    assert "A cures until " in refused
    assert "--early to start now; it will be marked" in refused
    judged = run(home, "rate", "larch", "appearance", "8", "--panel", "A", code=1)
    assert "A cures until " in judged
    assert "A cures until " in run(home, "inspect", "larch", "60", "--passed", code=1)
    run(home, "rate", "larch", "appearance", "8", "--early")
    waits = run(home, "next", "larch")
    assert "Waits: Let it cure on A until " in waits
    assert f"    panelwright step skip larch cure/A --reason ... --home {home.folder}\n" in waits
    every = run(home, "next", "larch", "--all")
    assert "  waiting      cure/A\n" in every
    assert "  held         slip/A                        0 of 3\n" in every
    run(home, "step", "begin", "larch", "slip/A", "--early", "--reason", "stated as ready")
    said = run(home, "trial", "deviations", "larch")
    assert "early: Rate the appearance on A: begun before what should come first" in said
    assert (
        "early: Slip of the treated panel on A: begun before what should come first, because stated" in said
    )


def test_steps_are_skipped_and_opened_again_with_their_reasons_in_the_journal(home: Home) -> None:
    open_larch(home)
    run(home, "step", "done", "larch", "clean")
    run(home, "step", "void", "larch", "clean", "--reason", "wrong panel", "--by", "a tester")
    assert "larch: clean/A voided, says a tester: wrong panel" in run(home, "journal", "--kind", "step")
    found = data(home, "trial", "deviations", "larch")
    assert [(one["step"], one["what"], one["by"]) for one in found] == [("clean/A", "voided", "a tester")]
    assert "needs its reason" in run(home, "step", "skip", "larch", "clean", "--reason", " ", code=1)


def test_a_panel_has_its_colour_zones_and_history(home: Home) -> None:
    home.journal().close()
    assert "No panel is listed yet" in run(home, "panel", "list")
    run(home, "panel", "add", "A", "--colour", "black", "--zones", "control")
    run(home, "panel", "polish", "A")
    assert "not in the list" not in run(
        home, "trial", "open", "larch", "--product", "Invented wax", "--panel", "A"
    )
    told = run(home, "journal", "--kind", "panel")
    assert "panel A listed: black, zones control" in told
    assert "panel A polished" in told
    assert "A: black; polished once; listed" in run(home, "panel", "list")
    assert "zones: control; in trial larch" in run(home, "panel", "list")
    assert "larch: Invented wax on A (black, polished once)\n" in run(home, "next")
    (listed,) = data(home, "panel", "list")
    assert (listed["colour"], listed["zones"], listed["polished"], listed["trial"]) == (
        "black",
        ["control"],
        1,
        "larch",
    )
    words = ("inspect", "larch", "60", "--passed", "--early")
    assert "say --against-control better, same or worse" in run(home, *words, code=2)
    said = data(home, *words, "--against-control", "worse", "--cut-through")
    assert (said["against_control"], said["cut_through"]) == ("worse", True)
    run(home, "panel", "retire", "A", "--reason", "cut through")
    assert "panel 'A' was retired: cut through" in run(
        home, "trial", "open", "fir", "--product", "W", "--panel", "A", code=1
    )


def test_a_rating_without_a_value_shows_the_scale_and_asks(home: Home) -> None:
    open_larch(home)
    anchored = home.method().handling.anchor_lines()
    assert anchored, "the shipped method has anchors"
    said = run(home, "rate", "larch", "handling", "--early", typed="7.5\n")
    for line in anchored:
        assert line in said
    assert "from 0 to 10 in steps of 0.5" in said
    assert "treated handling on A: 7.5" in said


def test_a_class_and_no_protocol_can_be_said_at_opening(home: Home) -> None:
    opened = data(
        home, "trial", "open", "fir", "--product", "W", "--panel", "B", "--class", "wax", "--without-protocol"
    )
    assert (opened["product_class"], opened["protocol"]) == ("wax", None)
    assert "was opened without a protocol" in run(home, "next", "fir", code=1)


def test_products_go_under_code_letters_and_come_out_again(home: Home) -> None:
    words = [
        "trial",
        "blind",
        "spring",
        "--product",
        "Larch",
        "--on",
        "A,B",
        "--product",
        "Fir",
        "--on",
        "C,D",
    ]
    said = run(home, *words)
    assert "Code A: trial spring-a\nCode B: trial spring-b\n" in said
    assert "Larch" not in said
    assert "Larch" not in run(home, "trial", "list")
    assert "ratings are missing" in run(home, "trial", "unseal", "spring", code=1)
    opened = data(home, "trial", "unseal", "spring", "--early", "given up")
    assert sorted(opened["mapping"].values()) == ["Fir", "Larch"]
    told = " ".join(run(home, "journal", "--kind", "sealed").split())
    assert "spring: 2 products sealed under code letters: A in spring-a, B in spring-b" in told
    assert "spring unsealed early: given up: A was" in run(home, "journal", "--kind", "unsealed")
    assert "Larch" in run(home, "trial", "list")


def test_a_template_imports_as_it_is(home: Home, tmp_path: Path) -> None:
    assert run(home, "import", "--template") == TEMPLATE
    table = tmp_path / "earlier.csv"
    table.write_text(TEMPLATE, encoding="utf-8")
    assert data(home, "import", str(table)) == {
        "trials": ["old-1"],
        "rows": 8,
        "missing": {"old-1": ["slip", "gloss"]},
    }
    second = tmp_path / "more.csv"
    second.write_text(TEMPLATE.replace("old-1", "old-2"), encoding="utf-8")
    said = run(home, "import", str(second))
    assert "old-2 is not ranked: by the method it still lacks slip, gloss." in said
    assert "Each pull, gloss or irradiance is a row of its own" in said
    assert "old-1: Invented wax. Earlier results, typed in." in run(home, "trial", "list")
    assert "8 earlier results typed in from" in run(home, "journal", "--kind", "import")
    assert "All holds." in run(home, "verify")
    assert "name a table" in run(home, "import", code=2)
    assert "standard_uncertainty" in run(home, "import", "--help")


ANSWERS = [
    "My bench (invented)",
    "+01:00",
    "y",
    "52",
    "80",
    "1",  # the first force gauge, typed
    "tcp://127.0.0.1:5",
    "",
    "0",  # no glossmeter
    "1",
    "later",
    "",
    "y",  # a weight
    "200",
    "0.01",
    "W-1 (invented)",
    "2031-13-01",
    "2031-12-31",
    "n",
    "",
]


def test_a_new_bench_asks_what_it_must_know(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(begin, "on_terminal", lambda: True)
    home = Home(tmp_path / "bench")
    said = run(home, "init", typed="\n".join(ANSWERS) + "\n")
    assert "is no date such as" in said, "a slip is asked again"
    bench = home.bench()
    assert (bench.name, bench.time_zone) == ("My bench (invented)", "+01:00")
    assert bench.place is not None
    assert (bench.place.latitude_deg, bench.place.height_m) == (52.0, 80.0)
    assert {name: gauge.port for name, gauge in bench.gauges.items()} == {
        "force": "tcp://127.0.0.1:5",
        "wash": "serial:usb=FILL-IN-WASH",
    }
    assert list(bench.references) == ["weight-200g", "strokes-50"]
    assert home.method().title == "Starting method"
    assert home.protocol().title == "Starting protocol"
    assert not list(home.folder.glob("*draft*"))
    assert "laid out already" in run(home, "init"), "and asks nothing a second time"


def test_gauges_that_are_plugged_in_later_do_not_stand_in_each_others_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(begin, "on_terminal", lambda: True)
    home = Home(tmp_path / "bench")
    typed = ["B (invented)", "", "n", "", "tcp://h:1", "", "", "tcp://h:1", "later", "", "", "later", ""]
    said = run(home, "init", typed="\n".join([*typed, "n", "n", "50"]) + "\n")
    assert "tcp://h:1 is the port of a gauge further up" in said
    kinds = {name: gauge.description for name, gauge in home.bench().gauges.items()}
    assert kinds == {"force": "force-stream-n", "gloss": "gloss-key", "wash": "wash-stroke"}, "Enter alone"
    ports = {name: gauge.port for name, gauge in home.bench().gauges.items()}
    assert ports == {
        "force": "tcp://h:1",
        "gloss": "serial:usb=FILL-IN-GLOSS",
        "wash": "serial:usb=FILL-IN-WASH",
    }


def test_asked_for_nothing_it_writes_the_example(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(begin, "on_terminal", lambda: True)
    home = Home(tmp_path / "bench")
    run(home, "init", "--yes")
    assert home.bench().name == "Example bench (invented)"


def test_answers_given_up_leave_no_bench_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(begin, "on_terminal", lambda: True)
    home = Home(tmp_path / "bench")
    run(home, "init", typed="Half a bench\n", code=1)
    assert not home.folder.exists()
