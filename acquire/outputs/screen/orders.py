"""The orders a page may give the desk: a short list, each with a few words that are checked first."""

from collections.abc import Callable
from typing import Literal

from pydantic import ConfigDict, Field, ValidationError

from acquire.errors import ConfigError
from acquire.home import Home
from acquire.model import Model, Phase, Test
from acquire.service.desk import Desk
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

    def __init__(self, home: Home, desk: Desk) -> None:
        self._home, self._desk = home, desk

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
        with self._home.journal(readonly=True) as journal:
            trial = trials_of(journal).get(order.trial)
        if trial is None:
            raise ConfigError(f"there is no trial {order.trial!r}", hint="reload the page")
        step = find_step(
            trial, self._home.method(), order.test, panel=order.panel, phase=order.phase, stage=order.stage
        )
        return self._desk.ask(lambda: self._desk.arm(trial.id, step))
