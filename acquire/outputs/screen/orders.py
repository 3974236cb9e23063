"""The orders a page may give the desk: a short list, each with a few words that are checked first."""

from collections.abc import Callable
from typing import Literal

from pydantic import ConfigDict, Field, ValidationError

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.journal import Journal
from acquire.model import Model, Phase, Step, Test, Trial
from acquire.progress import progress_of
from acquire.service.desk import Desk
from acquire.stepping import begin, comes_first, must_be_open
from acquire.trials import find_step, trials_of
from drivers.keys import OneLine, faults


class Order(Model):
    """Base of all orders: unknown words are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


class Arm(Order):
    trial: OneLine
    test: Test
    panel: OneLine
    phase: Phase | None = None
    stage: int | None = None
    zone: OneLine | None = None
    early: bool = False
    """Although something else should come first; that is written down."""


class BeginCheck(Order):
    gauge: OneLine
    reference: OneLine
    channel: OneLine | None = None
    repeats: int = Field(default=3, ge=1, le=50)


class Undo(Order):
    reason: OneLine = "undone at the bench"


class Plain(Order):
    """An order without words of its own."""


OrderName = Literal["arm", "check", "pause", "go-on", "extra", "undo", "release"]
_WORDS: dict[OrderName, type[Order]] = {
    "arm": Arm,
    "check": BeginCheck,
    "pause": Plain,
    "go-on": Plain,
    "extra": Plain,
    "undo": Undo,
    "release": Plain,
}


class Orders:
    """Gives orders to a desk, from any thread."""

    def __init__(self, home: Home, desk: Desk, clock: Clock) -> None:
        self._home, self._desk, self._clock = home, desk, clock

    def give(self, name: str, body: object) -> str:
        """Has one order carried out; gives what came of it, in words.

        Raises:
            ConfigError: there is no such order, or its words make no sense.
            PanelwrightError: the desk could not carry it out.
        """
        if name not in _WORDS:
            raise ConfigError(f"there is no order {name!r}", hint=f"there are: {', '.join(_WORDS)}")
        try:
            order = _WORDS[name].model_validate(body)
        except ValidationError as error:
            raise ConfigError("; ".join(faults(error, _WORDS[name])), hint="reload the page") from error
        match order:
            case Arm():
                return self._arm(order)
            case BeginCheck():
                return self._desk.ask(
                    lambda: self._desk.check(
                        order.gauge, order.reference, channel=order.channel, repeats=order.repeats
                    )
                )
            case Undo():
                return self._desk.ask(lambda: self._desk.undo(order.reason))
            case _:
                self._desk.ask(self._plain()[name])
                return name

    def _plain(self) -> dict[str, Callable[[], None]]:
        desk = self._desk
        return {"pause": desk.pause, "go-on": desk.go_on, "extra": desk.extra, "release": desk.release}

    def _arm(self, order: Arm) -> str:
        with self._home.journal(readonly=not order.early) as journal:
            trial = trials_of(journal).get(order.trial)
            if trial is None:
                raise ConfigError(f"there is no trial {order.trial!r}", hint="reload the page")
            step = self._step(journal, trial, order)
        return self._desk.ask(lambda: self._desk.arm(trial.id, step))

    def _step(self, journal: Journal, trial: Trial, order: Arm) -> Step:
        """The step that is meant, if it may be taken now."""
        method = self._home.method()
        progress = progress_of(journal, trial, method, self._clock.utc())
        if progress is None:
            return find_step(
                trial, method, order.test, panel=order.panel, phase=order.phase, stage=order.stage
            )
        must_be_open(progress)
        meant = [
            (one, step)
            for one in progress.steps
            if one.planned.rule.kind in ("measure", "wash")
            and (step := one.planned.step) is not None
            and (step.test, step.panel, step.stage, step.zone)
            == (order.test, order.panel, order.stage, order.zone)
            and order.phase in (None, step.phase)
        ]
        if len(meant) != 1:
            raise ConfigError(
                f"trial {trial.id!r} has no such {order.test.value} step", hint="reload the page"
            )
        found, step = meant[0]
        if found.state == "held":
            if not order.early:
                raise comes_first(trial, found, self._clock.utc(), self._home.bench().zone)
            begin(journal, self._clock, method, trial, found.planned.key, early=True)
        return step
