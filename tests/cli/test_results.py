"""score, standings, journal, verify, report: what they print, and how they end."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from acquire.cli import main, results
from acquire.model import Amendment
from acquire.model import Test as Kind
from acquire.outputs.budgets import COLUMNS
from acquire.results import gather, scorecards
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings
from tests.benches import MadeBench, method_text

COMMANDS: dict[str, click.Command] = {
    "score": results.score,
    "standings": results.standings,
    "journal": results.journal,
    "verify": results.verify,
    "report": results.report,
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeBench]:
    with MadeBench(tmp_path_factory.mktemp("made") / "bench") as made:
        made.check_force()
        made.begin("alder", "Product Alder (invented)")
        made.begin("birch", "Product Birch (invented)")
        for trial, treated_n in (("alder", 2.0), ("birch", 2.02)):
            made.slip(trial, "A", "bare", [3.0, 3.2, 3.1], refused=1)
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1, treated_n])
            made.gloss(trial, "A", "bare", [91.0, 90.8, 91.3])
            made.gloss(trial, "A", "treated", [93.0, 92.8, 93.3])
            made.rate(trial, Kind.HANDLING, "A", 7.5, f"rating.h.{trial}")
            made.wash(trial, "A", 60, 60, passed=True)
        made.rate("alder", Kind.APPEARANCE, "A", 8.0, "rating.a.alder")
        made.inspect("alder", "A", 150, 150, passed=False)
        first = gather(made.journal).readings[0].id
        made.logger.amend(Amendment(reading=first, what="ruling", reason="fine", by="tester", counts=True))
        made.check_force(off_n=0.2)
        made.write("scorecard", scorecards(gather(made.journal), made.bench, made.home.method())[0])
        yield made


def run(made: MadeBench, command: str, *args: str) -> Result:
    return CliRunner().invoke(main, [command, *args, "--home", str(made.home.folder)])


def said(result: Result) -> str:
    """What was printed, on one line: wrapping is the terminal's."""
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str) -> None:
    result = CliRunner().invoke(COMMANDS[name], ["--help"])
    assert result.exit_code == 0
    assert f"Example:  panelwright {name}" in result.output


@pytest.mark.parametrize(
    "args", [("score", "--budget"), ("standings",), ("journal",)], ids=lambda args: str(args[0])
)
def test_nothing_is_wider_than_eighty_columns(made: MadeBench, args: tuple[str, ...]) -> None:
    result = run(made, *args)
    assert result.exit_code == 0
    assert max(len(line.rstrip()) for line in result.output.splitlines()) <= 80


def test_a_scorecard_tells_points_doubt_and_what_became_of_every_reading(made: MadeBench) -> None:
    text = said(run(made, "score", "alder", "--budget"))
    assert "Trial alder" in text
    assert "Trial birch" not in text
    # By hand: (3.1 N - 2.0 N) / (0.800 kg x 9.812 m/s²) = 0.140; noise of the lines is 6 mN.
    friction = re.search(r"A: friction (0\.\d{3}) lower when treated", text)
    assert friction is not None
    assert float(friction[1]) == pytest.approx(0.140, abs=0.0015)
    assert "A: 2.0 GU higher when treated" in text
    assert "left out: force-002.rec#3: taken beyond the 3 that the method asks for" in text
    assert "marked, doubtful: 6 readings" in text
    assert "marked, unchecked today: 6 readings" in text
    assert "passed stage 60, failed at 150" in text
    assert "degrees of freedom (Welch–Satterthwaite)" in text
    assert "counts by a person's ruling" in text
    assert "normal gravity" in text


def test_a_budget_names_every_source_with_its_share(made: MadeBench) -> None:
    result = CliRunner().invoke(
        main, ["score", "alder", "--budget", "--home", str(made.home.folder)], env={"COLUMNS": "120"}
    )
    lines = [line.split() for line in result.output.splitlines()]
    assert [*" ".join(COLUMNS).split()] in lines
    bare = next(line for line in lines if line[:5] == ["repeatability,", "bare", "slip", "on", "A"])
    assert (bare[5], bare[7:9], bare[-1]) == ("0", ["N", "normal"], "2")
    # 40 points per unit of friction over the block's weight of 0.800 kg × 9.812 m/s².
    assert float(bare[9]) == pytest.approx(40 / (0.8 * 9.812), rel=0.002)
    assert float(bare[10]) == pytest.approx(float(bare[6]) * float(bare[9]), rel=0.1)
    printed = json.loads(run(made, "score", "alder", "--json").output)[0]["scores"][0]["points"]["budget"]
    assert {line["source"] for line in printed} >= {"mass of the block", "repeatability, bare slip on A"}
    assert all(line["key"] and line["sensitivity"] for line in printed)


def test_all_scorecards_come_without_a_name(made: MadeBench) -> None:
    text = said(run(made, "score"))
    assert "Trial alder" in text
    assert "Trial birch" in text
    assert "repeatability" not in text


def test_as_stamped_knows_nothing_of_later_doubts(made: MadeBench) -> None:
    text = said(run(made, "score", "alder", "--as-stamped"))
    assert "doubtful" not in text
    assert "a person's ruling" not in text


def test_scorecards_as_json_are_the_scorecards(made: MadeBench) -> None:
    printed = json.loads(run(made, "score", "--json").output)
    cards = [Scorecard.model_validate(one) for one in printed]
    assert cards == scorecards(gather(made.journal), made.bench, made.home.method())


def test_another_method_gives_other_points(made: MadeBench, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(
        method_text().replace("points_per_unit = 40 ", "points_per_unit = 80 "), encoding="utf-8"
    )
    ours, others = (
        json.loads(run(made, "score", "alder", "--json", *args).output)[0]
        for args in ((), ("--method", str(other)))
    )
    slips = [card["scores"][0]["points"]["unrounded"] for card in (ours, others)]
    assert slips[1] == pytest.approx(2 * slips[0])
    assert ours["method_sha256"] != others["method_sha256"]


def test_an_unknown_trial_ends_with_one_clear_error(made: MadeBench) -> None:
    result = run(made, "score", "aldr")
    assert result.exit_code == 1
    assert result.output == "Error: the journal has no trial 'aldr'\n  did you mean 'alder'?\n"


def test_standings_name_places_and_what_is_missing(made: MadeBench) -> None:
    text = said(run(made, "standings"))
    assert "birch is not ranked, for want of appearance" in text
    assert "expanded uncertainty at 95 % coverage" in text


def test_standings_say_what_cannot_be_told_apart(made: MadeBench, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(
        method_text().replace("[appearance]\nused = true", "[appearance]\nused = false"), encoding="utf-8"
    )
    text = said(run(made, "standings", "--method", str(other)))
    assert "alder cannot be told from birch" in text
    assert "birch cannot be told from alder" in text


def test_standings_as_json_are_the_standings(made: MadeBench) -> None:
    ranked = Standings.model_validate(json.loads(run(made, "standings", "--json").output))
    assert [row.trial for row in ranked.rows] == ["alder", "birch"]


def test_the_journal_tells_what_happened_in_words(made: MadeBench) -> None:
    text = said(run(made, "journal"))
    for sentence in (
        "trial alder begun: Product Alder (invented), on A",
        "recording force-001.rec begun, gauge force (force-stream-n)",
        "N for alder, bare slip on A; gauge force in tolerance",
        "beyond the number asked for",
        "gauge force checked against weight-200g: fail; deviation +0.198",
        "refused",
        "alder: treated handling on A rated 7.5",
        "alder: A failed at wash stage 150, 150 strokes counted",
        "counts, says tester: fine",
        "doubtful: force failed against weight-200g afterwards",
        "alder scored: ",
        "10 strokes for alder, treated wash endurance on A at stage 60",
    ):
        assert sentence in text


def test_the_journal_can_be_cut_to_kind_and_number(made: MadeBench) -> None:
    checks = json.loads(run(made, "journal", "--kind", "check", "--json").output)
    assert [event["body"]["verdict"] for event in checks] == ["pass", "fail"]
    newest = json.loads(run(made, "journal", "--last", "2", "--json").output)
    assert [event["seq"] for event in newest] == [made.journal.head()[0] - 1, made.journal.head()[0]]
    last_check = json.loads(run(made, "journal", "--kind", "check", "--last", "1", "--json").output)
    assert last_check == checks[1:]


def test_an_unknown_kind_is_answered_with_the_known_ones(made: MadeBench) -> None:
    result = run(made, "journal", "--kind", "chek")
    assert result.exit_code == 1
    assert "no event of kind 'chek'" in result.output
    assert "there are: amendment, bench, bracket, check, " in result.output


def test_kinds_without_words_of_their_own_are_shown_as_they_are(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        made.journal.append("clock step", {"step_s": 2.5}, t_utc=made.clock.utc(), t_mono_ns=0)
        made.journal.append("trial", {"id": "alder"}, t_utc=made.clock.utc(), t_mono_ns=0)
        text = said(run(made, "journal"))
    assert 'clock step: {"step_s": 2.5}' in text
    assert "trial trial-2: not what a trial says; verify the journal" in text


def test_verify_ends_well_on_an_untouched_bench(made: MadeBench) -> None:
    head = made.journal.head()[1]
    text = said(run(made, "verify", "--head", head))
    assert "every link holds" in text
    assert head in text
    assert "every one came out the same" in text
    assert text.endswith("All holds.")


def test_verify_ends_with_status_one_if_anything_is_wrong(made: MadeBench, tmp_path: Path) -> None:
    result = run(made, "verify", "--head", "f" * 64)
    assert result.exit_code == 1
    assert "BROKEN" in result.output
    assert "NOT in order." in result.output


def test_verify_names_faults_and_cut_recordings(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        made.gloss("alder", "A", "bare", [91.0, 90.8, 91.2])
        path = made.home.recordings / "gloss-001.rec"
        path.write_bytes(path.read_bytes().replace(b"30 39 31 2E 30", b"30 39 31 2E 35") + b"+99.")
        result = run(made, "verify")
        data = json.loads(run(made, "verify", "--json").output)
    assert result.exit_code == 1
    assert "and 1 thing(s) wrong:" in result.output
    assert "value is 91.0 in the journal, 91.5 by the recording" in result.output
    assert "the last line of gloss-001.rec was never finished" in result.output
    assert data["holds"] is False
    assert [fault["item"] for fault in data["faults"]] == ["gloss-001.rec#0"]
    assert data["cut"] == ["gloss-001.rec"]


@pytest.mark.slow
def test_report_prints_where_the_page_is(made: MadeBench, tmp_path: Path) -> None:
    out = tmp_path / "page"
    result = CliRunner().invoke(results.report, ["--out", str(out), "--home", str(made.home.folder)])
    assert Path(said(result)) == out / "index.html"
    assert (out / "index.html").is_file()


def test_a_folder_that_is_no_bench_says_so(tmp_path: Path) -> None:
    for name in ("score", "standings", "journal", "verify"):
        result = CliRunner().invoke(main, [name, "--home", str(tmp_path)])
        assert result.exit_code == 1
        assert "there is no " in result.output
        assert "panelwright init" in result.output
