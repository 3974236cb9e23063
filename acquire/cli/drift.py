"""Commands about calibration over time: a day's drift, the state of every gauge, a dossier."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import echo_json, home_option, json_option

if TYPE_CHECKING:
    from acquire.drifting import Drift
    from acquire.overview import GaugeState


@click.command(epilog="Example:  panelwright drift force --plot drift.png")
@click.argument("gauge")
@click.option(
    "--since",
    metavar="WHEN",
    help='"2031-05-04", "2031-05-04 08:00", or back from the newest check: "8h", "30d".'
    "  [default: the day of the newest check]",
)
@click.option("--against", "reference", metavar="REF", help="Only checks against this reference.")
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also draw it: FILE.png or FILE.svg; of several series the one with the newest check.",
)
@home_option
@json_option
def drift(
    gauge: str, since: str | None, reference: str | None, plot: Path | None, home: Path, as_json: bool
) -> None:
    """Show how a GAUGE moved over a day of checks, and when it must be checked again.

    Each reference and angle is a series of its own: between two references their own errors would look like
    a movement. Told apart are a steady gauge, a linear drift, a step (dropped or knocked) and a warm-up.
    """
    from acquire.drifting import drifts
    from acquire.home import Home
    from acquire.outputs.drift_table import as_data

    place = Home(home)
    bench = place.bench()
    with place.journal(readonly=True) as journal:
        found = drifts(journal, bench, gauge, since=since, reference=reference)
    if plot is not None:
        from acquire.outputs.drift_figure import save_drift

        save_drift(found[0], plot)
    if as_json:
        echo_json([as_data(one) for one in found])
        return
    for one in found:
        _print_drift(one)
    if plot is not None:
        click.echo(str(plot))


@click.command(epilog="Example:  panelwright calibration --home my-bench")
@home_option
@json_option
def calibration(home: Path, as_json: bool) -> None:
    """Show for every gauge whether it is right now, when it must be checked again, and when recalibrated."""
    from acquire.clock import SystemClock
    from acquire.home import Home
    from acquire.overview import overview

    place = Home(home)
    with place.journal(readonly=True) as journal:
        states = overview(journal, place, SystemClock().utc())
    if as_json:
        echo_json([one.as_data() for one in states])
        return
    for one in states:
        _print_state(one)


@click.command(
    epilog="Example:  panelwright dossier force --since 2031-01-01 --until 2031-07-01 --out dossier.html"
)
@click.argument("gauge")
@click.option("--since", metavar="DATE", required=True, help="First day of the period.")
@click.option("--until", metavar="DATE", help="Day after the last of the period.  [default: now]")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="Page to write.")
@home_option
def dossier(gauge: str, since: str, until: str | None, out: Path, home: Path) -> None:
    """Write all that proves a GAUGE right or wrong over a period as one page, for a browser or for paper."""
    from acquire.clock import SystemClock
    from acquire.drifting import moment
    from acquire.home import Home
    from acquire.outputs.dossier import write_dossier

    place = Home(home)
    now = SystemClock().utc()
    zone = place.bench().zone
    begin = moment(since, now, zone)
    end: datetime = now if until is None else moment(until, now, zone)
    click.echo(str(write_dossier(place, gauge, out, since=begin, until=end)))


def _print_drift(found: "Drift") -> None:
    from rich.console import Console
    from rich.table import Table

    from acquire.calibration.day import forecast_in_words, in_words
    from acquire.outputs.drift_table import basis_in_words, row_cells

    study = found.study
    unit = "strokes" if study.series.unit == "1" else study.series.unit
    day = study.start.astimezone(study.zone)
    console = Console(highlight=False)
    console.print(f"{found.gauge} on {study.series.name}, {day:%Y-%m-%d} ({day.tzname()}), in {unit}")
    table = Table(box=None, pad_edge=False)
    air = any(found.temperatures)
    titles = ("time", "deviation", "± U", "tolerance", "EWMA", "verdict", "limits", "air °C")
    for title in titles if air else titles[:-1]:
        table.add_column(title, justify="left" if title in ("verdict", "limits") else "right")
    for cells in row_cells(found):
        table.add_row(*(cells if air else cells[:-1]))
    console.print(table)
    for said in (in_words(study), forecast_in_words(study), basis_in_words(study)):
        if said:
            console.print(said)
    console.print()


def _print_state(one: "GaugeState") -> None:
    from rich.console import Console

    console = Console(highlight=False)
    console.print(f"{one.title}: {one.state.value}", style="bold")
    for line in one.lines:
        console.print(f"  {line}")
