"""Random walks through the protocol: whatever a person says and the gauges give, in whatever order.

A reading is never lost or changed but by a ruling; an open trial always has a next step or waits for a time
that is named; and a bench that is switched off in between goes on where it was.
"""

from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire import answers
from acquire.applying import apply
from acquire.errors import ConfigError
from acquire.logger import as_stamped
from acquire.model import CalibrationState, RawRef, Reading, Stamp, Step, Trial
from acquire.model import Test as Kind
from acquire.panels import add_panel
from acquire.progress import Progress, TrialProgress, next_steps, progress_of
from acquire.stepping import begin, done, reopen, skip
from acquire.trials import record_of
from tests.benches import MadeBench

STEPS_N = 25

Act = Callable[["Walk", Progress], None]


class Walk:
    """A bench and hands that do what chance tells them."""

    def __init__(self, folder: Path, chance: Random) -> None:
        self.bench = MadeBench(folder)
        self.chance = chance
        method = self.bench.home.method()
        wash = method.wash.model_copy(update={"stages": method.wash.stages[:2]})
        self.method = method.model_copy(update={"wash": wash})
        journal, clock = self.bench.journal, self.bench.clock
        add_panel(journal, clock, "A", colour="black", zones=("control",))
        self.trial: Trial = answers.open_trial(
            journal,
            clock,
            "t",
            product="Invented",
            panels=("A", "B"),
            control=False,
            protocol=self.bench.home.protocol(),
        )
        self.logged: dict[str, Reading] = {}
        self.refused_n = 0

    def progress(self) -> TrialProgress:
        found = progress_of(self.bench.journal, self.trial, self.method, self.bench.clock.utc())
        assert found is not None
        return found

    def measure(self, one: Progress) -> None:
        """One to three readings, straight into the journal: how they come about is not what is tested."""
        step = one.planned.step
        if step is None:
            return
        for _ in range(self.chance.randint(1, 3)):
            reading = made_reading(
                f"x.rec#{len(self.logged)}", step, self.bench.clock.utc(), len(self.logged)
            )
            self.bench.write("reading", reading, reading.id)
            self.logged[reading.id] = reading

    def answer(self, one: Progress) -> None:
        step, bench = one.planned.step, self.bench
        if step is not None and one.planned.rule.kind == "rate":
            answers.rate(bench.journal, bench.clock, self.method, self.trial, step, 7.0)
        elif step is not None and one.planned.rule.kind == "inspect":
            passed = self.chance.random() < 0.7
            answers.inspect(
                bench.journal, bench.clock, self.trial, step, passed=passed, against_control="better"
            )

    def do(self, one: Progress) -> None:
        kind = one.planned.rule.kind
        if kind in ("measure", "wash"):
            self.measure(one)
        elif kind in ("rate", "inspect"):
            self.answer(one)
        elif kind == "apply":
            self.say(apply, one.planned.panel or "", sprays=2)
        elif kind != "cure":
            self.say(done, one.planned.key)

    def say(self, act: Callable[..., object], key: str, **more: object) -> None:
        """What cannot be said now is refused, and leaves nothing behind."""
        head, refusal = self.bench.journal.head(), None
        try:
            act(self.bench.journal, self.bench.clock, self.method, self.trial, key, **more)
        except ConfigError as error:
            refusal = error
        if refusal is not None:
            assert refusal.hint, "a refusal says what to do next"
            assert self.bench.journal.head() == head
            self.refused_n += 1

    def move(self) -> None:
        everything = self.progress().steps
        one = self.chance.choice(everything)
        match self.chance.randint(0, 9):
            case 0:
                self.say(begin, one.planned.key, early=self.chance.random() < 0.5)
            case 1:
                self.say(skip, one.planned.key, reason=self.chance.choice(["because", " "]))
            case 2:
                self.say(reopen, one.planned.key, what="voided", reason="because")
            case 3:
                self.say(reopen, one.planned.key, what="repeated", reason="because")
            case 4:
                self.bench.clock.move(self.chance.choice([60, 3600, 90_000]))
            case 5:
                self.do(one)
            case _:
                ready = self.progress().next
                if ready is not None:
                    self.do(ready)

    def restart(self) -> None:
        before = [(one.planned.key, one.state, one.until_utc) for one in self.progress().steps]
        self.bench.journal.close()
        self.bench.journal = self.bench.home.journal()
        self.trial = answers.trial_named(self.bench.journal, "t")
        assert [(one.planned.key, one.state, one.until_utc) for one in self.progress().steps] == before

    def nothing_is_lost(self) -> None:
        """As logged, and as known now but for rulings."""
        assert {one.id: one for one in as_stamped(self.bench.journal)} == self.logged
        now = record_of(self.bench.journal, "t").readings
        assert {one.id: one.model_copy(update={"counts": None}) for one in now} == self.logged

    def there_is_a_next_step(self) -> None:
        progress = self.progress()
        listed = [one.trial.id for one in next_steps(self.bench.journal, self.method, self.bench.clock.utc())]
        assert listed == ([] if progress.closed else ["t"])
        if progress.closed:
            assert progress.next is None
            return
        coming = progress.next
        assert coming is not None
        assert coming.state in ("open", "under way", "waiting")
        assert (coming.state == "waiting") == (coming.until_utc is not None)
        for one in progress.steps:
            assert (one.state == "held") == (one.waits_for is not None)


def made_reading(id_: str, step: Step, at: object, ordinal: int) -> Reading:
    quantity, unit, value = {
        Kind.SLIP: ("force", "N", 2.5),
        Kind.GLOSS: ("gloss", "GU", 91.0),
        Kind.WASH: ("count", "1", 40.0),
    }[step.test]
    return Reading.model_validate(
        {
            "id": id_,
            "trial": "t",
            "step": step,
            "quantity": quantity,
            "value": value,
            "unit": unit,
            "gauge": quantity,
            "t_utc": at,
            "t_mono_ns": 0,
            "t_source": "host read",
            "raw": RawRef(recording="x.rec", opening=0, first_byte=0, last_byte=1, ordinal=ordinal),
            "details": {"angle_deg": 60} if quantity == "gloss" else {},
            "stamp": Stamp(state=CalibrationState.UNCHECKED, reason="invented"),
        }
    )


@pytest.mark.slow
@given(seed=st.integers(0, 2**32))
@settings(
    max_examples=5,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_whatever_happens_no_reading_is_lost_and_there_is_a_next_step(
    seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    walk = Walk(tmp_path_factory.mktemp("walk"), Random(seed))
    try:
        for number in range(STEPS_N):
            walk.move()
            walk.there_is_a_next_step()
            if number % 8 == 7:
                walk.restart()
        walk.nothing_is_lost()
    finally:
        walk.bench.journal.close()


@pytest.mark.slow
def test_whoever_does_what_comes_next_gets_to_the_end(tmp_path: Path) -> None:
    walk = Walk(tmp_path, Random(7))
    try:
        for _ in range(200):
            coming = walk.progress().next
            if coming is None:
                break
            if coming.state == "waiting":
                walk.bench.clock.move(3600 * 6)
            else:
                walk.do(coming)
        assert walk.progress().closed
        walk.nothing_is_lost()
        assert walk.refused_n == 0
    finally:
        walk.bench.journal.close()
