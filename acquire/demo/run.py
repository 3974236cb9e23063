"""Runs the scenario through the real service: every step of every trial, on bytes over serial devices."""

import re
from collections.abc import Callable
from pathlib import Path
from shutil import copyfile

import config
from acquire import answers
from acquire.clock import Clock
from acquire.demo.hands import Hands, Simulator
from acquire.demo.scenario import BARE_FRICTION, BARE_GLOSS, PANELS, PRODUCTS, Product
from acquire.errors import TransportError
from acquire.home import Home
from acquire.model import Step, Test, Trial
from acquire.service import Service
from acquire.trials import next_step, record_of, strokes_on

Say = Callable[[str], None]

SETTLE_S = 3.0
"""After the hands have done something, so long for the last of it to arrive."""
UNPLUG_AT = ("one", Step(test=Test.SLIP, panel="black-1"))
STEP_LIMIT_S = 600.0


def lay_out(folder: Path, hands: Hands) -> Home:
    """The bench of the demonstration, with the ports the simulators are on."""
    home = Home(folder)
    home.create()
    copyfile(config.FOLDER / "demo" / "method.toml", home.method_file)
    text = (config.FOLDER / "demo" / "bench.toml").read_text(encoding="utf-8")
    for name, simulator in hands.by_name.items():
        text = re.sub(f'"serial:{name.upper()}"', lambda _, to=simulator.address: f"'{to}'", text)  # type: ignore[misc]
    home.bench_file.write_text(text, encoding="utf-8")
    return home


class Demo:
    """Plays the tester: opens trials, takes every step, answers what a person must answer."""

    def __init__(self, service: Service, hands: Hands, clock: Clock, say: Say) -> None:
        self._service, self._hands, self._clock, self._say = service, hands, clock, say
        self._gloss_checked = False

    def run(self) -> None:
        """Every trial, one after the other, each from bare panels to the last wash stage."""
        journal = self._service.journal
        self._say("Checks first: a weight on the force gauge, counted strokes on the counter")
        self._check("force", "weight-200g", self._weigh)
        self._check("wash", "strokes-10", lambda: self._do("wash", "strokes 10"))
        for product in PRODUCTS:
            trial = answers.open_trial(
                journal,
                self._clock,
                product.trial,
                product=product.name,
                panels=PANELS,
                control=product.control,
            )
            self._say(f"\nTrial {trial.id}: {product.name}")
            if product.control:
                self._say("  (nothing is put on it: its treated steps are a second look at bare panels)")
            while (state := next_step(trial, self._service.method, record_of(journal))) is not None:
                self._take(trial, state.step, product)

    def _take(self, trial: Trial, step: Step, product: Product) -> None:
        self._say(f"  {step}")
        if step.test is Test.SLIP:
            self._pulls(trial, step, product)
        elif step.test is Test.GLOSS:
            self._presses(trial, step, product)
        elif step.test is Test.WASH:
            self._wash(trial, step, product)
        else:
            value = product.handling if step.test is Test.HANDLING else self._appearance(step, product)
            self._say(f"    rated {value:g} by a person")
            answers.rate(self._service.journal, self._clock, self._service.method, trial, step, value)

    def _appearance(self, step: Step, product: Product) -> float:
        return product.appearance[PANELS.index(step.panel)]

    def _pulls(self, trial: Trial, step: Step, product: Product) -> None:
        static, kinetic = BARE_FRICTION if step.phase == "bare" else product.friction
        task = self._service.measure(trial, step)
        self._do("force", f"surface mu_static={static} mu_kinetic={kinetic}")
        if (trial.id, step) == UNPLUG_AT:
            self._say("    (on purpose: a pull too fast for the gauge; then the cable comes off)")
            self._do("force", "pull 1 hand=fast")
            self._unplug_while_pulling()
        while not task.done:
            self._do("force", "pull 1")
            self._wait(SETTLE_S)
        self._service.rest(task)

    def _unplug_while_pulling(self) -> None:
        force = self._hands.by_name["force"]
        force.tell("pull 1")
        self._wait(2.5)
        force.tell("unplug s=4")
        for _ in range(2):
            self._until_answered(force)
        self._wait(SETTLE_S + 4)

    def _presses(self, trial: Trial, step: Step, product: Product) -> None:
        gain = 0.0 if step.phase == "bare" else product.gloss_gain
        task = self._service.measure(trial, step)
        self._do("gloss", f"panel 60={BARE_GLOSS[step.panel] + gain}")
        if not self._gloss_checked:
            self._say("    (on purpose: one reading before the glossmeter was checked; it says so)")
            self._do("gloss", "press 1")
            self._wait(SETTLE_S)
            self._service.rest(task)
            self._check("gloss", "tile", lambda: self._do("gloss", "press 3"), before="tile")
            self._gloss_checked = True
            task = self._service.measure(trial, step)
            self._do("gloss", f"panel 60={BARE_GLOSS[step.panel] + gain}")
        while not task.done:
            self._do("gloss", "press 1")
            self._wait(SETTLE_S)
        self._service.rest(task)

    def _wash(self, trial: Trial, step: Step, product: Product) -> None:
        task = self._service.measure(trial, step)
        counted = strokes_on(trial.id, step.panel, record_of(self._service.journal, trial.id).readings)
        wanted = self._service.method.wash.strokes_at(step.stage or 0)
        assert wanted is not None, "the demonstration's method counts strokes"
        self._do("wash", f"strokes {wanted - counted}")
        self._until(lambda: task.done)
        self._service.rest(task)
        passed = (step.stage or 0) <= product.holds_strokes
        said = answers.inspect(self._service.journal, self._clock, trial, step, passed=passed)
        behaves = "still behaves" if passed else "no longer behaves"
        self._say(f"    {said.strokes} strokes counted; a person inspects: water {behaves}")

    def _check(self, gauge: str, reference: str, act: Callable[[], None], before: str = "") -> None:
        task = self._service.check(gauge, reference, repeats=1 if gauge == "wash" else 3)
        if before:
            self._do(gauge, before)
        while not task.done:
            act()
            self._wait(SETTLE_S)
            if gauge == "wash":
                self._until(lambda: task.done)
        self._service.rest(task)
        if gauge == "force":
            self._do("force", "weight 0")

    def _weigh(self) -> None:
        for command in ("weight 0", "weight 0.2"):
            self._do("force", command)
            self._wait(SETTLE_S)

    def _do(self, gauge: str, command: str) -> None:
        simulator = self._hands.by_name[gauge]
        simulator.tell(command)
        self._until_answered(simulator)

    def _until_answered(self, simulator: Simulator) -> None:
        self._until(simulator.answered)

    def _until(self, condition: Callable[[], bool]) -> None:
        limit_ns = self._clock.monotonic_ns() + int(STEP_LIMIT_S * 1e9)
        while not condition():
            if self._clock.monotonic_ns() > limit_ns:
                raise TransportError("a simulator took too long", hint="is the machine very busy? try again")
            self._service.pump(0.02)

    def _wait(self, seconds: float) -> None:
        until_ns = self._clock.monotonic_ns() + int(seconds * 1e9)
        while self._clock.monotonic_ns() < until_ns:
            self._service.pump(0.02)
