"""Captured anew by other rules: what is accepted, refused, or stays; and that nothing is written."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.archive import Archive
from acquire.calibration.checks import evaluate_check
from acquire.calibration.references import assigned_value
from acquire.known import readings
from acquire.model import CalibrationState, Step
from acquire.model import Test as Kind
from acquire.recapture import Recaptured, recapture
from acquire.results import View, scored_views
from acquire.scoring.method import Method, parse_method
from acquire.verification import verify
from tests.benches import LINES_PER_CHUNK, RATE_HZ, MadeBench, method_text, pull_lines

pytestmark = pytest.mark.slow

BARE = Step(test=Kind.SLIP, panel="A", phase="bare")
CAPTURE: dict[str, float | None] = {"max_pull_s": 30.0, "min_force_n": 0.8, "max_under_read_fraction": 0.4}
QUICK_N = 3.1
WEAK_N = 0.6


def quick_lines(break_n: float, seed: str) -> list[bytes]:
    """A pull that rises within three samples, 30 ms: less than the 40 ms that a bench asks for."""
    lines = pull_lines(break_n, seed)
    return lines[:120] + lines[120:210:30] + lines[210:]


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    """A bench with one step: three good pulls, among them one that was too quick and one too weak to see."""
    with MadeBench(tmp_path / "bench") as made:
        made.check_force()
        made.begin("alder", "Product Alder (invented)")
        with made.tape("force", CAPTURE) as tape:
            lines = [
                *pull_lines(3.0, "first"),
                *quick_lines(QUICK_N, "quick"),
                *pull_lines(WEAK_N, "weak"),
                *pull_lines(3.2, "second"),
                *pull_lines(3.3, "third"),
            ]
            found = tape.say(lines, every_s=1 / RATE_HZ, per_chunk=LINES_PER_CHUNK)
            assert [one.verdict for one in found] == ["accepted", "refused", "accepted", "accepted"]
            tape.log(found, "alder", BARE, asked=3)
        yield made


def by_rules(made: MadeBench, **rules: float) -> tuple[Method, Recaptured]:
    """Captured anew by a method with these rules of capture; what it does not say stays as it was."""
    said = {**{key: value for key, value in CAPTURE.items() if value is not None}, **rules}
    table = "".join(f"{key} = {value}\n" for key, value in said.items())
    text = re.sub(r"\[slip\.capture\]\n(.+\n)*", lambda _: f"[slip.capture]\n{table}", method_text())
    method = parse_method(text, "test")
    return method, recapture(made.journal, made.home.recordings, made.bench, method)


def test_the_same_rules_give_the_same_readings(made: MadeBench) -> None:
    _, found = by_rules(made)
    assert (found.recordings_n, found.readings_n) == (1, 3)
    assert not (found.differences)
    assert not (found.problems)
    assert not (found.updates)
    assert not (found.gone)
    assert not (found.added)


def test_a_looser_rule_accepts_what_was_refused_with_the_stamp_it_would_have_had(made: MadeBench) -> None:
    _, found = by_rules(made, min_rise_s=0.02)
    (one,) = found.differences
    assert (one.what, one.id, one.step, one.trial) == ("now accepted", "force-001.rec#1", BARE, "alder")
    # What the lines were made with, to the gauge's display step and its noise of 6 mN.
    assert one.new == pytest.approx(QUICK_N, abs=0.03)
    assert one.reasons[0].startswith("too fast")
    (reading,) = found.added["alder"]
    beside = readings(made.journal)[0]
    assert reading.stamp.state is CalibrationState.IN_TOLERANCE
    assert (reading.stamp.check, reading.stamp.parts) == (beside.stamp.check, beside.stamp.parts)


def test_an_accepted_one_comes_before_the_extras_it_makes(made: MadeBench) -> None:
    _, found = by_rules(made, min_rise_s=0.02)
    archive = Archive(made.journal)
    (share,) = archive.shares(archive.parts()[0])
    now = found.anew(share)
    # Three are asked for: the quick one was the second, so the last one is beyond.
    assert [(one.id[-1], one.extra) for one in now.readings] == [
        ("0", False), ("1", False), ("2", False), ("3", True),
    ]  # fmt: skip
    assert [one.extra for one in share.readings] == [False, False, False]


def test_a_stricter_rule_refuses_what_counted_and_the_score_says_so(made: MadeBench) -> None:
    method, found = by_rules(made, max_under_read_fraction=0.001)
    assert [one.what for one in found.differences] == ["now refused"] * 3
    assert all("too fast for this gauge" in one.reasons[0] for one in found.differences)
    archive = Archive(made.journal)
    views = [View(method), View(method, found.anew)]
    ((_, cards),) = scored_views(archive, archive.parts()[0], made.bench.gravity(), views)
    before, after = (card.scores[0] for card in cards)
    assert len(before.panels[0].sets[0].used) == 3
    assert not after.used


def test_what_nobody_logged_is_told_and_counts_for_nothing(made: MadeBench) -> None:
    _, found = by_rules(made, min_force_n=0.3)
    (one,) = found.differences
    assert one.what == "found anew"
    assert one.new == pytest.approx(WEAK_N, abs=0.03)
    assert one.step == BARE
    assert re.fullmatch(r"bytes \d+ to \d+ of force-001\.rec", one.id)
    assert not (found.added)
    assert not (found.gone)


def test_a_reading_below_the_new_threshold_is_no_longer_found(made: MadeBench) -> None:
    _, found = by_rules(made, min_force_n=3.1)
    assert [(one.what, one.id) for one in found.differences] == [("no longer found", "force-001.rec#0")]


def test_an_accepted_one_shares_the_doubt_of_a_later_failed_check(made: MadeBench) -> None:
    made.check_force(off_n=0.2)
    _, found = by_rules(made, min_rise_s=0.02)
    (reading,) = found.added["alder"]
    assert {one.stamp.state for one in readings(made.journal)} == {CalibrationState.DOUBTFUL}
    assert (reading.stamp.state, reading.bracket) == (CalibrationState.DOUBTFUL, "failed")


def test_an_accepted_one_is_confirmed_with_its_neighbours(made: MadeBench) -> None:
    made.check_force()
    _, found = by_rules(made, min_rise_s=0.02)
    assert {one.bracket for one in readings(made.journal)} == {"confirmed"}
    assert found.added["alder"][0].bracket == "confirmed"


def test_a_missing_recording_is_named_and_its_readings_stand(made: MadeBench) -> None:
    (made.home.recordings / "force-001.rec").unlink()
    _, found = by_rules(made, min_rise_s=0.02)
    assert found.problems == ["force-001.rec: the recording is missing from recordings/"]
    assert not (found.differences)
    assert not (found.gone)
    assert not (found.readings_n)


def test_a_damaged_recording_changes_nothing_of_its_readings(made: MadeBench) -> None:
    path = made.home.recordings / "force-001.rec"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([*lines[:-3], "+9 ? rubbish\n", *lines[-3:]]), encoding="utf-8")
    _, found = by_rules(made, max_under_read_fraction=0.001)
    assert len(found.problems) == 1
    assert not (found.differences)
    assert not (found.gone)


def test_strokes_and_gloss_come_out_the_same(made: MadeBench) -> None:
    made.gloss("alder", "A", "bare", [91.0, 90.8, 91.3, 91.1])
    made.wash("alder", "A", 60, 63, passed=True)
    _, found = by_rules(made)
    assert found.recordings_n == 3
    assert found.readings_n == len(readings(made.journal))
    assert not (found.differences)
    assert not (found.problems)
    assert not (found.updates)


def test_nothing_is_written(made: MadeBench) -> None:
    before = made.journal.head()
    by_rules(made, min_rise_s=0.02, max_under_read_fraction=0.001)
    assert made.journal.head() == before
    assert verify(made.home).holds


def test_the_check_of_then_is_the_one_that_counts(made: MadeBench) -> None:
    assigned = assigned_value(made.bench, "weight-200g")
    made.clock.move(60)
    later = evaluate_check(
        "force",
        assigned,
        [round(assigned.value, 2)] * 3,
        unit="N",
        resolution=0.01,
        tolerance=made.bench.gauge("force").tolerance,
        t_utc=made.clock.utc(),
    )
    made.logger.record_check(later, sync_recording=lambda: None)
    _, found = by_rules(made, min_rise_s=0.02)
    assert found.added["alder"][0].stamp.check == readings(made.journal)[0].stamp.check
