"""The protocol at work on an invented bench: what comes next, what it waits for, what went differently."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from acquire import answers
from acquire.applying import apply, polish
from acquire.deviations import deviations
from acquire.errors import ConfigError
from acquire.model import Climate, RawRef, Reading, Step, Trial
from acquire.model import Test as Kind
from acquire.panels import add_panel, panels_of_bench, retire_panel
from acquire.plan import must_serve
from acquire.progress import TrialProgress, next_steps, progress_of
from acquire.protocol import Protocol, parse_protocol
from acquire.protocol_events import Application
from acquire.results import gather
from acquire.scoring.method import Method
from acquire.stepping import begin, done, must_be_in_turn, reopen, skip, step_to_take
from acquire.trials import record_of
from tests.benches import MadeBench

HOUR_S = 3600.0
PREPARED = ("clean", "decontaminate", "polish", "wipe")


class Lab:
    """A bench with a trial under the shipped protocol, and hands."""

    def __init__(self, bench: MadeBench) -> None:
        self.bench = bench
        self.method: Method = bench.home.method()
        self.protocol: Protocol = bench.home.protocol()

    def open(self, trial: str = "larch", *panels: str, control: bool = False) -> Trial:
        return answers.open_trial(
            self.bench.journal,
            self.bench.clock,
            trial,
            product="Invented wax",
            panels=panels or ("A",),
            control=control,
            protocol=self.protocol,
        )

    def progress(self, trial: Trial) -> TrialProgress:
        found = progress_of(self.bench.journal, trial, self.method, self.bench.clock.utc())
        assert found is not None
        return found

    def next(self, trial: Trial) -> str:
        found = self.progress(trial).next
        return "" if found is None else found.planned.key

    def call(self, act: Callable[..., Any], trial: Trial, *said: str, **more: Any) -> Any:
        return act(self.bench.journal, self.bench.clock, self.method, trial, *said, **more)

    def prepare(self, trial: Trial) -> None:
        for panel in trial.panels:
            for name in PREPARED:
                self.call(done, trial, f"{name}/{panel}")

    def bare(self, trial: Trial) -> None:
        for panel in trial.panels:
            self.bench.slip(trial.id, panel, "bare", [2.5, 2.6, 2.7])
            self.bench.gloss(trial.id, panel, "bare", [90.1, 90.2, 90.3])

    def put_on(self, trial: Trial, **more: Any) -> None:
        for panel in trial.panels:
            self.call(apply, trial, panel, **{"sprays": 3, **more})
        self.rate(trial, Kind.HANDLING, trial.panels[0])

    def rate(self, trial: Trial, test: Kind, panel: str, value: float = 7.0) -> None:
        step = Step(test=test, panel=panel)
        answers.rate(self.bench.journal, self.bench.clock, self.method, trial, step, value)

    def treated(self, trial: Trial) -> None:
        for panel in trial.panels:
            self.bench.slip(trial.id, panel, "treated", [1.5, 1.6, 1.7])
            self.bench.gloss(trial.id, panel, "treated", [92.1, 92.2, 92.3])
            self.rate(trial, Kind.APPEARANCE, panel)

    def take(self, trial: Trial, **said: Any) -> Step:
        return step_to_take(self.bench.journal, self.bench.clock, UTC, self.method, trial, **said)

    def told(self, trial: Trial) -> list[tuple[str, str]]:
        found = deviations(self.bench.journal, trial, self.method, self.bench.clock.utc())
        return [(one.step, one.what) for one in found]


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    with MadeBench(tmp_path) as bench:
        yield Lab(bench)


def test_a_trial_goes_from_the_dirty_panel_to_its_closing_in_the_protocols_order(lab: Lab) -> None:
    trial = lab.open()
    assert lab.next(trial) == "clean/A"
    lab.prepare(trial)
    assert lab.next(trial) == "bare-slip/A"
    lab.bare(trial)
    assert lab.next(trial) == "apply/A"
    lab.put_on(trial)
    assert lab.next(trial) == "cure/A"
    lab.bench.clock.move(24 * HOUR_S)
    assert lab.next(trial) == "slip/A"
    lab.treated(trial)
    assert lab.next(trial) == "wash/A/60"
    lab.bench.wash("larch", "A", 60, 60, passed=False, ask=False)
    assert lab.next(trial) == "inspect/A/60"
    lab.bench.inspect("larch", "A", 60, 60, passed=False)
    # Behind a failure no stage is asked for.
    assert lab.next(trial) == "closing-checks"
    lab.call(done, trial, "closing-checks")
    lab.call(done, trial, "close")
    assert lab.progress(trial).closed
    assert lab.next(trial) == ""
    assert next_steps(lab.bench.journal, lab.method, lab.bench.clock.utc()) == []
    # What was ticked off without a check is told: nothing proves the gauges at the end.
    assert lab.told(trial) == [("closing-checks", "not written down")]


def test_a_cure_says_until_when_and_holds_back_what_comes_later(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    lab.put_on(trial)
    applied = lab.bench.clock.utc()
    lab.bench.clock.move(1 * HOUR_S)
    waiting = lab.progress(trial).next
    assert waiting is not None
    # 24 h is usual; common practice, no source.
    assert (waiting.state, waiting.until_utc) == ("waiting", applied + timedelta(hours=24))
    with pytest.raises(ConfigError, match=rf"A cures until tomorrow {applied:%H:%M}") as caught:
        lab.take(trial)
    assert caught.value.hint == "--early to start now; it will be marked"
    lab.bench.clock.move(23 * HOUR_S - 1)
    with pytest.raises(ConfigError, match=f"A cures until today {applied:%H:%M}"):
        lab.take(trial)
    lab.bench.clock.move(1)
    assert lab.take(trial) == Step(test=Kind.SLIP, panel="A")


def test_an_early_start_is_possible_and_marked_and_does_not_open_the_other_steps(lab: Lab) -> None:
    trial = lab.open()
    lab.prepare(trial)
    lab.bare(trial)
    lab.put_on(trial)
    lab.bench.clock.move(20 * HOUR_S)
    assert lab.take(trial, early=True) == Step(test=Kind.SLIP, panel="A")
    assert lab.take(trial, test=Kind.SLIP, phase="treated") == Step(test=Kind.SLIP, panel="A"), (
        "begun already"
    )
    with pytest.raises(ConfigError, match="cures until"):
        lab.take(trial, test=Kind.GLOSS, phase="treated")
    lab.bench.slip("larch", "A", "treated", [1.5, 1.6, 1.7])
    # Once because a person said so, once because the readings show it.
    assert lab.told(trial) == [("slip/A", "early"), ("slip/A", "early")]
    found = deviations(lab.bench.journal, trial, lab.method, lab.bench.clock.utc())
    assert re.search(r"begun 4\.0 h before the cure was over", found[1].text)


def test_judging_waits_its_turn_but_a_failure_ends_a_wash_at_any_stroke(lab: Lab) -> None:
    def judge(test: Kind, stage: int | None = None, **said: bool) -> None:
        step = Step(test=test, panel="A", stage=stage)
        must_be_in_turn(lab.bench.journal, lab.bench.clock, UTC, lab.method, trial, step, **said)

    trial = lab.open()
    lab.prepare(trial)
    lab.bare(trial)
    lab.put_on(trial)
    with pytest.raises(ConfigError, match="A cures until"):
        judge(Kind.APPEARANCE)
    with pytest.raises(ConfigError, match=r"first comes|A cures until"):
        judge(Kind.WASH, 60, gave_way=True)
    lab.bench.clock.move(25 * HOUR_S)
    judge(Kind.APPEARANCE)
    lab.treated(trial)
    with pytest.raises(ConfigError, match="first comes Wash on A at stage 60"):
        judge(Kind.WASH, 60)
    judge(Kind.WASH, 60, gave_way=True)
    assert ("inspect/A/60", "early") not in lab.told(trial)
    judge(Kind.WASH, 60, early=True)
    assert ("inspect/A/60", "early") in lab.told(trial)


def test_treated_steps_wait_for_the_bare_panel_the_product_and_its_handling(lab: Lab) -> None:
    trial = lab.open()
    for expected in ("first comes Slip of the bare panel on A", "first comes Apply the product on A"):
        with pytest.raises(ConfigError, match=expected):
            lab.take(trial, phase="treated")
        lab.bare(trial)
    with pytest.raises(ConfigError, match="first comes Apply") as caught:
        lab.take(trial)
    assert caught.value.hint.startswith("panelwright apply larch --panel A --sprays N")


def test_panels_go_their_own_ways(lab: Lab) -> None:
    trial = lab.open("larch", "A", "B")
    lab.bench.slip("larch", "A", "bare", [2.5, 2.6, 2.7])
    lab.bench.gloss("larch", "A", "bare", [90.1, 90.2, 90.3])
    lab.call(apply, trial, "A", mass_g=4.2)
    states = {one.planned.key: one.state for one in lab.progress(trial).steps}
    assert (states["cure/A"], states["bare-slip/B"], states["apply/B"]) == ("waiting", "open", "held")
    assert lab.take(trial) == Step(test=Kind.SLIP, panel="B", phase="bare")


def test_preparing_is_ticked_off_or_marked_as_not_written_down(lab: Lab) -> None:
    trial = lab.open()
    lab.call(done, trial, "clean")
    lab.bare(trial)
    assert [key for key, what in lab.told(trial) if what == "not written down"] == [
        "decontaminate/A",
        "polish/A",
        "wipe/A",
    ]


def test_a_protocol_can_have_preparing_hold_the_bare_values_back(lab: Lab) -> None:
    lab.protocol = parse_protocol(lab.protocol.text.replace("holds = false", "holds = true"), "strict")
    with pytest.raises(ConfigError, match="first comes Wash the panel on A"):
        lab.take(lab.open())


def test_a_voided_measurement_is_ruled_out_with_its_reason_and_open_again(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    lab.call(reopen, trial, "bare-slip", what="voided", reason="wet block")
    record = record_of(lab.bench.journal, "larch")
    slip = [reading for reading in record.readings if reading.step.test is Kind.SLIP]
    assert [reading.counts for reading in slip] == [False] * 3
    assert all(reading.counts is None for reading in record.readings if reading.step.test is Kind.GLOSS)
    reasons = {event.body["reason"] for event in lab.bench.journal.events("amendment")}
    assert reasons == {"Slip of the bare panel on A was voided: wet block"}
    assert lab.next(trial) == "bare-slip/A"
    lab.bench.slip("larch", "A", "bare", [2.4, 2.5, 2.6])
    assert lab.next(trial) == "apply/A"
    assert ("bare-slip/A", "voided") in lab.told(trial)
    assert len(record_of(lab.bench.journal, "larch").readings) == 9, "kept, all of them"


def test_a_withdrawn_rating_scores_no_longer_nor_does_the_one_it_had_replaced(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    lab.put_on(trial)
    lab.rate(trial, Kind.HANDLING, "A", 9.0)
    lab.call(reopen, trial, "handling", what="voided", reason="rated the wrong bottle", by="a tester")
    assert gather(lab.bench.journal).ratings == ()
    assert lab.next(trial) == "handling/A"
    lab.rate(trial, Kind.HANDLING, "A", 4.0)
    assert [rating.value for rating in gather(lab.bench.journal).ratings] == [4.0]


def test_a_withdrawn_inspection_opens_its_stage_and_those_behind_it(lab: Lab) -> None:
    trial = lab.open()
    lab.bench.inspect("larch", "A", 60, 60, passed=False)
    keys = [one.planned.key for one in lab.progress(trial).steps]
    assert "wash/A/150" not in keys
    lab.call(reopen, trial, "inspect/A/60", what="repeated", reason="soap was left on it")
    keys = [one.planned.key for one in lab.progress(trial).steps]
    assert "wash/A/150" in keys
    assert gather(lab.bench.journal).inspections == ()


def test_a_step_is_skipped_with_a_reason_only_and_facts_go_before_it(lab: Lab) -> None:
    trial = lab.open()
    with pytest.raises(ConfigError, match="needs its reason"):
        lab.call(skip, trial, "bare-gloss", reason="  ")
    lab.call(skip, trial, "bare-gloss", reason="meter is away")
    assert lab.progress(trial).step("bare-gloss/A").state == "skipped"
    lab.bench.gloss("larch", "A", "bare", [90.1, 90.2, 90.3])
    assert lab.progress(trial).step("bare-gloss/A").state == "done"
    with pytest.raises(ConfigError, match="is done already"):
        lab.call(skip, trial, "bare-gloss/A", reason="x")


def test_a_cure_is_not_begun_by_saying_so_and_is_told_in_the_benchs_time(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    lab.put_on(trial)
    with pytest.raises(ConfigError, match="a cure begins with the application") as caught:
        lab.call(begin, trial, "cure", early=True)
    assert caught.value.hint == "panelwright step skip larch cure/A --reason ..."
    east = timezone(timedelta(hours=5))
    applied = lab.bench.clock.utc().astimezone(east)
    with pytest.raises(ConfigError, match=f"A cures until tomorrow {applied:%H:%M}"):
        lab.call(begin, trial, "slip/A", zone=east)


def test_what_was_said_of_stages_no_longer_asked_for_stays_a_deviation(lab: Lab) -> None:
    trial = lab.open()
    lab.call(skip, trial, "inspect/A/150", reason="lamp broke")
    lab.bench.inspect("larch", "A", 60, 60, passed=False)
    assert "inspect/A/150" not in [one.planned.key for one in lab.progress(trial).steps]
    assert ("inspect/A/150", "skipped") in lab.told(trial)


def test_a_skipped_cure_is_over_and_a_repeated_one_begins_anew(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    lab.put_on(trial)
    lab.call(skip, trial, "cure", reason="stated as ready at once")
    assert lab.take(trial) == Step(test=Kind.SLIP, panel="A")
    lab.bench.clock.move(HOUR_S)
    lab.call(reopen, trial, "cure/A", what="repeated", reason="got wet")
    cure = lab.progress(trial).step("cure/A")
    assert (cure.state, cure.until_utc) == ("waiting", lab.bench.clock.utc() + timedelta(hours=24))


def test_what_is_measured_is_not_done_by_saying_so(lab: Lab) -> None:
    trial = lab.open()
    with pytest.raises(ConfigError, match="not done by saying so") as caught:
        lab.call(done, trial, "bare-slip")
    assert caught.value.hint == "panelwright capture larch slip --panel A --phase bare"


def test_a_wash_that_is_counted_is_done_by_its_strokes_and_one_that_is_not_by_saying_so(lab: Lab) -> None:
    trial = lab.open()
    with pytest.raises(ConfigError, match="not done by saying so"):
        lab.call(done, trial, "wash/A/60", early=True)
    lab.method = lab.method.model_copy(update={"wash": lab.method.wash.model_copy(update={"unit": "washes"})})
    lab.call(done, trial, "wash/A/60", early=True)
    assert lab.progress(trial).step("wash/A/60").state == "done"


def test_a_trial_is_closed_when_nothing_is_left_and_can_be_opened_again(lab: Lab) -> None:
    trial = lab.open()
    with pytest.raises(ConfigError, match=r"cannot be closed yet; left: .*bare-slip/A"):
        lab.call(done, trial, "close")
    for one in lab.progress(trial).steps[:-1]:
        if not one.over:
            lab.call(skip, trial, one.planned.key, reason="given up")
    lab.call(done, trial, "close")
    with pytest.raises(ConfigError, match="is closed") as caught:
        lab.call(begin, trial, "slip/A")
    assert "step repeat larch close" in caught.value.hint
    lab.call(reopen, trial, "close", what="repeated", reason="one more look")
    assert not lab.progress(trial).closed


def test_closing_checks_are_seen_in_the_journal(lab: Lab) -> None:
    trial = lab.open()
    lab.bench.slip("larch", "A", "bare", [2.5, 2.6, 2.7])
    lab.bench.check_force()
    assert lab.progress(trial).step("closing-checks").state == "held", "it is too soon for closing ones"
    for one in lab.progress(trial).steps[:-2]:
        if not one.over:
            lab.call(skip, trial, one.planned.key, reason="given up")
    assert lab.progress(trial).step("closing-checks").state == "done"


def test_a_panel_is_in_one_open_trial_at_a_time(lab: Lab) -> None:
    lab.open("larch", "A")
    with pytest.raises(ConfigError, match="panel 'A' is in the open trial 'larch'"):
        lab.open("fir", "B", "A")
    assert lab.next(lab.open("fir", "B")) == "clean/B"
    found = next_steps(lab.bench.journal, lab.method, lab.bench.clock.utc())
    assert [one.trial.id for one in found] == ["larch", "fir"]


def test_polishing_ends_the_bare_values_before_the_product_and_is_refused_after_it(lab: Lab) -> None:
    bench = lab.bench
    add_panel(bench.journal, bench.clock, "A", colour="black")
    trial = lab.open()
    lab.bare(trial)
    again = polish(bench.journal, bench.clock, lab.method, "A")
    assert again == ["larch bare-slip/A", "larch bare-gloss/A"]
    assert lab.progress(trial).step("bare-slip/A").state == "open"
    assert lab.next(trial) == "clean/A", "it has polish on it"
    assert {what for key, what in lab.told(trial) if key.startswith("bare")} == {"repeated"}
    panel = panels_of_bench(bench.journal)["A"]
    assert (panel.colour, panel.polished_n) == ("black", 1)
    lab.bare(trial)
    lab.put_on(trial)
    with pytest.raises(ConfigError, match="the product of open trial 'larch' is on A"):
        polish(bench.journal, bench.clock, lab.method, "A")


def test_a_retired_panel_is_used_no_more(lab: Lab) -> None:
    bench = lab.bench
    add_panel(bench.journal, bench.clock, "A", colour="black")
    with pytest.raises(ConfigError, match="there is a panel 'A' already"):
        add_panel(bench.journal, bench.clock, "A", colour="white")
    retire_panel(bench.journal, bench.clock, "A", reason="cut through")
    with pytest.raises(ConfigError, match="panel 'A' was retired: cut through"):
        lab.open()


def climate(lab: Lab, where: Any, quantity: Any, value: float) -> None:
    one = Climate(
        gauge=f"{where}-{quantity}",
        quantity=quantity,
        value=value,
        unit="%" if quantity == "humidity" else "degC",
        where=where,
        t_utc=lab.bench.clock.utc(),
        raw=RawRef(recording="x.rec", opening=0, first_byte=0, last_byte=1, ordinal=0),
    )
    lab.bench.write("climate", one)


def test_an_application_takes_the_temperatures_that_gauges_told_shortly_before(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    climate(lab, "room", "humidity", 48.0)
    lab.bench.clock.move(40 * 60)
    climate(lab, "room", "temperature", 22.5)
    climate(lab, "panel", "temperature", 21.0)
    lab.bench.clock.move(5 * 60)
    said = lab.call(apply, trial, "A", mass_g=4.2, panel_temperature_degc=20.5, wipe_off_min=5, ago_min=1)
    assert isinstance(said, Application)
    assert (said.panel_temperature_degc, said.air_temperature_degc, said.humidity_percent) == (
        20.5,
        22.5,
        None,
    )
    assert said.measured_by == {"air_temperature_degc": "room-temperature"}
    cure = lab.progress(trial).step("cure/A")
    assert cure.until_utc == lab.bench.clock.utc() - timedelta(minutes=1) + timedelta(hours=24)
    with pytest.raises(ConfigError, match="the product is on A already"):
        lab.call(apply, trial, "A", sprays=1)


@pytest.mark.parametrize(
    ("more", "told"),
    [({}, "how much was used is missing"), ({"sprays": 1, "panel": "Z"}, "has no panel 'Z'")],
)
def test_an_application_that_cannot_be_is_refused(lab: Lab, more: dict[str, Any], told: str) -> None:
    trial = lab.open()
    with pytest.raises(ConfigError, match=told):
        lab.call(apply, trial, more.pop("panel", "A"), **more)


def test_nothing_is_applied_on_a_control_which_neither_cures(lab: Lab) -> None:
    trial = lab.open(control=True)
    kinds = {one.planned.rule.kind for one in lab.progress(trial).steps}
    assert not kinds & {"apply", "cure"}
    assert "handling/A" not in [one.planned.key for one in lab.progress(trial).steps]
    with pytest.raises(ConfigError, match="untreated control"):
        lab.call(apply, trial, "A", sprays=1)
    lab.bare(trial)
    assert lab.take(trial) == Step(test=Kind.SLIP, panel="A")


def test_a_control_zone_goes_along_through_uv_screening(lab: Lab) -> None:
    add_panel(lab.bench.journal, lab.bench.clock, "A", colour="black", zones=("control",))
    lab.method = lab.method.model_copy(update={"uv": lab.method.uv.model_copy(update={"used": True})})
    keys = [one.planned.key for one in lab.progress(lab.open("larch", "A", "B")).steps]
    assert [key for key in keys if "uv" in key] == [
        "bare-uv/A",
        "bare-uv/A/control",
        "bare-uv/B",
        "uv/A",
        "uv/A/control",
        "uv/B",
    ]


def test_a_trial_keeps_the_protocol_it_was_opened_under(lab: Lab) -> None:
    trial = lab.open()
    lab.protocol = parse_protocol(lab.protocol.text.replace("wait_h = 24.0", "wait_h = 12.0"), "changed")
    other = lab.open("fir", "B")
    assert trial.protocol != other.protocol
    waits = {
        one.id: lab.progress(one).step(f"cure/{one.panels[0]}").planned.rule.wait_h for one in (trial, other)
    }
    assert waits == {"larch": 24.0, "fir": 12.0}
    assert len(list(lab.bench.journal.events("protocol"))) == 2


def test_without_a_protocol_a_trial_has_the_methods_steps_only(lab: Lab) -> None:
    trial = lab.bench.begin("t", "Invented wax")
    assert progress_of(lab.bench.journal, trial, lab.method, lab.bench.clock.utc()) is None
    assert lab.take(trial) == Step(test=Kind.SLIP, panel="A", phase="bare")
    assert lab.told(trial) == []
    with pytest.raises(ConfigError, match="was opened without a protocol"):
        lab.call(begin, trial, "slip")


def test_measuring_before_what_should_come_first_is_told_by_the_order_of_the_readings(lab: Lab) -> None:
    trial = lab.open()
    lab.prepare(trial)
    lab.bench.slip("larch", "A", "treated", [1.5, 1.6, 1.7])
    lab.bare(trial)
    lab.put_on(trial)
    found = {key: what for key, what in lab.told(trial) if what == "out of order"}
    assert found == {"slip/A": "out of order"}


def test_a_protocol_must_serve_what_the_method_scores(lab: Lab) -> None:
    must_serve(lab.protocol, lab.method)
    text = re.sub(
        r'\[\[steps\]\]\nname = "gloss".*?(?=\[\[steps\]\])', "", lab.protocol.text, flags=re.DOTALL
    )
    with pytest.raises(ConfigError, match="scores gloss, and the protocol"):
        must_serve(parse_protocol(text, "x"), lab.method)


def test_after_a_restart_everything_is_where_it_was(lab: Lab) -> None:
    trial = lab.open()
    lab.prepare(trial)
    lab.bare(trial)
    lab.put_on(trial)
    before = [(one.planned.key, one.state, one.until_utc) for one in lab.progress(trial).steps]
    lab.bench.journal.close()
    lab.bench.journal = lab.bench.home.journal()
    again = answers.trial_named(lab.bench.journal, "larch")
    assert [(one.planned.key, one.state, one.until_utc) for one in lab.progress(again).steps] == before


def test_a_step_is_meant_by_its_name_where_that_is_enough(lab: Lab) -> None:
    trial = lab.open("larch", "A", "B")
    with pytest.raises(ConfigError, match="more than one step 'clean' is meant") as caught:
        lab.progress(trial).step("clean")
    assert caught.value.hint == "say which: clean/A, clean/B"
    with pytest.raises(ConfigError, match="has no step 'clan'"):
        lab.progress(trial).step("clan")
    lab.call(done, trial, "clean/A")
    assert lab.progress(trial).step("clean").planned.key == "clean/B"


def test_readings_are_the_same_ones_after_voiding(lab: Lab) -> None:
    trial = lab.open()
    lab.bare(trial)
    before = [
        reading.model_copy(update={"counts": None}) for reading in record_of(lab.bench.journal).readings
    ]
    lab.call(reopen, trial, "bare-gloss", what="voided", reason="dirty lens")
    after: list[Reading] = list(record_of(lab.bench.journal).readings)
    assert [reading.model_copy(update={"counts": None}) for reading in after] == before
