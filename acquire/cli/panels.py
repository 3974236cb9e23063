"""Commands for the panels of a bench."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home

if TYPE_CHECKING:
    from acquire.panels import Panel


@click.group()
def panel() -> None:
    """List the panels, and keep what happened to each."""


@panel.command(epilog="Example:  panelwright panel add black-1 --colour black --zones control")
@click.argument("name")
@click.option("--colour", required=True, help="As standings and ratings name it.")
@click.option("--zones", default="", help='Parts beside the treated one, apart by commas, such as "control".')
@home_option
@json_option
def add(name: str, colour: str, zones: str, home: Path, as_json: bool) -> None:
    """List a panel. A zone named "control" stays untreated through every wash stage and UV screening."""
    from acquire.clock import SystemClock
    from acquire.panels import add_panel

    named = tuple(zone.strip() for zone in zones.split(",")) if zones else ()
    with Home(home).journal() as journal:
        said = add_panel(journal, SystemClock(), name, colour=colour, zones=named)
    if as_json:
        echo_json(said.model_dump(mode="json"))
        return
    beside = f", with zones {', '.join(named)}" if named else ""
    click.echo(f"Panel {name}: {colour}{beside}.")


@panel.command(epilog="Example:  panelwright panel polish black-1")
@click.argument("name")
@click.option("--reason", default="", help="Why, or with what.")
@home_option
@json_option
def polish(name: str, reason: str, home: Path, as_json: bool) -> None:
    """Write down that a panel was polished. Bare values of an open trial on it must be measured again.

    A turning pad catches loose sleeves and hair; wear eye protection and do not breathe the dust.
    """
    from acquire.applying import polish as write_polished
    from acquire.clock import SystemClock
    from acquire.panels import panel_named

    place = Home(home)
    with place.journal() as journal:
        again = write_polished(journal, SystemClock(), place.method(), name, reason=reason)
        now = panel_named(journal, name)
    if as_json:
        echo_json({"panel": name, "polished": now.polished_n, "measure_again": again})
        return
    click.echo(f"Panel {name}: {now.polished}.")
    for one in again:
        click.echo(f"Measure again: {one}")


@panel.command(epilog="Example:  panelwright panel retire black-1 --reason 'cut through at the edge'")
@click.argument("name")
@click.option("--reason", required=True, help="Why; it stays with the panel.")
@home_option
@json_option
def retire(name: str, reason: str, home: Path, as_json: bool) -> None:
    """Take a panel out of use. What was measured on it stays."""
    from acquire.clock import SystemClock
    from acquire.panels import retire_panel

    with Home(home).journal() as journal:
        said = retire_panel(journal, SystemClock(), name, reason=reason)
    if as_json:
        echo_json(said.model_dump(mode="json"))
        return
    click.echo(f"Panel {name}: retired, because {reason}")


@panel.command("list", epilog="Example:  panelwright panel list --json")
@home_option
@json_option
def list_(home: Path, as_json: bool) -> None:
    """List the panels with colour, zones, how often each was polished, and the open trial it is in."""
    from acquire.panels import panels_of_bench
    from acquire.progress import open_trials

    with Home(home).journal(readonly=True) as journal:
        panels = panels_of_bench(journal)
        used = {name: trial.id for trial in open_trials(journal) for name in trial.panels}
    if as_json:
        echo_json([_as_data(one, used.get(one.name)) for one in panels.values()])
        return
    if not panels:
        click.echo("No panel is listed yet:  panelwright panel add --help")
    for one in panels.values():
        said = [one.colour, one.polished, f"listed {one.added_utc:%Y-%m-%d}"]
        said += [f"zones: {', '.join(one.zones)}"] if one.zones else []
        said += [f"in trial {used[one.name]}"] if one.name in used else []
        said += [f"RETIRED: {one.retired}"] if one.retired is not None else []
        click.echo(f"{one.name}: {'; '.join(said)}")


def _as_data(one: "Panel", trial: str | None) -> dict[str, object]:
    return {
        "name": one.name,
        "colour": one.colour,
        "zones": list(one.zones),
        "added_utc": one.added_utc.isoformat(),
        "polished": one.polished_n,
        "polished_utc": None if one.polished_utc is None else one.polished_utc.isoformat(),
        "retired": one.retired,
        "trial": trial,
    }
