import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire import answers
from acquire.errors import ConfigError, MethodError
from acquire.model import Step, Trial
from acquire.model import Test as Kind
from acquire.trials import record_of, trials_of
from tests.benches import MadeBench

HANDLING = Step(test=Kind.HANDLING, panel="A")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path) as made:
        yield made


def open_trial(bench: MadeBench, trial_id: str = "larch", *panels: str) -> Trial:
    return answers.open_trial(
        bench.journal,
        bench.clock,
        trial_id,
        product="Invented wax",
        panels=panels or ("A", "B"),
        control=False,
    )


def test_a_trial_is_opened_once_and_found_again(bench: MadeBench) -> None:
    opened = open_trial(bench)
    assert answers.trial_named(bench.journal, "larch") == opened
    with pytest.raises(ConfigError, match="there is a trial 'larch' already"):
        open_trial(bench)
    assert list(trials_of(bench.journal)) == ["larch"]


def test_an_unknown_trial_is_answered_by_those_there_are(bench: MadeBench) -> None:
    with pytest.raises(ConfigError, match="no trial 'larhc'") as caught:
        answers.trial_named(bench.journal, "larhc")
    assert "panelwright trial open" in caught.value.hint
    open_trial(bench)
    with pytest.raises(ConfigError) as caught:
        answers.trial_named(bench.journal, "larhc")
    assert caught.value.hint == "trials: larch"


@pytest.mark.parametrize("trial_id", ["Larch", "larch 2", "-larch", "", "lärche"])
def test_an_id_that_cannot_be_is_refused_with_what_can(bench: MadeBench, trial_id: str) -> None:
    with pytest.raises(ConfigError, match=f"with id '{trial_id}'") as caught:
        open_trial(bench, trial_id)
    assert "small letters, digits and single hyphens" in caught.value.hint
    assert trials_of(bench.journal) == {}


@pytest.mark.parametrize(
    ("panels", "told"),
    [
        (("A", "A"), "panels cannot be named 'A', 'A'"),
        (("A", ""), "the name of a panel must be one line of printable text"),
        ((" A",), "the name of a panel must be one line .* not ' A'"),
        (("A\nB",), "the name of a panel must be one line"),
    ],
)
def test_panels_are_named_once_and_plainly(bench: MadeBench, panels: tuple[str, ...], told: str) -> None:
    with pytest.raises(ConfigError, match=told):
        open_trial(bench, "larch", *panels)


def test_an_empty_product_is_not_blamed_on_the_id(bench: MadeBench) -> None:
    with pytest.raises(ConfigError, match="the name of a product must be one line of printable text"):
        answers.open_trial(bench.journal, bench.clock, "t", product="", panels=("A",), control=False)


def test_a_later_rating_replaces_the_earlier_which_stays_in_the_journal(bench: MadeBench) -> None:
    trial, method = open_trial(bench), bench.home.method()
    for value in (7.0, 8.5):
        answers.rate(bench.journal, bench.clock, method, trial, HANDLING, value)
    assert [rating.value for rating in record_of(bench.journal).ratings] == [8.5]
    assert len(list(bench.journal.events("rating"))) == 2


@pytest.mark.parametrize("value", [-0.5, 10.5, 7.25, float("nan"), float("inf")])
def test_a_rating_off_the_scale_is_refused_with_the_scale(bench: MadeBench, value: float) -> None:
    with pytest.raises(MethodError, match="not on the scale") as caught:
        answers.rate(bench.journal, bench.clock, bench.home.method(), open_trial(bench), HANDLING, value)
    assert caught.value.hint == "from 0 to 10 in steps of 0.5"
    assert list(bench.journal.events("rating")) == []


def test_an_inspection_holds_the_strokes_that_were_counted(bench: MadeBench) -> None:
    trial = open_trial(bench)
    bench.wash("larch", "A", 60, 70, passed=True)
    step = Step(test=Kind.WASH, panel="A", stage=150)
    said = answers.inspect(bench.journal, bench.clock, trial, step, passed=False, note="flat beads")
    assert (said.strokes, said.passed, said.note) == (70, False, "flat beads")
    assert record_of(bench.journal).inspections[-1] == said


def test_each_inspection_names_the_stroke_readings_since_the_one_before(bench: MadeBench) -> None:
    trial = open_trial(bench)
    said = []
    for stage, strokes in ((60, 60), (150, 90)):
        bench.wash("larch", "A", stage, strokes, passed=True, ask=False)
        step = Step(test=Kind.WASH, panel="A", stage=stage)
        said.append(answers.inspect(bench.journal, bench.clock, trial, step, passed=True))
    assert [(one.strokes, len(one.readings)) for one in said] == [(60, 6), (150, 9)]
    named = [reading for one in said for reading in one.readings]
    assert named == [reading.id for reading in record_of(bench.journal).readings]


def test_an_inspection_needs_a_stage(bench: MadeBench) -> None:
    with pytest.raises(MethodError, match="no wash stage"):
        answers.inspect(bench.journal, bench.clock, open_trial(bench), HANDLING, passed=True)


def test_a_ruling_points_back_at_the_reading_and_can_be_taken_back(bench: MadeBench) -> None:
    open_trial(bench)
    bench.gloss("larch", "A", "bare", [90.1, 90.2])
    first, second = record_of(bench.journal).readings
    for counts in (False, True, None):
        now = answers.rule(
            bench.journal, bench.clock, first.id, counts=counts, reason="knocked", by="a tester"
        )
        assert (now.id, now.counts) == (first.id, counts)
        assert record_of(bench.journal).readings == (now, second)
    assert len(list(bench.journal.events("amendment"))) == 3


def test_a_ruling_needs_a_reading_and_a_reason(bench: MadeBench) -> None:
    open_trial(bench)
    bench.gloss("larch", "A", "bare", [90.1])
    (reading,) = record_of(bench.journal).readings
    for reading_id in ("gloss-001.rec#9", "stream-2", "stray-\udc80"):
        with pytest.raises(ConfigError, match=re.escape(f"no reading {reading_id!r}")):
            answers.rule(bench.journal, bench.clock, reading_id, counts=True, reason="x", by="")
    with pytest.raises(ConfigError, match="needs its reason"):
        answers.rule(bench.journal, bench.clock, reading.id, counts=True, reason=" ", by="")
    assert list(bench.journal.events("amendment")) == []
