"""Commands for the protocol: what comes next, what was done by hand, how the product was put on."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home

if TYPE_CHECKING:
    from datetime import datetime, tzinfo

    from acquire.progress import Progress, TrialProgress
    from acquire.protocol_events import StepEvent

MOST_KEYS = 3
"""So many other steps are named; all of them with --all."""

early_option = click.option(
    "--early", is_flag=True, help="Although something else should come first; it is marked."
)
reason_option = click.option("--reason", required=True, help="Why; it is published with the trial.")
by_option = click.option("--by", default="", help="Who says so.")


@click.command("next", epilog="Example:  panelwright next larch")
@click.argument("trial_id", metavar="[TRIAL]", required=False)
@click.option("--all", "every", is_flag=True, help="Every step, with those that are done.")
@home_option
@json_option
def next_(trial_id: str | None, every: bool, home: Path, as_json: bool) -> None:
    """Show the next step of each open trial, or of one: what it needs, its caution, what it waits for.

    It is worked out from the journal alone: switch the machine off for a night, and ask again.
    """
    from acquire.answers import trial_named
    from acquire.clock import SystemClock
    from acquire.progress import next_steps
    from acquire.stepping import under_protocol

    place, clock = Home(home), SystemClock()
    method, zone = place.method(), place.bench().zone
    with place.journal(readonly=True) as journal:
        if trial_id is None:
            found = next_steps(journal, method, clock.utc())
        else:
            found = [under_protocol(journal, clock, method, trial_named(journal, trial_id))]
    if as_json:
        echo_json([_as_data(one, every=every) for one in found])
        return
    if not found:
        click.echo("No trial with a protocol is open. Open one:  panelwright trial open --help")
    for number, one in enumerate(found):
        if number:
            click.echo()
        _show(one, clock.utc(), zone, place.option, every=every)


def _as_data(found: "TrialProgress", *, every: bool) -> dict[str, Any]:
    shown = found.steps if every else (*found.ready, *found.waiting)
    return {
        "trial": found.trial.model_dump(mode="json"),
        "closed": found.closed,
        "panels": [
            {"name": one.name, "colour": one.colour, "polished": one.polished_n, "zones": list(one.zones)}
            for one in found.ledger.panels.values()
        ],
        "next": None if found.next is None else _step_data(found, found.next),
        "steps": [_step_data(found, one) for one in shown],
    }


def _step_data(found: "TrialProgress", one: "Progress") -> dict[str, Any]:
    from acquire.plan import command_for

    rule, step = one.planned.rule, one.planned.step
    return {
        "key": one.planned.key,
        "kind": rule.kind,
        "title": str(one.planned),
        "panel": one.planned.panel,
        "step": None if step is None else step.model_dump(mode="json"),
        "state": one.state,
        "taken": one.taken,
        "wanted": one.wanted,
        "waits_for": None if one.waits_for is None else one.waits_for.key,
        "until_utc": None if one.until_utc is None else one.until_utc.isoformat(),
        "needs": list(rule.needs),
        "instruction": rule.instruction,
        "caution": rule.caution,
        "command": command_for(found.trial, one.planned),
    }


def _show(found: "TrialProgress", now: "datetime", zone: "tzinfo", home: str, *, every: bool) -> None:
    from acquire.plan import command_for
    from acquire.progress import local_time, unchecked_since

    trial, first = found.trial, found.next
    click.echo(f"{trial.id}: {trial.product} on {', '.join(_panel(found, one) for one in trial.panels)}")
    if every:
        for one in found.steps:
            count = f"{one.taken} of {one.wanted}" if one.wanted > 1 else ""
            click.echo(f"  {one.state:<11}  {one.planned.key:<28}  {count}".rstrip())
    if first is None:
        click.echo("  Closed." if found.closed else "  Nothing can be taken now.")
        return
    if first.state == "waiting" and first.until_utc is not None:
        click.echo(f"  Waits: {first.planned} until {local_time(first.until_utc, now, zone)}")
        click.echo("    Sooner, and marked: any step with --early; or for good, with your reason:")
        click.echo(f"    {command_for(trial, first.planned)} {home}")
    else:
        count = f", {first.taken} of {first.wanted}" if first.wanted > 1 else ""
        click.echo(f"  Next: {first.planned}{count}")
        click.echo(f"    {command_for(trial, first.planned)} {home}")
    rule = first.planned.rule
    if rule.kind == "check":
        _say("Not checked since their last reading: ", ", ".join(unchecked_since(found.ledger)))
    _say("At hand: ", "; ".join(rule.needs))
    _say("", rule.instruction)
    _say("Caution: ", rule.caution)
    for one in found.waiting:
        if one is not first and one.until_utc is not None:
            click.echo(f"  Waits: {one.planned} until {local_time(one.until_utc, now, zone)}")
    also = [one.planned.key for one in found.ready if one is not first]
    if also:
        more = f" and {len(also) - MOST_KEYS} more" if len(also) > MOST_KEYS else ""
        click.echo(f"  Also open: {', '.join(also[:MOST_KEYS])}{more}")


def _panel(found: "TrialProgress", name: str) -> str:
    """A panel with what is known of it."""
    known = found.ledger.panels.get(name)
    return name if known is None else f"{name} ({known.colour}, {known.polished})"


def _say(label: str, text: str) -> None:
    if text:
        said = click.wrap_text(f"{label}{text}", width=78, initial_indent="    ", subsequent_indent="    ")
        click.echo(said)


@click.group()
def step() -> None:
    """Say what was done by hand, leave a step out, or open it again.

    STEP is the key that `panelwright next TRIAL --all` shows, such as slip/black-1, or its name alone where
    that leaves one. Nothing is deleted: every word of this stays in the journal and is published.
    """


@step.command(epilog="Example:  panelwright step done larch wipe/black-1")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("key", metavar="[STEP]", required=False)
@early_option
@home_option
@json_option
def done(trial_id: str, key: str | None, early: bool, home: Path, as_json: bool) -> None:
    """Tick off a step done by hand: preparing, checking, closing. Without STEP: the next one."""
    from acquire.stepping import done as tick_off

    _say_of(home, trial_id, key, as_json, partial(tick_off, early=early, zone=Home(home).bench().zone))


@step.command(
    epilog="Example:  panelwright step begin larch slip/black-1 --early --reason 'maker states 12 h'"
)
@click.argument("trial_id", metavar="TRIAL")
@click.argument("key", metavar="STEP")
@early_option
@click.option("--reason", default="", help="Why early; it is published with the trial.")
@home_option
@json_option
def begin(trial_id: str, key: str, early: bool, reason: str, home: Path, as_json: bool) -> None:
    """Write down that a step is begun."""
    from acquire.stepping import begin as write_begun

    _say_of(
        home,
        trial_id,
        key,
        as_json,
        partial(write_begun, early=early, reason=reason, zone=Home(home).bench().zone),
    )


@step.command(epilog="Example:  panelwright step skip larch gloss/black-1 --reason 'meter is away'")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("key", metavar="STEP")
@reason_option
@by_option
@home_option
@json_option
def skip(trial_id: str, key: str, reason: str, by: str, home: Path, as_json: bool) -> None:
    """Leave a step out. A cure that is skipped is over."""
    from acquire.stepping import skip as leave_out

    _say_of(home, trial_id, key, as_json, partial(leave_out, reason=reason, by=by))


@step.command(epilog="Example:  panelwright step void larch bare-slip/black-1 --reason 'wet block'")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("key", metavar="STEP")
@reason_option
@by_option
@home_option
@json_option
def void(trial_id: str, key: str, reason: str, by: str, home: Path, as_json: bool) -> None:
    """Declare what a step gave void; it is open again.

    Its readings are kept and count no longer; its ratings, inspections and application are withdrawn.
    """
    _reopen(home, trial_id, key, as_json, "voided", reason, by)


@step.command(epilog="Example:  panelwright step repeat larch cure/black-1 --reason 'it got wet'")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("key", metavar="STEP")
@reason_option
@by_option
@home_option
@json_option
def repeat(trial_id: str, key: str, reason: str, by: str, home: Path, as_json: bool) -> None:
    """Take a step once more, in place of what it gave. A repeated cure begins anew, a closed trial opens."""
    _reopen(home, trial_id, key, as_json, "repeated", reason, by)


def _reopen(
    home: Path,
    trial_id: str,
    key: str,
    as_json: bool,
    what: Literal["voided", "repeated"],
    reason: str,
    by: str,
) -> None:
    from acquire.stepping import reopen

    _say_of(home, trial_id, key, as_json, partial(reopen, what=what, reason=reason, by=by))


def _say_of(
    home: Path, trial_id: str, key: str | None, as_json: bool, act: "Callable[..., StepEvent]"
) -> None:
    """Writes one thing about a step and shows what comes next."""
    from acquire.answers import trial_named
    from acquire.clock import SystemClock
    from acquire.errors import ConfigError
    from acquire.stepping import under_protocol

    place, clock = Home(home), SystemClock()
    method = place.method()
    with place.journal() as journal:
        trial = trial_named(journal, trial_id)
        if key is None:
            first = under_protocol(journal, clock, method, trial).next
            if first is None:
                raise ConfigError(f"trial {trial.id!r} is closed", hint="panelwright next shows what is open")
            key = first.planned.key
        said = act(journal, clock, method, trial, key)
        after = under_protocol(journal, clock, method, trial)
    if as_json:
        echo_json(said.model_dump(mode="json"))
        return
    click.echo(f"{said.step}: {said.what}{', early' if said.early else ''}.")
    _show(after, clock.utc(), place.bench().zone, place.option, every=False)


@click.command(epilog="Example:  panelwright apply larch --panel black-1 --sprays 3 --wipe-off-min 5")
@click.argument("trial_id", metavar="TRIAL")
@click.option("--panel", help="Which panel; needed where the trial has several.")
@click.option("--sprays", type=click.FloatRange(min=0, min_open=True), help="Sprays used on this panel.")
@click.option(
    "--mass-g", type=click.FloatRange(min=0, min_open=True), help="Product used on this panel, in g."
)
@click.option("--panel-temperature", type=float, help="Of the panel, in °C.")
@click.option("--air-temperature", type=float, help="Of the room, in °C.")
@click.option("--humidity", type=click.FloatRange(0, 100), help="Of the room, in %.")
@click.option("--wipe-off-min", type=click.FloatRange(min=0), help="Minutes until it was wiped off.")
@click.option(
    "--ago-min",
    type=click.FloatRange(min=0),
    default=0.0,
    show_default=True,
    help="Minutes since it was applied.",
)
@click.option("--note", default="", help="What else happened.")
@early_option
@home_option
@json_option
def apply(
    trial_id: str,
    panel: str | None,
    sprays: float | None,
    mass_g: float | None,
    panel_temperature: float | None,
    air_temperature: float | None,
    humidity: float | None,
    wipe_off_min: float | None,
    ago_min: float,
    note: str,
    early: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Write down how the product was put on a panel; its cure counts from then.

    Temperatures that are left out are those a gauge of the bench told within the last half hour.

    Read the product's safety data sheet first: ventilate, wear gloves, keep flames and sparks away. Local
    codes come first.
    """
    from acquire.answers import trial_named
    from acquire.applying import apply as put_on
    from acquire.clock import SystemClock
    from acquire.progress import local_time, progress_of

    place, clock = Home(home), SystemClock()
    method = place.method()
    with place.journal() as journal:
        trial = trial_named(journal, trial_id)
        if panel is None and len(trial.panels) > 1:
            raise click.UsageError(f"say which panel: {', '.join(trial.panels)}")
        said = put_on(
            journal,
            clock,
            method,
            trial,
            panel or trial.panels[0],
            sprays=sprays,
            mass_g=mass_g,
            panel_temperature_degc=panel_temperature,
            air_temperature_degc=air_temperature,
            humidity_percent=humidity,
            wipe_off_min=wipe_off_min,
            ago_min=ago_min,
            note=note,
            early=early,
        )
        progress = progress_of(journal, trial, method, clock.utc())
    if as_json:
        echo_json(said.model_dump(mode="json"))
        return
    used = [
        f"{value:g} {unit}"
        for value, unit in (
            (said.sprays, "sprays"),
            (said.mass_g, "g"),
            (said.panel_temperature_degc, "°C panel"),
            (said.air_temperature_degc, "°C air"),
            (said.humidity_percent, "% humidity"),
        )
        if value is not None
    ]
    click.echo(f"{trial.product} applied on {said.panel}: {', '.join(used)}.")
    for one in progress.waiting if progress is not None else ():
        if one.planned.panel == said.panel and one.until_utc is not None:
            click.echo(f"Cures until {local_time(one.until_utc, clock.utc(), place.bench().zone)}.")
