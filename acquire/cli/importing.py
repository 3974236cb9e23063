"""The command for earlier results."""

from pathlib import Path

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home


class _Columns(click.Command):
    """Shows the columns as the reader of tables knows them."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        from acquire.earlier import COLUMNS, NEEDED

        with formatter.section("Columns, in any order (* needed)"):
            formatter.write_dl(
                [(f"{name}{' *' if name in NEEDED else ''}", text) for name, text in COLUMNS.items()]
            )
        super().format_epilog(ctx, formatter)


@click.command("import", cls=_Columns, epilog="Example:  panelwright import results.csv")
@click.argument(
    "table", required=False, type=click.Path(path_type=Path, exists=True, dir_okay=False), metavar="TABLE"
)
@click.option("--template", is_flag=True, help="Print a table to begin from, and do nothing else.")
@home_option
@json_option
def import_(table: Path | None, template: bool, home: Path, as_json: bool) -> None:
    """Take earlier results from a CSV TABLE, so that standings do not start empty.

    One row for each reading, rating or inspection; all of it or nothing. Everything imported is marked as
    typed and as unchecked, and traces to its line of the table, which is kept beside the recordings.
    """
    from acquire.clock import SystemClock
    from acquire.earlier import TEMPLATE
    from acquire.imports import import_results
    from acquire.results import gather, scorecards

    if template:
        click.echo(TEMPLATE, nl=False)
        return
    if table is None:
        raise click.UsageError("name a table, or say --template")
    place = Home(home)
    with place.journal() as journal:
        bench, method = place.bench(), place.method()
        found = import_results(place, journal, SystemClock(), table)
        material = gather(journal)
    cards = [one for one in scorecards(material, bench, method) if one.trial in found.trials]
    if as_json:
        missing = {card.trial: [test.value for test in card.total.missing] for card in cards}
        echo_json({"trials": list(found.trials), "rows": len(found.items), "missing": missing})
        return
    click.echo(f"{len(found.items)} rows of {len(found.trials)} trials: {', '.join(found.trials)}.")
    for card in cards:
        if card.total.missing:
            lacking = ", ".join(test.value for test in card.total.missing)
            click.echo(f"{card.trial} is not ranked: by the method it still lacks {lacking}.")
    if any(card.total.missing for card in cards):
        click.echo(
            "Each pull, gloss or irradiance is a row of its own, as many as the method asks for. "
            f"Why a test is not given:\n  panelwright score TRIAL {place.option}"
        )
    click.echo(f"Next:  panelwright standings {place.option}")
