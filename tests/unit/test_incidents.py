"""What happens to a gauge, who says so, and what its rules make of it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.calibration.history import Incident
from acquire.errors import ConfigError
from acquire.incidents import clear_doubts, report_incident
from acquire.known import readings
from acquire.model import CalibrationState
from acquire.notes import Note
from acquire.publications import publish
from acquire.results import gather, scorecards, standings
from simulators.speech import ForceState, Shown, force_poll_gf
from tests.benches import BENCH, MadeBench
from tests.rig import WEIGHT_N, Rig, lay_out, rig, slip

IN, UNCHECKED, DOUBTFUL = (
    CalibrationState.IN_TOLERANCE,
    CalibrationState.UNCHECKED,
    CalibrationState.DOUBTFUL,
)
RULES = '\n[gauges.force.rules]\nafter = ["re-plug", "adjustment"]\n'
RULED = BENCH.replace("\n[gauges.gloss]", RULES + "\n[gauges.gloss]")


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        made.check_force()
        made.slip("alder", "A", "bare", [3.0, 3.1, 2.9])
        yield made


def say(made: MadeBench, what: str, **more: object) -> Incident:
    return report_incident(made.journal, made.bench, made.clock, "force", what, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("dropped", "was dropped (on its hook) at"),
        ("battery changed", "was given a new battery (on its hook) at"),
        ("adjusted", "was adjusted (on its hook) at"),
        ("other", "was on its hook at"),
    ],
)
def test_after_what_a_person_tells_the_checks_before_no_longer_count(
    made: MadeBench, what: str, said: str
) -> None:
    assert say(made, what, note="on its hook", by="K.").needs_check
    made.slip("alder", "A", "treated", [2.0])
    last = readings(made.journal)[-1].stamp
    assert last.state is UNCHECKED
    assert said in last.reason


def test_what_the_rules_do_not_name_is_written_down_and_harmless(made: MadeBench) -> None:
    assert not say(made, "re-plugged").needs_check
    assert not say(made, "other", note="wiped with a dry cloth", harmless=True).needs_check
    made.slip("alder", "A", "treated", [2.0])
    assert readings(made.journal)[-1].stamp.state is IN
    kinds = [event.body["kind"] for event in made.journal.events("incident")]
    assert kinds == ["re-plug", "other"]


def test_what_is_told_of_a_gauge_must_make_sense(made: MadeBench) -> None:
    with pytest.raises(ConfigError, match="not said what happened"):
        say(made, "other")
    with pytest.raises(ConfigError, match="for its rules to say") as caught:
        say(made, "dropped", harmless=True)
    assert "[gauges.force.rules]" in caught.value.hint
    with pytest.raises(ConfigError, match="no gauge 'forse'"):
        report_incident(made.journal, made.bench, made.clock, "forse", "dropped")
    assert list(made.journal.events("incident")) == []


def test_the_doubt_of_a_check_that_proved_nothing_can_be_taken_back(made: MadeBench) -> None:
    before = readings(made.journal)
    made.check_force(off_n=0.2)
    (failed,) = [event for event in made.journal.events("check") if event.body["verdict"] == "fail"]
    check = failed.id
    assert {reading.stamp.state for reading in readings(made.journal)} == {DOUBTFUL}
    assert {reading.bracket for reading in readings(made.journal)} == {"failed"}
    number = str(failed.seq)
    reason = "the wrong weight hung"
    cleared = clear_doubts(made.journal, made.clock, [], check=number, reason=reason, by="K.")
    assert {event.body["check"] for event in made.journal.events("amendment")} == {check}
    assert cleared == [reading.id for reading in before]
    assert readings(made.journal) == before
    with pytest.raises(ConfigError, match="no reading is in doubt by a check"):
        clear_doubts(made.journal, made.clock, [], check=check, reason="again", by="K.")


def test_one_reading_can_be_cleared_by_itself(made: MadeBench) -> None:
    made.check_force(off_n=0.2)
    first, *others = readings(made.journal)
    clear_doubts(made.journal, made.clock, [first.id], check=None, reason="seen on film", by="K.")
    assert [reading.stamp.state for reading in readings(made.journal)] == [IN, *([DOUBTFUL] * len(others))]
    for named, check, why in (
        ([first.id], None, "not in doubt: force-001.rec#0"),
        ([], None, "name readings, or the check"),
        ([others[0].id], "check.x", "name readings, or the check"),
    ):
        with pytest.raises(ConfigError, match=why):
            clear_doubts(made.journal, made.clock, named, check=check, reason="again", by="K.")
    with pytest.raises(ConfigError, match="needs its reason"):
        clear_doubts(made.journal, made.clock, [others[0].id], check=None, reason=" ", by="K.")


def checked(bench: Rig) -> None:
    """The force gauge passes on the weight, hands-free."""
    task = bench.service.check("force", "weight-200g", repeats=1)
    for force_n in (0.0, WEIGHT_N, 0.0):
        bench.hang(force_n)
    assert task.done
    assert bench.told("check")[-1].startswith("pass")


def test_a_replugged_gauge_needs_a_check_where_its_rules_say_so(tmp_path: Path) -> None:
    lay_out(tmp_path, RULED)
    with rig(tmp_path, gauges=["force"]) as bench:
        checked(bench)
        bench.service.measure(bench.trial(), slip())
        bench.pull(3.0, "before")
        bench.lose("force")
        bench.open("force")
        bench.pull(3.0, "behind")
        assert [reading.stamp.state for reading in bench.readings] == [IN, UNCHECKED]
        assert "was plugged in again at" in bench.readings[1].stamp.reason
        assert bench.told("trouble") == [
            "was plugged in again: by its rules it needs a check before it counts"
        ]
        kinds = [
            (event.body["kind"], event.body["needs_check"])
            for event in bench.service.journal.events("incident")
        ]
        assert kinds == [("port", False), ("re-plug", True)]
        checked(bench)
        assert [reading.bracket for reading in bench.readings] == ["confirmed", "confirmed"]
        first, last = (reading.id for reading in bench.readings)
        said = f"2 readings since the check before ({first} to {last}): confirmed"
        assert bench.told("amended") == [said]


def test_a_check_that_cannot_decide_says_so_of_the_readings_too(tmp_path: Path) -> None:
    with rig(tmp_path, gauges=["force"]) as bench:
        checked(bench)
        bench.service.measure(bench.trial(), slip())
        bench.pull(3.0, "only")
        bench.service.check("force", "weight-200g", repeats=1)
        # 28 mN off: within the tolerance of 30 mN, and not clear of it by the check's own uncertainty.
        for force_n in (0.0, WEIGHT_N + 0.03, 0.0):
            bench.hang(force_n)
        assert bench.told("check")[-1].startswith("can't tell")
        (told,) = bench.told("amended")
        assert told.endswith(": neither confirmed nor in doubt, as this check could not decide")
        (only,) = bench.readings
        assert (only.stamp.state, only.bracket) == (IN, "open")


def test_a_gauge_that_fell_silent_and_came_back_counts_as_replugged(tmp_path: Path) -> None:
    lay_out(tmp_path, RULED)
    with rig(tmp_path, gauges=["force"]) as bench:
        checked(bench)
        bench.lose("force", "silent for 1 s")
        bench.open("force")
        assert bench.told("trouble") == []
        bench.hang(0.0)
        assert bench.told("trouble") == [
            "was silent, and came back: by its rules it needs a check before it counts"
        ]


def test_without_that_rule_a_replugged_gauge_goes_on(tmp_path: Path) -> None:
    with rig(tmp_path, gauges=["force"]) as bench:
        bench.lose("force")
        bench.open("force")
        kinds = [event.body["kind"] for event in bench.service.journal.events("incident")]
        assert kinds == ["port"]


def test_a_low_battery_is_told_once_and_written_down(tmp_path: Path) -> None:
    home = lay_out(tmp_path, BENCH.replace('"force-stream-n"', '"force-poll-gf"'))
    with rig(home.folder, gauges=["force"]) as bench:
        for low in (False, True, True, False, True):
            bench.say("force", [force_poll_gf(Shown(0.0), ForceState(battery_low=low))], every_s=0.1)
        assert bench.told("trouble") == ["says that its battery is low"] * 2
        events = list(bench.service.journal.events("incident"))
        assert [(event.body["kind"], event.body["needs_check"]) for event in events] == [
            ("battery low", False)
        ] * 2


def test_a_failed_check_names_the_published_figures_at_once(tmp_path: Path) -> None:
    with rig(tmp_path, gauges=["force"]) as bench:
        checked(bench)
        trial = bench.trial()
        for phase in ("bare", "treated"):
            bench.service.measure(trial, slip(phase=phase))
            for number, force_n in enumerate((3.0, 3.1, 2.9)):
                bench.pull(force_n, f"{phase} {number}")
        journal, method = bench.service.journal, bench.home.method()
        material = gather(journal)
        publish(
            journal,
            bench.clock,
            where="the film of May (invented)",
            method=method,
            cards=scorecards(material, bench.service.bench, method),
            ranked=standings(material, bench.service.bench, method),
            at_seq=journal.head()[0],
        )
        bench.service.check("force", "weight-200g", repeats=1)
        for force_n in (0.0, WEIGHT_N + 0.2, 0.0):
            bench.hang(force_n)
        told: list[Note] = [note for note in bench.notes if "doubtful now" in note.text]
        assert len(told) == 1
        assert told[0].text.startswith("6 earlier readings are doubtful now")
        assert (
            "Published figures touched: slip of t in the film of May (invented); "
            "total of t in the film of May (invented). See: panelwright touched"
        ) in told[0].text
