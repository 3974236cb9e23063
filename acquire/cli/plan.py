"""How many readings are needed to tell two products apart."""

from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home

if TYPE_CHECKING:
    from acquire.planning import Plan


@click.command(epilog="Example:  panelwright plan --test slip --difference 0.02")
@click.option("--test", default="slip", type=click.Choice(["slip", "gloss"]), show_default=True)
@click.option(
    "--difference",
    type=float,
    required=True,
    help="Between two products: in friction coefficient for slip, in gloss units for gloss.",
)
@click.option("--power", default=0.9, show_default=True, help="Probability with which it shall be seen.")
@click.option("--level", default=0.05, show_default=True, help="Of seeing one where there is none.")
@click.option("--readings", type=click.IntRange(min=2), help="In a set.  [default: as the method asks]")
@click.option("--panels", type=click.IntRange(min=1), help="Of each product.  [default: as in the trials]")
@home_option
@json_option
def plan(
    test: str,
    difference: float,
    power: float,
    level: float,
    readings: int | None,
    panels: int | None,
    home: Path,
    as_json: bool,
) -> None:
    """Plan how many readings tell two products apart, from this bench's own history.

    Says also what limits the result now, and when no number of readings would do.
    """
    from acquire.model import Test
    from acquire.planning import past_of
    from acquire.planning import plan as work_out
    from acquire.results import gather, scorecards

    place = Home(home)
    method = place.method()
    with place.journal(readonly=True) as journal:
        cards = scorecards(gather(journal), place.bench(), method)
    past = past_of(cards, method, Test(test))
    found = work_out(past, difference, power=power, level=level, readings=readings, panels=panels)
    if as_json:
        echo_json(found.model_dump(mode="json"))
    else:
        _print(found)


def _print(found: "Plan") -> None:
    console = Console(highlight=False)
    for line in found.words:
        console.print(Padding(Text(line), (0, 0, 0, 2)))
    console.print()
    past = found.past
    unit = "" if past.unit == "1" else f" {past.unit}"
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    table.add_column("doubt of the difference now", overflow="fold")
    table.add_column("standard u", justify="right")
    table.add_column("share", justify="right")
    table.add_column("made smaller by", overflow="fold")
    for one in found.limited_by:
        if one.standard_uncertainty:
            size = f"{one.standard_uncertainty:.2g}{unit}"
            percent = f"{one.percent:.0f} %" if one.percent >= 0.5 else "< 1 %"
            table.add_row(one.share, size, percent, one.remedy)
    console.print(table)
    console.print(
        Padding(
            Text(f"from {past.trials_n} trial(s), {past.sets_n} sets of readings, by the bench's method"),
            (0, 0, 0, 2),
        )
    )
