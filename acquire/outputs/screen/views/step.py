"""One step of a trial: what it needs, what was taken, and the forms that say what was done."""

from typing import Annotated, Any, Literal

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from acquire import answers
from acquire.applying import apply
from acquire.errors import ConfigError
from acquire.journal import Journal
from acquire.model import Step, Test, Trial
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.forms import (
    Done,
    Faults,
    Form,
    Sent,
    UnfitError,
    answer,
    checked,
    form_number,
    once,
)
from acquire.outputs.screen.steps import StepView, reading_became, shown, trial_view
from acquire.outputs.screen.views.safely import safely
from acquire.panels import panels_of_bench
from acquire.scoring.method import Method, Scale
from acquire.scoring.ratings import scale_of
from acquire.scoring.rounding import exact
from acquire.stepping import begin, done, reopen, skip
from drivers.keys import OneLine

MOST_CHOICES = 25
"""A scale of more steps is typed, not chosen from."""


class Act(Form):
    """Base of what can be done about a step."""

    do: str
    early: bool = False
    """Although something else should come first."""


class Arm(Act):
    do: Literal["arm"]


class Rate(Act):
    do: Literal["rate"]
    value: float


class Inspect(Act):
    do: Literal["inspect"]
    passed: Literal["yes", "no"]
    against_control: Literal["better", "same", "worse"] | None = None
    cut_through: bool = False
    note: str = ""


_Degrees = Annotated[float, Field(ge=-50, le=150)]


class Apply(Act):
    do: Literal["apply"]
    sprays: Annotated[float, Field(gt=0, le=10_000)] | None = None
    mass_g: Annotated[float, Field(gt=0, le=100_000)] | None = None
    panel_temperature_degc: _Degrees | None = None
    air_temperature_degc: _Degrees | None = None
    humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    wipe_off_min: Annotated[float, Field(ge=0, le=10_000)] | None = None
    ago_min: Annotated[float, Field(ge=0, le=10_000)] = 0.0
    note: str = ""


class TickOff(Act):
    do: Literal["done"]


class WithReason(Act):
    do: Literal["skipped", "voided", "repeated"]
    reason: OneLine
    by: str = ""


_FORMS: dict[str, type[Act]] = {
    "arm": Arm,
    "rate": Rate,
    "inspect": Inspect,
    "apply": Apply,
    "done": TickOff,
    "skipped": WithReason,
    "voided": WithReason,
    "repeated": WithReason,
}


def routes(screen: Screen) -> list[BaseRoute]:
    """`/trial/ID/step/KEY`: GET shows it, POST does one of the things that its forms say."""

    def page(trial_id: str, key: str, sent: Sent, faults: Faults) -> Response:
        with screen.home.journal(readonly=True) as journal:
            method = screen.home.method()
            trial = answers.trial_named(journal, trial_id)
            view = trial_view(journal, screen.home.bench(), method, trial, screen.clock.utc())
            one = view.step(key)
            return screen.page(
                "step.html",
                here="/trials",
                view=view,
                one=one,
                became=reading_became,
                shown=shown,
                number=form_number(),
                sent=sent.words,
                faults=faults,
                **material_for(journal, method, one),
            )

    async def step(request: Request) -> Response:
        trial_id, key = request.path_params["trial"], request.path_params["key"]
        if request.method == "POST":
            return await answer(
                request,
                lambda sent: _Acting(screen, trial_id, key).act(sent),
                lambda sent, faults: safely(screen, lambda: page(trial_id, key, sent, faults)),
            )
        return await run_in_threadpool(safely, screen, lambda: page(trial_id, key, Sent(), {}))

    return [Route("/trial/{trial}/step/{key:path}", step, methods=["GET", "POST"])]


def material_for(journal: Journal, method: Method, one: StepView) -> dict[str, Any]:
    """What the forms of a step show besides the step: the scale with its anchors, whether a control zone is
    to be judged."""
    scale = scale_of(one.step.test, method) if one.kind == "rate" and one.step is not None else None
    zoned = False
    if one.kind == "inspect" and one.step is not None:
        panel = panels_of_bench(journal).get(one.step.panel)
        zoned = panel is not None and panel.has_control
    return {"scale": scale, "choices": [] if scale is None else _choices(scale), "zoned": zoned}


def _choices(scale: Scale) -> list[tuple[str, str]]:
    """Each value of the scale with what it means; empty where there are too many to choose from."""
    steps_n = int((scale.max - scale.min) / scale.step)
    if steps_n >= MOST_CHOICES:
        return []
    values = [scale.max - i * scale.step for i in range(steps_n + 1)]
    words = {float(at): text for at, text in scale.anchors.items()}
    return [(f"{float(value):g}", words.get(float(value), "")) for value in values]


class _Acting:
    """Does what one form says of one step."""

    def __init__(self, screen: Screen, trial_id: str, key: str) -> None:
        self._screen, self._trial_id, self._key = screen, trial_id, key

    def act(self, sent: Sent) -> Done:
        """Raises PanelwrightError if it cannot be done; UnfitError where a field is to blame."""
        screen = self._screen
        kind = _FORMS.get(sent.words.get("do", ""))
        if kind is None:
            raise ConfigError("nobody knows what this form is to do", hint="reload the page")
        wanted = checked(kind, sent.words)
        with screen.home.journal(readonly=isinstance(wanted, Arm)) as journal:
            trial = answers.trial_named(journal, self._trial_id)
            if isinstance(wanted, Arm):
                one = self._found(journal, trial)
                return self._arm(one, wanted)
            written = {"rate": "rating", "inspect": "inspection", "apply": "application"}
            once(
                journal,
                written.get(wanted.do, "step"),
                wanted.form,
                lambda: self._write(journal, trial, wanted),
            )
        return Done(f"/trial/{trial.id}", f"{self._key}: written down")

    def _found(self, journal: Journal, trial: Trial) -> StepView:
        screen = self._screen
        view = trial_view(journal, screen.home.bench(), screen.home.method(), trial, screen.clock.utc())
        return view.step(self._key)

    def _arm(self, one: StepView, wanted: Arm) -> Done:
        step = one.step
        _must_not_be_held(one, wanted)
        if step is None or "arm" not in one.acts:
            raise ConfigError("no gauge works for this step", hint="look at the trial's page")
        order = {**step.model_dump(mode="json"), "trial": self._trial_id, "early": wanted.early}
        return Done("/", self._screen.orders.give("arm", order))

    def _write(self, journal: Journal, trial: Trial, wanted: Act) -> None:
        screen, method = self._screen, self._screen.home.method()
        clock, zone, form = screen.clock, screen.home.bench().zone, wanted.form
        one = self._found(journal, trial)
        if wanted.do not in one.acts:
            raise ConfigError(f"{one.title} is {one.word}: this cannot be done now", hint="reload the page")
        match wanted:
            case WithReason(do="skipped"):
                skip(journal, clock, method, trial, one.key, reason=wanted.reason, by=wanted.by, form=form)
            case WithReason():
                what: Literal["voided", "repeated"] = "voided" if wanted.do == "voided" else "repeated"
                reopen(
                    journal,
                    clock,
                    method,
                    trial,
                    one.key,
                    what=what,
                    reason=wanted.reason,
                    by=wanted.by,
                    form=form,
                )
            case TickOff():
                _must_not_be_held(one, wanted)
                done(journal, clock, method, trial, one.key, early=wanted.early, zone=zone, form=form)
            case Apply():
                _must_not_be_held(one, wanted)
                self._apply(journal, trial, one, wanted)
            case Rate() | Inspect():
                self._judge(journal, trial, one, wanted)

    def _apply(self, journal: Journal, trial: Trial, one: StepView, wanted: Apply) -> None:
        if wanted.sprays is None and wanted.mass_g is None:
            raise UnfitError({"sprays": ("how much was used is missing", "say sprays, or grams, or both")})
        assert one.panel is not None, "a product is applied on a panel"
        told = wanted.model_dump(exclude={"do"})
        apply(journal, self._screen.clock, self._screen.home.method(), trial, one.panel, **told)

    def _judge(self, journal: Journal, trial: Trial, one: StepView, wanted: Rate | Inspect) -> None:
        screen, method, step = self._screen, self._screen.home.method(), one.step
        assert step is not None, "what is rated or inspected belongs to a test"
        if isinstance(wanted, Rate):
            _must_be_on_scale(wanted, step.test, method)
        else:
            _must_say_beside_control(journal, step, wanted)
        _must_not_be_held(one, wanted)
        if one.held:
            begin(journal, screen.clock, method, trial, one.key, early=True)
        if isinstance(wanted, Rate):
            answers.rate(journal, screen.clock, method, trial, step, wanted.value, form=wanted.form)
            return
        answers.inspect(
            journal,
            screen.clock,
            trial,
            step,
            passed=wanted.passed == "yes",
            against_control=wanted.against_control,
            cut_through=wanted.cut_through,
            note=wanted.note,
            form=wanted.form,
        )


def _must_not_be_held(one: StepView, wanted: Act) -> None:
    if one.held and not wanted.early:
        hint = "tick that you start now all the same: it is marked, and published with the trial"
        raise UnfitError({"early": (one.waits, hint)})


def _must_be_on_scale(wanted: Rate, test: Test, method: Method) -> None:
    scale = scale_of(test, method)
    if not scale.has(exact(wanted.value)):
        hint = f"from {scale.min} to {scale.max} in steps of {scale.step}"
        raise UnfitError({"value": (f"{wanted.value:g} is not on the scale", hint)})


def _must_say_beside_control(journal: Journal, step: Step, wanted: Inspect) -> None:
    panel = panels_of_bench(journal).get(step.panel)
    if panel is not None and panel.has_control and wanted.against_control is None:
        hint = "say better, the same or worse"
        raise UnfitError({"against_control": (f"{step.panel} has an untreated control zone", hint)})
