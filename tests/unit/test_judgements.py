"""Stamps and checks, derived again from the events before them."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acquire.calibration.correction import Correction
from acquire.calibration.history import Incident
from acquire.journal import Journal
from acquire.judgements import Judgements, judge_again
from acquire.model import Amendment, Reading
from acquire.verification import verify
from tests.bench_tools import NOON
from tests.benches import MadeBench

pytestmark = pytest.mark.slow

RULES = """
[gauges.force.rules]
after = ["re-plug"]
before_trial = true

"""


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    """Readings in every state, under two bench files, one with a correction in use."""
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        made.slip("alder", "A", "bare", [3.0])
        made.check_force(off_n=0.005)
        made.slip("alder", "A", "bare", [3.1, 2.9])
        made.gloss("alder", "A", "bare", [90.0])
        made.logger.record_incident(
            Incident(gauge="force", t_utc=made.clock.utc(), what="dropped", needs_check=True, kind="drop")
        )
        made.slip("alder", "A", "treated", [2.0])
        made.check_force()
        made.write("correction", correction(), "correction.1")
        made.slip("alder", "A", "treated", [2.1])
        text = made.home.bench_file.read_text(encoding="utf-8")
        changed = text.replace("[gauges.gloss]", RULES + "[gauges.gloss]").replace(
            "tolerance = { absolute = 0.03 }", "tolerance = { absolute = 0.05 }\ndrift_per_h = 0.1", 1
        )
        made.home.bench_file.write_text(changed, encoding="utf-8")
        made.reopen()
        made.slip("alder", "A", "treated", [1.9])
        made.begin("birch", "Product Birch (invented)")
        made.slip("birch", "A", "bare", [3.0])
        made.check_force(off_n=0.2)
        made.slip("birch", "A", "bare", [3.0])
        yield made


def correction() -> Correction:
    return Correction(
        id="correction.1",
        gauge="force",
        from_check="check-1",
        unit="N",
        coefficients=(0.002,),
        covariance=((1e-6,),),
        lowest=0.0,
        highest=5.0,
        by="K.",
        reason="invented",
        t_utc=NOON,
    )


def rewritten(made: MadeBench, folder: Path, change: Any) -> Judgements:
    """Goes through a copy of the journal in which `change` may alter the body of each event."""
    with Journal.open(folder / "altered.sqlite") as altered:
        for event in made.journal.events():
            body = change(event.kind, event.body)
            if body is not None:
                own = event.id if not event.id.startswith(f"{event.kind}-") else None
                altered.append(event.kind, body, t_utc=event.t_utc, t_mono_ns=0, event_id=own)
        return judge_again(altered)


def test_every_stamp_and_check_follows_from_the_events_before_it(made: MadeBench) -> None:
    found = judge_again(made.journal)
    assert found.faults == []
    assert (found.stamps_n, found.checks_n, found.before_bench_n) == (9, 3, 0)
    kept = [Reading.model_validate(event.body) for event in made.journal.events("reading")]
    assert [reading.stamp.state.value for reading in kept] == [
        "unchecked today",
        "in tolerance",
        "in tolerance",
        "unchecked today",
        "unchecked today",
        "in tolerance",
        "in tolerance",
        "unchecked today",
        "out of tolerance",
    ]
    assert [reading.correction is not None for reading in kept] == [False] * 5 + [True] * 4
    assert len(list(made.journal.events("bench"))) == 2
    report = verify(made.home)
    assert report.holds
    assert (report.stamps_n, report.checks_n, report.before_bench_n) == (9, 3, 0)


def test_a_stamp_that_was_put_right_afterwards_is_found(made: MadeBench, tmp_path: Path) -> None:
    def change(kind: str, body: dict[str, Any]) -> dict[str, Any]:
        if kind == "reading" and body["stamp"]["state"] == "out of tolerance":
            body["stamp"]["state"] = "in tolerance"
        return body

    (fault,) = rewritten(made, tmp_path, change).faults
    assert "in tolerance, now out of tolerance" in fault.what
    assert fault.recording is not None


def test_an_uncertainty_made_smaller_is_found(made: MadeBench, tmp_path: Path) -> None:
    def change(kind: str, body: dict[str, Any]) -> dict[str, Any]:
        if kind == "reading":
            for part in body["stamp"]["parts"]:
                part["standard_uncertainty"] /= 2
        return body

    faults = rewritten(made, tmp_path, change).faults
    assert len(faults) == 9
    assert "part 'unchecked force alder' 0.00866" in faults[0].what


def test_a_check_that_does_not_follow_from_its_readings_is_found(made: MadeBench, tmp_path: Path) -> None:
    def change(kind: str, body: dict[str, Any]) -> dict[str, Any]:
        if kind == "check" and body["verdict"] == "fail":
            body |= {"verdict": "pass", "deviation": 0.0}
        return body

    faults = rewritten(made, tmp_path, change).faults
    assert any(
        "verdict pass, now fail" in fault.what and "deviation 0, now 0." in fault.what for fault in faults
    )


def test_a_tolerance_that_the_bench_file_does_not_give_is_found(made: MadeBench, tmp_path: Path) -> None:
    def change(kind: str, body: dict[str, Any]) -> dict[str, Any]:
        if kind == "check":
            body["tolerance"] = 0.5
        return body

    said = [fault.what for fault in rewritten(made, tmp_path, change).faults]
    assert sum("tolerance 0.5, now 0.03" in what for what in said) == 2
    assert sum("tolerance 0.5, now 0.05" in what for what in said) == 1


def test_a_doubt_left_out_and_one_put_in_are_found(made: MadeBench, tmp_path: Path) -> None:
    doubt, *_ = [event.body for event in made.journal.events("amendment")]
    left_out = rewritten(made, tmp_path, lambda kind, body: None if body == doubt else body)
    assert [fault.what for fault in left_out.faults] == [
        f"{doubt['reading']} is not said to be doubtful, although the failed check {doubt['check']}"
        " puts it in doubt"
    ]
    first = next(made.journal.events("reading")).id
    invented = Amendment(reading=first, what="doubtful", reason="invented", check=doubt["check"])
    made.logger.amend(invented)
    (fault,) = judge_again(made.journal).faults
    assert fault.what.startswith(f"{first} is said to be doubtful by the check")


def test_a_bracket_left_out_or_altered_is_found(made: MadeBench, tmp_path: Path) -> None:
    """The force gauge was checked three times: each of the later two closes a bracket."""
    kept = [event.body for event in made.journal.events("bracket")]
    assert [body["verdict"] for body in kept] == ["confirmed", "failed"]

    def change(kind: str, body: dict[str, Any]) -> dict[str, Any] | None:
        if kind == "bracket" and body["verdict"] == "failed":
            return None
        return {**body, "n": body["n"] - 1} if kind == "bracket" else body

    faults = rewritten(made, tmp_path, change).faults
    assert len(faults) == 2
    assert all("does not follow from what was before it" in fault.what for fault in faults)


def test_an_incident_left_out_is_missed(made: MadeBench, tmp_path: Path) -> None:
    found = rewritten(made, tmp_path, lambda kind, body: None if kind == "incident" else body)
    assert any("unchecked today, now in tolerance" in fault.what for fault in found.faults)


def test_a_journal_of_before_the_bench_file_was_kept_is_no_fault(made: MadeBench, tmp_path: Path) -> None:
    found = rewritten(made, tmp_path, lambda kind, body: None if kind == "bench" else body)
    assert (found.faults, found.stamps_n, found.before_bench_n) == ([], 0, 9)


def test_a_stamp_of_an_earlier_version_is_held_to_its_state_alone(made: MadeBench, tmp_path: Path) -> None:
    new = ("parts", "drift", "drift_standard_uncertainty", "drift_basis", "closing_due")

    def change(kind: str, body: dict[str, Any]) -> dict[str, Any]:
        if kind == "reading":
            body["stamp"] = {key: value for key, value in body["stamp"].items() if key not in new}
            body["stamp"]["standard_uncertainty"] = 0.0123
        return body

    assert rewritten(made, tmp_path, change).faults == []


def test_what_cannot_be_read_is_named_and_passed_over(made: MadeBench, tmp_path: Path) -> None:
    def change(kind: str, body: dict[str, Any]) -> dict[str, Any]:
        if kind == "bench":
            body["text"] = "format = 3"
        if kind == "incident":
            del body["what"]
        return body

    found = rewritten(made, tmp_path, change)
    said = " ".join(fault.what for fault in found.faults)
    assert "no stamp judged by it was derived again" in said
    assert "(incident incident-" in said
    assert "cannot be read: what" in said
