"""stamps, incident, clear, touched, report and --as-of: what they print, and how they end."""

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.cli import main
from acquire.clock import SystemClock
from acquire.model import Step
from acquire.model import Test as Kind
from acquire.notes import Note
from acquire.results import gather, scorecard
from acquire.service import Service
from tests.benches import MadeBench
from tests.cli.test_at_the_bench import SPEED, gauge_on, panelwright
from tests.sim_process import SimProcess

pytestmark = pytest.mark.slow


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        made.check_force()
        made.slip("alder", "A", "bare", [3.0, 3.2, 3.1])
        made.slip("alder", "A", "treated", [2.0, 2.1, 1.9])
        yield made


def run(made: MadeBench, *args: str) -> Result:
    return CliRunner().invoke(main, [*args, "--home", str(made.home.folder)])


def test_a_report_is_kept_as_published_unless_it_is_a_draft(made: MadeBench) -> None:
    assert run(made, "report", "--draft").exit_code == 0
    assert list(made.journal.events("published")) == []
    at_seq = made.journal.head()[0]
    assert run(made, "report", "--where", "spring page (invented)").exit_code == 0
    (kept,) = made.journal.events("published")
    assert (kept.body["where"], kept.body["at_seq"]) == ("spring page (invented)", at_seq)
    assert "published in spring page (invented): 1 trial by" in run(made, "journal").output
    made.check_force()
    assert "6 readings of gauge force confirmed by its check" in " ".join(run(made, "journal").output.split())
    assert run(made, "report").exit_code == 0
    assert [event.body["where"] for event in made.journal.events("published")][-1].endswith("report")


def test_touched_lists_each_figure_as_published_as_known_now_and_with_the_drift_taken_off(
    made: MadeBench,
) -> None:
    assert run(made, "report", "--where", "page").exit_code == 0
    quiet = run(made, "touched")
    assert (quiet.exit_code, quiet.output) == (
        0,
        "No published figure rests on a reading of which more was learnt since.\n",
    )
    made.check_force(off_n=0.2)
    found = run(made, "touched")
    assert found.exit_code == 1
    assert "alder, slip: published" in found.output
    assert "as known now" in found.output
    assert "drift taken off" in found.output
    assert found.output.count("because of 6 readings (") == 1, "once for slip and total"
    assert found.output.count("page, published 20") == 1
    slip, total = json.loads(run(made, "touched", "--json").output)
    assert (slip["trial"], slip["figure"], total["figure"]) == ("alder", "slip", "total")
    assert slip["published"]["unrounded"] == slip["now"]["unrounded"]
    gone = slip["drift_taken_off"]["unrounded"] - slip["published"]["unrounded"]
    assert slip["drift_taken_off"]["difference"] == pytest.approx(gone)
    # The treated panel was pulled later, when more had gone: its force comes down by more than the bare.
    assert gone > 0.05


def test_clear_takes_a_doubt_back(made: MadeBench) -> None:
    made.check_force(off_n=0.2)
    (check,) = [event.id for event in made.journal.events("check") if event.body["verdict"] == "fail"]
    assert "doubtful, failed" in run(made, "stamps").output
    said = run(made, "clear", "--check", check, "--reason", "wrong weight", "--by", "K.")
    assert said.output == "6 readings are as they were logged again, because wrong weight\n"
    assert "doubtful" not in run(made, "stamps", "alder").output
    again = run(made, "clear", "--check", check, "--reason", "wrong weight", "--by", "K.")
    assert again.exit_code == 1
    assert "no reading is in doubt by a check" in again.output


def test_incident_says_whether_a_check_is_due(made: MadeBench) -> None:
    said = run(made, "incident", "force", "dropped", "--note", "on its hook", "--by", "K.")
    assert said.output == "force was dropped (on its hook); check it before you go on\n"
    told = json.loads(run(made, "incident", "force", "re-plugged", "--json").output)
    assert (told["kind"], told["needs_check"]) == ("re-plug", False)
    assert "gauge force was dropped (on its hook); check it" in run(made, "journal").output


def test_score_and_stamps_can_be_had_as_of_any_event_or_time(made: MadeBench) -> None:
    before, moment = made.journal.head()[0], made.clock.utc()
    made.check_force(off_n=0.2)

    def marks(*args: str) -> int:
        (card,) = json.loads(run(made, "score", "--json", *args).output)
        return sum(len(score["marks"]) for score in card["scores"])

    def states(*args: str) -> set[str]:
        return {one["stamp"]["state"] for one in json.loads(run(made, "stamps", "--json", *args).output)}

    for asked, count, state in (
        ((), 6, "doubtful"),
        (("--as-stamped",), 0, "in tolerance"),
        (("--as-of", str(before)), 0, "in tolerance"),
        (("--as-of", moment.isoformat()), 0, "in tolerance"),
        (("--as-of", "2031-05-04T23:59"), 6, "doubtful"),
    ):
        assert (marks(*asked), states(*asked)) == (count, {state})
    assert json.loads(run(made, "score", "--json", "--as-of", "2031-05-04T07:00").output) == []
    assert run(made, "standings", "--as-of", str(before), "--json").exit_code == 0
    wrong = run(made, "score", "--as-of", "yesterday")
    assert wrong.exit_code == 1
    assert "neither the number of an event nor a time" in wrong.output


def test_stamps_show_what_the_uncertainty_is_made_of(made: MadeBench) -> None:
    said = run(made, "stamps", "alder").output
    assert "in tolerance, open: passed against weight-200g" in said
    assert "standard uncertainty of the gauge 0.00" in said
    assert said.count("in tolerance, open") == 2, "one for each step"
    assert "?  drift since the check, not known: its own checks give 0 changes of the 8 needed" in said


def test_a_reading_that_waits_for_its_closing_check_says_so(made: MadeBench) -> None:
    text = made.home.bench_file.read_text(encoding="utf-8")
    ruled = text.replace("[gauges.gloss]", "[gauges.force.rules]\nafter_trial = true\n\n[gauges.gloss]")
    made.home.bench_file.write_text(ruled, encoding="utf-8")
    made.reopen()
    made.slip("alder", "A", "treated", [2.0])
    assert run(made, "stamps").output.count("not confirmed yet by a check behind it") == 1
    made.begin("cedar", "Product Cedar (invented)")
    made.slip("cedar", "A", "bare", [3.0, 3.1, 2.9])
    made.slip("cedar", "A", "treated", [2.0, 2.1, 1.9])
    assert waiting(made, "--as-stamped") == waiting(made) == ["bare on A", "treated on A"]
    made.check_force()
    assert "not confirmed yet" not in run(made, "stamps").output
    assert waiting(made) == []
    assert len(waiting(made, "--as-stamped")) == 2, "as it was then, none was confirmed"
    assert run(made, "verify").exit_code == 0


def waiting(made: MadeBench, *options: str) -> list[str]:
    """Sets of cedar whose card says that all three readings wait for the check behind them."""
    (card,) = json.loads(run(made, "score", "cedar", "--json", *options).output)
    notes = [note for score in card["scores"] for note in score["notes"]]
    said = ": 3 of the 3 readings used are not confirmed yet by a check behind them"
    return [note.removesuffix(said) for note in notes if note.endswith(said)]


def test_strokes_that_wait_for_their_closing_check_say_so_on_the_card(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        text = made.home.bench_file.read_text(encoding="utf-8")
        ruled = text.replace("[references.", "[gauges.wash.rules]\nafter_trial = true\n\n[references.", 1)
        made.home.bench_file.write_text(ruled, encoding="utf-8")
        made.reopen()
        made.begin("cedar", "Product Cedar (invented)")
        made.wash("cedar", "A", 60, 60, passed=True)
        material = gather(made.journal)
        named = tuple(reading.id for reading in material.readings)
        asked = tuple(one.model_copy(update={"readings": named}) for one in material.inspections)
        material = replace(material, inspections=asked)
        score = scorecard(material, made.bench, made.home.method(), "cedar").score(Kind.WASH)
        assert score is not None
        assert "A: 6 of the 6 readings used are not confirmed yet by a check behind them" in score.notes


class Hands:
    """Hangs the weight and takes it off as the notes say; pulls when asked to."""

    def __init__(self, gauge: SimProcess) -> None:
        self._gauge = gauge
        self.notes: list[Note] = []

    def hear(self, note: Note) -> None:
        self.notes.append(note)
        if note.kind == "waiting" and "hang weight-200g" in note.text:
            self._gauge.tell("weight 0.2")
        elif note.kind == "waiting" and "take it off" in note.text:
            self._gauge.tell("weight 0")
        elif note.kind == "waiting" and note.text.startswith("pull the block"):
            self._gauge.tell("pull 3")

    def told(self, words: str) -> list[str]:
        return [note.text for note in self.notes if words in note.text]


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_a_gauge_that_moved_during_the_day_is_found_told_and_reckoned_with(tmp_path: Path) -> None:
    """On a pseudo-terminal: check, pulls, publish; the gain moves by 4 %, and the closing check fails."""
    with gauge_on(tmp_path, "force", "force-stream-n", "--mass-g", "800") as (gauge, home):
        hands = Hands(gauge)
        with Service(
            home, clock=SystemClock(SPEED), tell=hands.hear, gauges=["force"], shortest_limit_s=5.0
        ) as service:
            trial = gather(service.journal).trial("t")
            service.await_ports(200.0)

            service.run(service.check("force", "weight-200g", repeats=2))
            for phase, friction in (("bare", 0.38), ("treated", 0.3)):
                gauge.tell(f"surface mu_static={friction} mu_kinetic=0.25")
                step = Step.model_validate({"test": Kind.SLIP, "panel": "A", "phase": phase})
                service.run(service.measure(trial, step))
            panelwright("report", "--where", "page", "--home", home.folder)
            gauge.tell("gain 1.04")
            service.run(service.check("force", "weight-200g", repeats=2))
        assert [note.about.verdict for note in hands.notes if note.kind == "check"] == ["pass", "fail"]  # type: ignore[union-attr]
        (told,) = hands.told("doubtful now")
        assert told.startswith("6 earlier readings are doubtful now")
        assert "Published figures touched: slip of t in page; total of t in page" in told
    found = CliRunner().invoke(main, ["touched", "--json", "--home", str(home.folder)])
    assert found.exit_code == 1
    slip = json.loads(found.output)[0]
    assert len(slip["readings"]) == 6
    # Later pulls come down by more: at most all of the 4 % off the treated panel, and nothing off the bare.
    share = slip["drift_taken_off"]["unrounded"] / slip["published"]["unrounded"]
    assert 1.0 < share < 1 + 0.04 * 0.31 / (0.38 - 0.31)
    assert slip["drift_taken_off"]["expanded_uncertainty"] > 0
    marked = json.loads(panelwright("score", "t", "--json", "--home", home.folder))
    assert {mark["state"] for mark in marked[0]["scores"][0]["marks"]} == {"doubtful"}
    assert "All holds." in panelwright("verify", "--home", home.folder)
