"""A person switches a correction on and off; readings taken meanwhile name it."""

from datetime import timedelta
from pathlib import Path

import pytest

from acquire.bench import Tolerance
from acquire.calibration.again import evaluated_again
from acquire.calibration.checks import Check
from acquire.calibration.correction import correction_at
from acquire.correcting import correction_in_use, switch_off, switch_on
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.journal import Journal
from acquire.judgements import judge_again
from acquire.outputs.dossier import write_dossier
from tests.manual_clock import START_UTC
from tests.rig import BENCH_MORE, Rig, lay_out, rig, slip
from tests.unit.test_calibration_multipoint import measure
from tests.unit.test_weighing import MORE_WEIGHTS, THREE, climb


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    lay_out(tmp_path, BENCH_MORE + MORE_WEIGHTS)
    return tmp_path


def checked(bench: Rig, gain: float = 1.004) -> str:
    """Id of a check at three weights of a gauge that is wrong by `gain`."""
    bench.service.check("force", THREE)
    bench.hang(0.0)
    climb(bench, gain=gain)
    climb(bench, gain=gain)
    (*_, event) = bench.service.journal.events("check")
    return event.id


def test_a_correction_is_used_only_while_a_person_says_so(folder: Path) -> None:
    with rig(folder) as bench:
        journal, trial = bench.service.journal, bench.trial()
        bench.service.measure(trial, slip())
        bench.pull(3.0, "before")
        check_id = checked(bench)
        made = switch_on(journal, bench.clock, "force", "latest", by="A. Tester", reason="new cell")
        assert made.from_check == check_id
        assert correction_in_use(journal, "force") == made
        bench.service.measure(trial, slip())
        bench.pull(3.0, "with")
        switch_off(journal, bench.clock, "force", by="A. Tester", reason="repaired")
        assert correction_in_use(journal, "force") is None
        bench.service.measure(trial, slip())
        bench.pull(3.0, "after")
        before, with_it, after = bench.readings
        assert before.correction is None
        assert after.correction is None
        assert with_it.correction is not None
        assert with_it.correction.id == made.id
        expected = correction_at(made, with_it.value)
        assert expected is not None
        assert with_it.correction.amount == pytest.approx(expected[0])
        assert with_it.correction.amount == pytest.approx(-0.004 * with_it.value, abs=0.006)


def test_what_a_person_says_is_written_down(folder: Path) -> None:
    with rig(folder) as bench:
        check_id = checked(bench)
        (event,) = bench.service.journal.events("check")
        number = str(event.seq)
        journal = bench.service.journal
        made = switch_on(journal, bench.clock, "force", number, by="A. Tester", reason="new cell")
        assert made.from_check == check_id
        bench.clock.move(1.0)
        switch_off(bench.service.journal, bench.clock, "force", by="B. Other", reason="repaired")
        on, off = bench.service.journal.events("correction")
        assert (on.body["on"], on.body["by"], on.body["reason"]) == (True, "A. Tester", "new cell")
        assert (off.body["on"], off.body["by"], off.body["reason"]) == (False, "B. Other", "repaired")
        assert on.id == on.body["id"]


def test_what_cannot_be_switched_is_refused(folder: Path) -> None:
    with rig(folder) as bench:
        journal, clock = bench.service.journal, bench.clock
        with pytest.raises(ConfigError, match="no correction of force is in use"):
            switch_off(journal, clock, "force", by="A", reason="why")
        with pytest.raises(ConfigError, match="no check at several loads yet"):
            switch_on(journal, clock, "force", "latest", by="A", reason="why")
        bench.service.check("gloss", "tile", repeats=1)
        bench.press(93.0)
        (event,) = journal.events("check")
        with pytest.raises(ConfigError, match="is a check of gloss, not of force"):
            switch_on(journal, clock, "force", event.id, by="A", reason="why")
        with pytest.raises(ConfigError, match="a check at one value"):
            switch_on(journal, clock, "gloss", event.id, by="A", reason="why")
        with pytest.raises(ConfigError, match="no check 'check-9'"):
            switch_on(journal, clock, "force", "check-9", by="A", reason="why")
        with pytest.raises(ConfigError, match="no check '1'"):
            switch_on(journal, clock, "force", "1", by="A", reason="why")
        checked(bench)
        with pytest.raises(ConfigError, match="--reason must be one line"):
            switch_on(journal, clock, "force", "latest", by="A", reason="why\nnot")
        assert list(journal.events("correction")) == []


def test_a_corrected_gauge_is_judged_as_it_is_used(folder: Path) -> None:
    """One per cent too much is 49 mN at 500 g, beyond the tolerance of 30 mN; with its correction it passes.
    The deviation stays that of the gauge as it shows."""
    with rig(folder) as bench:
        journal = bench.service.journal
        checked(bench, gain=1.01)
        switch_on(journal, bench.clock, "force", "latest", by="A. Tester", reason="new cell")
        checked(bench, gain=1.01)
        bench.service.check("force", "weight-200g", repeats=1)
        for force_n in (0.0, 1.01 * 1.9622, 0.0):
            bench.hang(force_n)
        first, second, single = (Check.model_validate(event.body) for event in journal.events("check"))
        assert (first.verdict, first.correction) == ("fail", None)
        assert (second.verdict, single.verdict) == ("pass", "pass")
        assert second.correction is not None
        assert abs(second.remaining) < 0.01
        assert max(abs(point.deviation) for point in second.points) == pytest.approx(0.049, abs=0.006)
        assert single.deviation == pytest.approx(0.0196, abs=0.006)
        assert single.reason.startswith("deviation left by the correction ")
        switch_off(journal, bench.clock, "force", by="A. Tester", reason="repaired")
        checked(bench, gain=1.01)
        (*_, last) = (Check.model_validate(event.body) for event in journal.events("check"))
        assert (last.verdict, last.correction) == ("fail", None)
        judged = judge_again(journal)
        assert (judged.checks_n, judged.faults) == (4, [])


@pytest.mark.parametrize("tolerance", [Tolerance(absolute=0.05), Tolerance(relative=0.004)])
def test_a_check_at_several_loads_comes_out_the_same_from_what_it_keeps(tolerance: Tolerance) -> None:
    check = measure(
        lambda load_n, direction, run: 1.002 * load_n + 0.001 * run,
        zeros=(0.0, 0.001, 0.0),
        tolerance=tolerance,
    )
    again = evaluated_again(check, corrected=lambda shown: None)
    kept = {"reference_due", "certificate"}  # of the loads that are not the worst they are not kept apart
    assert again.model_dump(exclude=kept) == check.model_dump(exclude=kept)


@pytest.mark.slow
def test_a_dossier_gives_each_load_its_own_certificate(folder: Path) -> None:
    with rig(folder) as bench:
        checked(bench)
    day = timedelta(days=1)
    out = folder / "dossier.html"
    write_dossier(Home(folder), "force", out, since=START_UTC - day, until=START_UTC + day)
    text = out.read_text(encoding="utf-8")
    listed = {name: kept.certificate for name, kept in Home(folder).bench().references.items()}
    for name in THREE:
        row = text.partition(f'<th scope="row">{name}</th>')[2].partition("</tr>")[0]
        assert {other for other in THREE if f"<td>{listed[other]}</td>" in row} == {name}


def test_a_ladder_whose_figures_were_altered_is_found(folder: Path) -> None:
    with rig(folder) as bench:
        checked(bench, gain=1.01)
        (event,) = bench.service.journal.events("check")
        altered = {**event.body, "verdict": "pass", "traits": []}
        with Journal.open(folder / "altered.sqlite") as journal:
            journal.append("check", altered, t_utc=event.t_utc, t_mono_ns=0, event_id=event.id)
            (fault,) = judge_again(journal).faults
        assert "verdict pass, now fail" in fault.what
        assert "linearity None, now" in fault.what
