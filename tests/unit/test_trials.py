from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from acquire import answers
from acquire.errors import ConfigError
from acquire.model import Amendment, CalibrationState, Stamp, Step, Trial
from acquire.model import Test as Kind
from acquire.scoring.method import Method
from acquire.trials import (
    Record,
    find_step,
    next_step,
    record_of,
    state_of,
    states,
    step_to_measure,
    steps,
    strokes_on,
)
from tests.benches import GLOSSES_N, PULLS_N, MadeBench
from tests.rig import gloss, slip, wash


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path) as made:
        yield made


@pytest.fixture
def method(bench: MadeBench) -> Method:
    return bench.home.method()


def begin(bench: MadeBench, *, control: bool = False) -> Trial:
    return bench.begin("t", "Invented wax", panels=("A", "B"), control=control)


def gloss_bare(bench: MadeBench) -> None:
    for panel in "AB":
        bench.gloss("t", panel, "bare", [90.1, 90.2, 90.3])


def slip_bare(bench: MadeBench) -> None:
    for panel in "AB":
        bench.slip("t", panel, "bare", [2.5, 2.6, 2.7])


def measured(trial: Trial, method: Method, record: Record, **said: Any) -> Step:
    return step_to_measure(
        trial, method, record, **{"test": None, "panel": None, "phase": None, "stage": None, **said}
    )


def test_bare_panels_come_first_then_the_product_then_what_it_does_then_the_wash(
    bench: MadeBench, method: Method
) -> None:
    assert [str(step) for step in steps(begin(bench), method)][:13] == [
        "bare slip on A",
        "bare slip on B",
        "bare gloss on A",
        "bare gloss on B",
        "treated handling on A",
        "treated slip on A",
        "treated slip on B",
        "treated gloss on A",
        "treated gloss on B",
        "treated appearance on A",
        "treated appearance on B",
        "treated wash endurance on A at stage 60",
        "treated wash endurance on A at stage 150",
    ]


def test_nobody_handles_a_product_on_the_control(bench: MadeBench, method: Method) -> None:
    assert all(step.test is not Kind.HANDLING for step in steps(begin(bench, control=True), method))


def test_tests_that_the_method_does_not_use_are_no_steps(bench: MadeBench, method: Method) -> None:
    only_gloss = method.model_copy(
        update={
            name: getattr(method, name).model_copy(update={"used": False})
            for name in ("slip", "wash", "handling", "appearance")
        }
    )
    assert {step.test for step in steps(begin(bench), only_gloss)} == {Kind.GLOSS}


def test_wash_stages_behind_a_failure_are_not_asked_for(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    bench.inspect("t", "A", 60, 60, passed=True)
    bench.inspect("t", "A", 150, 150, passed=False)
    found = [state for state in states(trial, method, record_of(bench.journal)) if state.step.stage]
    assert [(state.step.stage, state.done) for state in found] == [(60, True), (150, True)]


def test_a_stage_inspected_again_counts_as_seen_last(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    bench.inspect("t", "A", 60, 60, passed=False)
    bench.write(
        "inspection",
        next(iter(record_of(bench.journal).inspections)).model_copy(update={"id": "again", "passed": True}),
        "again",
    )
    stages = [state.step.stage for state in states(trial, method, record_of(bench.journal))]
    assert 150 in stages


def test_extras_and_readings_ruled_out_do_not_fill_a_step_and_a_ruling_can(
    bench: MadeBench, method: Method
) -> None:
    begin(bench)
    bench.gloss("t", "A", "bare", [90.1, 90.2, 90.3, 90.4])
    found = record_of(bench.journal).readings
    assert [reading.extra for reading in found] == [False, False, False, True]

    def taken() -> int:
        state = state_of("t", gloss(), method, record_of(bench.journal))
        assert state.wanted == GLOSSES_N
        return state.taken

    def rule(index: int, counts: bool) -> None:
        bench.write("amendment", Amendment(reading=found[index].id, what="ruling", reason="x", counts=counts))

    assert taken() == 3
    rule(0, False)
    assert taken() == 2
    rule(3, True)
    assert taken() == 3


def test_readings_that_no_score_would_count_do_not_fill_a_step(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    bench.check_force(off_n=0.2)
    slip_bare(bench)
    for panel in "AB":
        bench.slip("t", panel, "treated", [1.5, 1.6, 1.7])
    record = record_of(bench.journal)
    assert [reading.stamp.state for reading in record.readings] == [CalibrationState.OUT_OF_TOLERANCE] * 12
    assert {state_of("t", slip(panel, "treated"), method, record).taken for panel in "AB"} == {0}
    found = next_step(trial, method, record)
    assert found is not None
    assert (found.step, found.taken, found.wanted) == (slip("A"), 0, PULLS_N)
    # Once the gauge passes again, the step fills: what was left out before takes no place.
    bench.check_force()
    bench.slip("t", "A", "bare", [2.5, 2.6, 2.7])
    assert state_of("t", slip(), method, record_of(bench.journal)).done


def test_an_outlier_that_does_not_count_leaves_its_step_open_for_one_more(
    bench: MadeBench, method: Method
) -> None:
    strict = method.model_copy(update={"outliers": method.outliers.model_copy(update={"count": False})})
    begin(bench)
    bench.gloss("t", "A", "bare", [90.1, 90.1, 97.3])
    assert state_of("t", gloss(), method, record_of(bench.journal)).taken == 3
    assert state_of("t", gloss(), strict, record_of(bench.journal)).taken == 2
    bench.gloss("t", "A", "bare", [90.2])
    assert state_of("t", gloss(), strict, record_of(bench.journal)).done


def test_a_rating_off_the_scale_is_none(bench: MadeBench, method: Method) -> None:
    begin(bench)
    step = Step(test=Kind.HANDLING, panel="A")
    bench.rate("t", Kind.HANDLING, "A", 11.0, "r1")
    assert not state_of("t", step, method, record_of(bench.journal)).done
    bench.rate("t", Kind.HANDLING, "A", 8.0, "r2")
    assert state_of("t", step, method, record_of(bench.journal)).done


def test_a_wash_stage_inspected_too_early_is_not_done(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    bench.inspect("t", "A", 60, 59, passed=True)
    stages = [state for state in states(trial, method, record_of(bench.journal)) if state.step.stage]
    assert (stages[0].step.stage, stages[0].done) == (60, False)


def test_a_wash_stage_is_not_done_by_strokes_that_do_not_count(bench: MadeBench, method: Method) -> None:
    """A counter out of tolerance counted 60; after that a good one did."""
    trial = begin(bench)
    bench.wash("t", "A", 60, 60, passed=True, ask=False)
    bad = Stamp(state=CalibrationState.OUT_OF_TOLERANCE, reason="invented")
    kept = record_of(bench.journal).readings
    record = Record(readings=tuple(reading.model_copy(update={"stamp": bad}) for reading in kept))
    said = answers.inspect(bench.journal, bench.clock, trial, wash(), passed=True)
    assert (said.strokes, len(said.readings)) == (60, 6)
    inspected = Record(record.readings, (), record_of(bench.journal).inspections)
    assert not state_of("t", wash(), method, inspected).done
    assert strokes_on("t", "A", record.readings) == 60
    assert strokes_on("t", "A", record.readings, method) == 0
    assert state_of("t", wash(), method, record_of(bench.journal)).done


def test_the_next_step_is_the_first_that_is_not_done_until_there_is_none(
    bench: MadeBench, method: Method
) -> None:
    trial = begin(bench)

    def next_one() -> str:
        state = next_step(trial, method, record_of(bench.journal))
        return "complete" if state is None else str(state.step)

    assert next_one() == "bare slip on A"
    slip_bare(bench)
    assert next_one() == "bare gloss on A"
    gloss_bare(bench)
    assert next_one() == "treated handling on A"
    bench.rate("t", Kind.HANDLING, "A", 8.0, "r1")
    for panel in "AB":
        bench.slip("t", panel, "treated", [1.5, 1.6, 1.7])
        bench.gloss("t", panel, "treated", [92.0, 92.1, 92.2])
        bench.rate("t", Kind.APPEARANCE, panel, 8.0, f"r-{panel}")
    assert next_one() == "treated wash endurance on A at stage 60"
    bench.wash("t", "A", 60, 60, passed=False)
    assert next_one() == "complete"
    with pytest.raises(ConfigError, match="trial 't' is complete") as caught:
        measured(trial, method, record_of(bench.journal))
    assert caught.value.hint == "panelwright score t"


def test_one_trials_record_holds_nothing_of_another(bench: MadeBench) -> None:
    begin(bench)
    bench.begin("other", "Other invented wax")
    bench.gloss("other", "A", "bare", [80.0])
    bench.gloss("t", "A", "bare", [90.1])
    assert [reading.value for reading in record_of(bench.journal, "t").readings] == [90.1]
    assert len(record_of(bench.journal).readings) == 2


def test_strokes_of_all_stages_of_a_panel_add_up_but_for_those_ruled_out(bench: MadeBench) -> None:
    begin(bench)
    bench.wash("t", "A", 60, 60, passed=True)
    bench.wash("t", "A", 150, 90, passed=True)
    assert strokes_on("t", "A", record_of(bench.journal).readings) == 150
    assert strokes_on("t", "B", record_of(bench.journal).readings) == 0
    first = record_of(bench.journal).readings[0]
    bench.write("amendment", Amendment(reading=first.id, what="ruling", reason="bare run", counts=False))
    assert strokes_on("t", "A", record_of(bench.journal).readings) == 140


def test_a_gauge_takes_the_first_open_step_that_fits_what_was_said(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    record = record_of(bench.journal)
    assert measured(trial, method, record) == slip("A")
    assert measured(trial, method, record, test=Kind.GLOSS) == gloss("A")
    assert measured(trial, method, record, test=Kind.GLOSS, panel="B") == gloss("B")
    assert measured(trial, method, record, test=Kind.SLIP, phase="treated") == slip("A", "treated")
    assert measured(trial, method, record, test=Kind.WASH, stage=150, phase="treated") == wash(150)


def test_a_step_that_is_done_is_taken_again_for_extras_only_if_it_alone_is_meant(
    bench: MadeBench, method: Method
) -> None:
    trial = begin(bench)
    gloss_bare(bench)
    record = record_of(bench.journal)
    assert measured(trial, method, record, test=Kind.GLOSS, panel="A", phase="bare") == gloss("A")
    with pytest.raises(ConfigError, match="no open step like that") as caught:
        measured(trial, method, record, test=Kind.GLOSS, phase="bare")
    assert caught.value.hint.startswith("open: bare slip on A, bare slip on B, treated handling on A")


def test_nothing_is_measured_as_treated_by_going_on_after_the_bare_panels(
    bench: MadeBench, method: Method
) -> None:
    trial = begin(bench)
    slip_bare(bench)
    with pytest.raises(ConfigError, match="bare gloss on A comes before treated slip on A") as caught:
        measured(trial, method, record_of(bench.journal), test=Kind.SLIP)
    assert "--phase treated" in caught.value.hint
    gloss_bare(bench)
    with pytest.raises(ConfigError, match="treated handling on A comes before treated slip on A"):
        measured(trial, method, record_of(bench.journal), test=Kind.SLIP)
    bench.rate("t", Kind.HANDLING, "A", 8.0, "r1")
    assert measured(trial, method, record_of(bench.journal), test=Kind.SLIP) == slip("A", "treated")


def test_what_a_person_judges_is_no_step_for_a_gauge(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    slip_bare(bench)
    gloss_bare(bench)
    with pytest.raises(ConfigError, match="next is treated handling on A, which a person judges") as caught:
        measured(trial, method, record_of(bench.journal))
    assert caught.value.hint == "panelwright rate t handling VALUE --panel A"


def test_a_panel_the_trial_does_not_have_is_answered_by_those_it_has(
    bench: MadeBench, method: Method
) -> None:
    trial = begin(bench)
    ways: list[Callable[[], Step]] = [
        lambda: measured(trial, method, Record(), panel="C"),
        lambda: find_step(trial, method, Kind.GLOSS, panel="C", phase=None, stage=None),
    ]
    for find in ways:
        with pytest.raises(ConfigError, match="no panel 'C'") as caught:
            find()
        assert caught.value.hint == "its panels: A, B"


def test_a_step_is_found_if_it_alone_is_meant(bench: MadeBench, method: Method) -> None:
    trial = begin(bench)
    assert find_step(trial, method, Kind.WASH, panel=None, phase=None, stage=60) == wash(60)
    with pytest.raises(ConfigError, match="more than one appearance step is meant") as caught:
        find_step(trial, method, Kind.APPEARANCE, panel=None, phase=None, stage=None)
    assert caught.value.hint == "say which: treated appearance on A, treated appearance on B"
    with pytest.raises(ConfigError, match="no such wash endurance step"):
        find_step(trial, method, Kind.WASH, panel=None, phase=None, stage=61)


def test_a_slip_step_wants_what_the_method_asks(bench: MadeBench, method: Method) -> None:
    begin(bench)
    assert state_of("t", slip(), method, Record()).wanted == PULLS_N
