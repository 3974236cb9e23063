"""What happens to a panel outside the gauges: the product is put on it, or it is polished.

Both decide what the values before are worth: the cure counts from the application, and bare values belong to
the panel as it was before it was polished.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from uuid import uuid4

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.journal import Draft, Journal
from acquire.model import Climate, Trial
from acquire.panels import usable
from acquire.progress import open_trials, progress_of
from acquire.protocol_events import Application, PanelEvent
from acquire.scoring.method import Method
from acquire.stepping import comes_first, drafts_to_reopen, must_be_open, step_event
from acquire.trials import must_have

CLIMATE_AGE = timedelta(minutes=30)
"""An application takes temperatures that a gauge told no longer ago than this."""


def apply(
    journal: Journal,
    clock: Clock,
    method: Method,
    trial: Trial,
    panel: str,
    *,
    sprays: float | None = None,
    mass_g: float | None = None,
    panel_temperature_degc: float | None = None,
    air_temperature_degc: float | None = None,
    humidity_percent: float | None = None,
    wipe_off_min: float | None = None,
    ago_min: float = 0.0,
    early: bool = False,
    note: str = "",
    form: str | None = None,
) -> Application:
    """Writes down that the product was put on a panel; its cure counts from then.

    Args:
        panel_temperature_degc, air_temperature_degc, humidity_percent: left out, they are what a gauge of
            the bench told within the last half hour, if one did.
        ago_min: minutes since it was applied.
        early: although something else should have come first; it is marked.
        form: what its id is made of, so that a form that is sent twice is written once.

    Raises:
        ConfigError: the trial is a control, the panel is not one of its own or has the product already,
            neither sprays nor mass is given, or something else comes first.
    """
    if trial.control:
        raise ConfigError(f"trial {trial.id!r} is the untreated control", hint="nothing is applied on it")
    must_have(trial, panel)
    if sprays is None and mass_g is None:
        raise ConfigError("how much was used is missing", hint="say --sprays N or --mass-g GRAMS")
    at = clock.utc() - timedelta(minutes=ago_min)
    told = {
        "panel_temperature_degc": panel_temperature_degc,
        "air_temperature_degc": air_temperature_degc,
        "humidity_percent": humidity_percent,
    }
    measured = _surroundings(journal, at)
    taken = {field: value for field, value in measured.items() if told[field] is None}
    application = Application(
        id=f"application.{form or uuid4().hex}",
        trial=trial.id,
        panel=panel,
        sprays=sprays,
        mass_g=mass_g,
        **{field: taken[field].value if field in taken else value for field, value in told.items()},
        measured_by={field: climate.gauge for field, climate in taken.items()},
        wipe_off_min=wipe_off_min,
        note=note,
        t_utc=at,
    )
    drafts = [*_before_applying(journal, clock, method, trial, panel, early=early)]
    drafts.append(Draft("application", application, application.id))
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return application


def _before_applying(
    journal: Journal, clock: Clock, method: Method, trial: Trial, panel: str, *, early: bool
) -> Iterator[Draft]:
    progress = progress_of(journal, trial, method, clock.utc())
    for one in must_be_open(progress).steps if progress is not None else ():
        if one.planned.rule.kind != "apply" or one.planned.panel != panel:
            continue
        if one.state == "done":
            raise ConfigError(
                f"the product is on {panel} already",
                hint=f"panelwright step repeat {trial.id} {one.planned.key} --reason ...",
            )
        if one.state == "held":
            if not early:
                raise comes_first(trial, one, clock.utc())
            yield Draft("step", step_event(clock, trial, one, "begun", early=True))


_FIELD_OF = {
    ("temperature", "panel"): "panel_temperature_degc",
    ("temperature", "room"): "air_temperature_degc",
    ("humidity", "room"): "humidity_percent",
}


def _surroundings(journal: Journal, at: datetime) -> dict[str, Climate]:
    """What gauges told of the surroundings shortly before `at`, the newest of each, by field."""
    found: dict[str, Climate] = {}
    for _, climate in facts(journal, "climate", Climate):
        field = _FIELD_OF.get((climate.quantity, climate.where))
        if field is not None and at - CLIMATE_AGE <= climate.t_utc <= at:
            found[field] = climate
    return found


def polish(journal: Journal, clock: Clock, method: Method, name: str, *, reason: str = "") -> list[str]:
    """Writes down that a panel was polished. Bare values measured before belong to the panel before.

    Returns:
        What must be measured again: the keys of bare steps of the open trial on it, which are open again.

    Raises:
        ConfigError: it is not listed or was retired, or a product under test is on it.
    """
    usable(journal, name)
    event = PanelEvent(panel=name, what="polished", reason=reason, t_utc=clock.utc())
    drafts, again = [Draft("panel", event)], []
    for trial in open_trials(journal):
        progress = progress_of(journal, trial, method, clock.utc()) if name in trial.panels else None
        if progress is None:
            continue
        if progress.ledger.application_on(name) is not None:
            raise ConfigError(
                f"the product of open trial {trial.id!r} is on {name}",
                hint="close the trial first, or write down what happened: panelwright step void",
            )
        for one in progress.steps:
            step = one.planned.step
            measured = step is not None and step.phase == "bare" and one.begun_seq is not None
            if measured and one.planned.panel == name:
                drafts += drafts_to_reopen(
                    clock, progress, one, "repeated", "the panel was polished since", ""
                )
                again.append(f"{trial.id} {one.planned.key}")
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return again
