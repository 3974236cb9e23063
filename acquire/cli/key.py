"""The command for gauges without a port: a person types what the display shows."""

from pathlib import Path
from typing import Literal

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.cli.steps import early_option
from acquire.home import Home


@click.command(epilog="Example:  panelwright key larch gloss 91.4 90.8 91.1 --panel black-1 --phase bare")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("test", type=click.Choice(["slip", "gloss"]))
@click.argument("values", nargs=-1, required=True, metavar="VALUE...")
@click.option("--panel", help="Which panel.")
@click.option("--phase", type=click.Choice(["bare", "treated"]), help="Before or after the product.")
@click.option("--gauge", help="Which gauge of the bench; the first that fits if left out.")
@click.option(
    "--again",
    "again",
    multiple=True,
    metavar="VALUE",
    help="A value once more, for double entry without being asked; repeat it for every value.",
)
@early_option
@home_option
@json_option
def key(
    trial_id: str,
    test: str,
    values: tuple[str, ...],
    panel: str | None,
    phase: Literal["bare", "treated"] | None,
    gauge: str | None,
    again: tuple[str, ...],
    early: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Write down values read off a gauge without a port, exactly as its display shows them.

    They are bounded by the gauge's description, recorded as they were typed, and marked as typed in. A gauge
    described with double entry has every value asked for a second time.
    """
    from acquire.answers import trial_named
    from acquire.clock import SystemClock
    from acquire.keyed import check_entry, key_in, keyed_gauge
    from acquire.model import Test
    from acquire.stepping import step_to_take
    from drivers.keyed import KeyedSettings

    place = Home(home)
    with place.journal(readonly=not early) as journal:
        trial = trial_named(journal, trial_id)
        step = step_to_take(
            journal,
            SystemClock(),
            place.bench().zone,
            place.method(),
            trial,
            test=Test(test),
            panel=panel,
            phase=phase,
            early=early,
        )
    _, description = keyed_gauge(place, step.test, gauge)
    twice = isinstance(description.settings, KeyedSettings) and description.settings.double_entry
    if twice and not again:
        again = tuple(
            click.prompt(f"again, value {n}", type=str, err=as_json) for n in range(1, len(values) + 1)
        )
    if twice and len(again) != len(values):
        raise click.UsageError(f"{len(values)} values were typed first, {len(again)} the second time")
    entries = list(zip(values, again, strict=True)) if twice else [(value,) for value in values]
    for entry in entries:
        check_entry(description, entry)
    logged = key_in(
        place,
        SystemClock(),
        lambda note: None if as_json else click.echo(note.text),
        trial=trial,
        step=step,
        entries=entries,
        gauge=gauge,
    )
    if as_json:
        echo_json([reading.model_dump(mode="json") for reading in logged])
