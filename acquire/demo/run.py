"""Runs the scenario through the real service: every step of every trial, on bytes over serial devices.

What comes next is never written here: the protocol is asked, as it is at a real bench.
"""

import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from shutil import copyfile

import config
from acquire import answers, stepping
from acquire.applying import apply
from acquire.clock import Clock
from acquire.demo.hands import Hands, Simulator
from acquire.demo.scenario import (
    BARE_FRICTION,
    BARE_GLOSS,
    DRIFTED_GAIN,
    PRODUCTS,
    Product,
    colour_of,
)
from acquire.errors import TransportError
from acquire.home import Home
from acquire.model import Step, Test, Trial
from acquire.panels import CONTROL, add_panel
from acquire.plan import Planned
from acquire.progress import TrialProgress, local_time, open_trials
from acquire.service import Service
from acquire.trials import record_of, strokes_on

Say = Callable[[str], None]

SETTLE_S = 3.0
"""After the hands have done something, so long for the last of it to arrive."""
UNPLUG_AT = ("one", "slip/black-2")
DRIFT_AT = ("three", "slip/white-4")
STEP_LIMIT_S = 600.0


def lay_out(folder: Path, hands: Hands) -> Home:
    """The bench of the demonstration, with the ports the simulators are on."""
    home = Home(folder)
    home.create()
    for name in ("method.toml", "protocol.toml"):
        copyfile(config.FOLDER / "demo" / name, folder / name)
    text = (config.FOLDER / "demo" / "bench.toml").read_text(encoding="utf-8")
    for name, simulator in hands.by_name.items():
        text = re.sub(f'"serial:{name.upper()}"', lambda _, to=simulator.address: f"'{to}'", text)  # type: ignore[misc]
    home.bench_file.write_text(text, encoding="utf-8")
    return home


class Demo:
    """Plays the tester: opens trials, takes every step as it comes, answers what a person must answer."""

    def __init__(self, service: Service, hands: Hands, clock: Clock, say: Say) -> None:
        self._service, self._hands, self._clock, self._say = service, hands, clock, say
        self._journal, self._method = service.journal, service.method
        self._products = {product.trial: product for product in PRODUCTS}
        self._gloss_checked = self._drifted = False
        self._cautioned: set[str] = set()

    def run(self) -> None:
        """Four trials at once, each from bare panels to its close; the bench is checked before and after."""
        self._say("Checks first: a weight on the force gauge, counted strokes on the counter")
        self._check_force()
        self._check_wash()
        for product in PRODUCTS:
            self._open(product)
        before: Trial | None = None
        while left := open_trials(self._journal):
            found = next((one for one in map(self._progress, left) if one.ready), None)
            if found is None:
                self._wait_for_cure(left)
                before = None
                continue
            trial = found.trial
            if before is None or trial.id != before.id:
                self._say_what_cures([] if before is None else [before])
                self._say(f"\nTrial {trial.id}: {trial.product}")
                if trial.control:
                    self._say("  (nothing is put on it: its treated steps are a second look at bare panels)")
            before = trial
            self._take(trial, found.ready[0].planned, self._products[trial.id])

    def _progress(self, trial: Trial) -> TrialProgress:
        return stepping.under_protocol(self._journal, self._clock, self._method, trial)

    def _open(self, product: Product) -> None:
        for panel in product.panels:
            add_panel(self._journal, self._clock, panel, colour=colour_of(panel), zones=(CONTROL,))
        answers.open_trial(
            self._journal,
            self._clock,
            product.trial,
            product=product.name,
            panels=product.panels,
            control=product.control,
            protocol=self._service.home.protocol(),
        )

    def _say_what_cures(self, trials: list[Trial]) -> None:
        for panel, until in self._cures(trials):
            said = local_time(until, self._clock.utc(), self._service.bench.zone)
            self._say(f"  ({panel} cures until {said}; its later steps are held back)")

    def _wait_for_cure(self, trials: list[Trial]) -> None:
        """Nothing can be taken until the first cure is over."""
        self._say_what_cures(trials)
        over = min(until for _, until in self._cures(trials))
        while self._clock.utc() < over:
            self._service.pump(0.02)

    def _cures(self, trials: list[Trial]) -> list[tuple[str | None, datetime]]:
        waiting = [cure for one in trials for cure in self._progress(one).waiting]
        return [(cure.planned.panel, cure.until_utc) for cure in waiting if cure.until_utc is not None]

    def _take(self, trial: Trial, planned: Planned, product: Product) -> None:
        self._say(f"  {planned}")
        rule, step = planned.rule, planned.step
        if rule.caution and rule.name not in self._cautioned:
            self._cautioned.add(rule.name)
            self._say(f"    caution: {rule.caution}")
        if rule.kind in ("prepare", "close"):
            stepping.done(self._journal, self._clock, self._method, trial, planned.key)
        elif rule.kind == "check":
            self._close_brackets()
        elif rule.kind == "apply":
            self._apply(trial, planned.panel or "", product)
        elif step is None:
            raise AssertionError(f"the demonstration does not know how to take {planned}")
        elif rule.kind == "inspect":
            self._inspect(trial, step, product)
        elif rule.kind == "wash":
            self._wash(trial, step)
        elif rule.kind == "rate":
            value = product.handling if step.test is Test.HANDLING else self._appearance(step, product)
            self._say(f"    rated {value:g} by a person")
            answers.rate(self._journal, self._clock, self._method, trial, step, value)
        elif step.test is Test.SLIP:
            self._pulls(trial, planned.key, step, product)
        else:
            self._presses(trial, step, product)

    def _appearance(self, step: Step, product: Product) -> float:
        return product.appearance[product.panels.index(step.panel)]

    def _apply(self, trial: Trial, panel: str, product: Product) -> None:
        apply(
            self._journal,
            self._clock,
            self._method,
            trial,
            panel,
            mass_g=product.used_g,
            panel_temperature_degc=21.0,
            air_temperature_degc=21.5,
            wipe_off_min=1.0,
        )
        self._say(f"    {product.used_g:g} g of it; the control zone is masked; the clock of the cure runs")

    def _pulls(self, trial: Trial, key: str, step: Step, product: Product) -> None:
        static, kinetic = BARE_FRICTION if step.phase == "bare" else product.friction
        if (trial.id, key) == DRIFT_AT:
            self._say("    (on purpose: from here on the force gauge shows 3 % too much, and nobody knows)")
            self._do("force", f"gain {DRIFTED_GAIN}")
            self._drifted = True
        task = self._service.measure(trial, step)
        self._do("force", f"surface mu_static={static} mu_kinetic={kinetic}")
        if (trial.id, key) == UNPLUG_AT:
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
        panel = f"panel 60={BARE_GLOSS[colour_of(step.panel)] + gain}"
        task = self._service.measure(trial, step)
        self._do("gloss", panel)
        if not self._gloss_checked:
            self._say("    (on purpose: one reading before the glossmeter was checked; it says so)")
            self._do("gloss", "press 1")
            self._wait(SETTLE_S)
            self._service.rest(task)
            self._check_gloss()
            self._gloss_checked = True
            task = self._service.measure(trial, step)
            self._do("gloss", panel)
        while not task.done:
            self._do("gloss", "press 1")
            self._wait(SETTLE_S)
        self._service.rest(task)

    def _wash(self, trial: Trial, step: Step) -> None:
        task = self._service.measure(trial, step)
        counted = strokes_on(trial.id, step.panel, record_of(self._journal, trial.id).readings)
        wanted = self._method.wash.strokes_at(step.stage or 0)
        assert wanted is not None, "the demonstration's method counts strokes"
        self._do("wash", f"strokes {wanted - counted}")
        self._until(lambda: task.done)
        self._service.rest(task)

    def _inspect(self, trial: Trial, step: Step, product: Product) -> None:
        passed = (step.stage or 0) <= product.holds_strokes
        said = answers.inspect(
            self._journal,
            self._clock,
            trial,
            step,
            passed=passed,
            against_control="better" if passed else "same",
        )
        behaves = "still behaves, better than on" if passed else "no longer behaves, the same as on"
        self._say(f"    {said.strokes} strokes counted; a person looks: water {behaves} the control zone")

    def _close_brackets(self) -> None:
        self._check_force()
        if self._drifted:
            self._say(
                "    (found: what the gauge gave since it last passed is marked; it is set right again)"
            )
            self._do("force", "gain 1")
            self._drifted = False
            self._check_force()
        self._check_gloss()
        self._check_wash()

    def _check_force(self) -> None:
        self._check("force", "weight-200g", self._weigh)
        self._do("force", "weight 0")

    def _check_gloss(self) -> None:
        self._check("gloss", "tile", lambda: self._do("gloss", "press 3"), before="tile")

    def _check_wash(self) -> None:
        self._check("wash", "strokes-5", lambda: self._do("wash", "strokes 5"))

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
