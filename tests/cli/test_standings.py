"""panelwright standings: rows by trial and by product, one test, filters, and eighty columns."""

import json
import re
from collections.abc import Iterator

import pytest
from click.testing import CliRunner, Result

from acquire.cli import main
from acquire.cli.ranked import print_ranked
from acquire.model import Test as Kind
from acquire.protocol_events import PanelEvent
from acquire.scoring.standings import Standings, rank
from tests.benches import MadeBench
from tests.points_kit import card, line, points


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeBench]:
    """Two trials of one invented product, one of another, and an untreated control."""
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        made.check_force()
        made.write("panel", PanelEvent(panel="B", what="added", colour="white", t_utc=made.clock.utc()))
        rows = [("alder", "Alder", 2.0, "A"), ("alder-2", "Alder", 2.05, "A"), ("birch", "Birch", 2.7, "B")]
        for trial, product, treated_n, panel in [*rows, ("bare", "Nothing", 3.05, "A")]:
            made.begin(trial, f"{product} (invented)", panels=[panel], control=trial == "bare")
            made.slip(trial, panel, "bare", [3.0, 3.2, 3.1])
            made.slip(trial, panel, "treated", [treated_n, treated_n + 0.1, treated_n - 0.1])
            made.gloss(trial, panel, "bare", [91.0, 90.8, 91.3])
            made.gloss(trial, panel, "treated", [92.0, 91.8, 92.3])
            made.rate(trial, Kind.APPEARANCE, panel, 8.0, f"rating.a.{trial}")
            if trial != "bare":
                made.rate(trial, Kind.HANDLING, panel, 7.5, f"rating.h.{trial}")
            made.wash(trial, panel, 60, 60, passed=True)
            made.inspect(trial, panel, 150, 150, passed=trial == "alder-2")
        yield made


def run(made: MadeBench, *args: str) -> Result:
    return CliRunner().invoke(main, ["standings", *args, "--home", str(made.home.folder)])


def said(result: Result) -> str:
    """What was printed, on one line: wrapping is the terminal's."""
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def as_json(made: MadeBench, *args: str) -> Standings:
    return Standings.model_validate(json.loads(run(made, *args, "--json").output))


@pytest.mark.parametrize("args", [(), ("--by", "product"), ("--test", "slip")], ids=str)
def test_nothing_is_wider_than_eighty_columns(made: MadeBench, args: tuple[str, ...]) -> None:
    result = run(made, *args)
    assert result.exit_code == 0
    assert max(len(row.rstrip()) for row in result.output.splitlines()) <= 80


def test_trials_with_the_doubt_of_their_places(made: MadeBench) -> None:
    text = said(run(made))
    assert "alder cannot be told from alder-2" in text
    assert "bare is not ranked: untreated control" in text
    assert "(1–2)" in text
    assert "(3)" in text
    assert re.search(r"chance of first place: alder-2 \d\d %, alder \d\d %", text)
    assert "corrected for 3 pairs by Holm's method" in text
    rows = {row.trial: row for row in as_json(made).rows}
    assert (rows["birch"].letters, rows["alder"].letters) == (("b",), ("a",))
    assert rows["alder-2"].status == "at least"
    assert rows["alder"].product == "Alder (invented)"


def test_products_with_the_scatter_of_their_trials(made: MadeBench) -> None:
    text = said(run(made, "--by", "product"))
    assert "2 trials" in text
    assert "seldom called real; make a third trial" in text
    assert "third trial" not in said(run(made))
    assert re.search(r"Alder \(invented\): alder, alder-2 scatter by 0\.\d+ points more than", text)
    assert "≥ 22." in text
    # alder gave way between 60 and 150 strokes as counted, alder-2 stood at 150; the control has no life.
    assert (
        "Alder (invented) washed: half of 2 runs (1 of them without a failure) had given way by some count "
        "between 60 and 150 strokes; the median lies above 60 with 50 % confidence at least" in text
    )
    assert "Birch (invented) washed: one run: gave way between 60 and 150 strokes" in text
    ranked = as_json(made, "--by", "product")
    lives = {row.trial: row.life for row in ranked.rows}
    assert lives["Nothing (invented)"] is None
    alder = lives["Alder (invented)"]
    assert alder is not None
    assert [(one.trial, one.passed_strokes, one.failed_strokes) for one in alder.runs] == [
        ("alder", 60, 150),
        ("alder-2", 150, None),
    ]
    assert all(row.life is None for row in as_json(made).rows)
    assert [(row.trial, row.trials) for row in ranked.rows] == [
        ("Alder (invented)", ("alder", "alder-2")),
        ("Birch (invented)", ("birch",)),
        ("Nothing (invented)", ("bare",)),
    ]


def test_one_test_has_its_own_order(made: MadeBench) -> None:
    assert "Standings by wash endurance" in said(run(made, "--test", "wash"))
    assert [row.trial for row in as_json(made, "--test", "wash").rows] == [
        "alder-2",
        "alder",
        "birch",
        "bare",
    ]
    result = run(made, "--test", "uv")
    assert result.exit_code == 1
    assert result.output.startswith("Error: the method does not use UV screening\n  it uses: slip, gloss,")


def test_filters(made: MadeBench) -> None:
    white = as_json(made, "--colour", "white")
    assert [row.trial for row in white.rows] == ["birch"]
    assert white.note == "With fewer than two ranked rows there is nothing to compare."
    begun = made.clock.utc().date().isoformat()
    assert len(as_json(made, "--since", begun, "--until", begun).rows) == 4
    result = run(made, "--until", "2001-01-01")
    assert result.exit_code == 1
    assert "Error: no trial was begun in that time" in result.output
    assert run(made, "--class", "wax").exit_code == 1


def test_many_rows_leave_the_telling_to_letters(capsys: pytest.CaptureFixture[str]) -> None:
    cards = [card(f"trial-{n:02}", points(20 - n / 2, line(0.5))) for n in range(20)]
    cards.append(card("unfinished", points(3, line(0.5)), missing=[Kind.WASH]))
    ranked = rank(cards)
    print_ranked(ranked)
    text = " ".join(capsys.readouterr().out.split())
    assert "cannot be told from" not in text
    assert "rows that have a letter in common cannot be told apart" in text
    assert "unfinished is not ranked, for want of wash endurance" in text
    longest = max((row.letters for row in ranked.rows), key=len)
    assert len(longest) >= 4
    assert f"{longest[0]}–{longest[-1]}" in text
