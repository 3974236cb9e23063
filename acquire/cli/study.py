"""Commands that study the measuring itself: people against each other, benches against each other."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from acquire.cli.options import echo_json, json_option
from acquire.home import Home

if TYPE_CHECKING:
    from acquire.model import Phase
    from acquire.studies.benches import Precision
    from acquire.studies.crossed import Component, Crossed
    from acquire.studies.observed import Observed

Command = Callable[..., Any]


def _input_options(command: Command) -> Command:
    for option in (
        click.argument("file", required=False, type=click.Path(path_type=Path, exists=True, dir_okay=False)),
        click.option(
            "--take",
            "takes",
            nargs=3,
            multiple=True,
            metavar="HOME TRIAL NAME",
            help="Instead of FILE: readings of a TRIAL, measured by NAME. Repeat it for each.",
        ),
        click.option("--test", default="slip", type=click.Choice(["slip", "gloss"]), show_default=True),
        click.option("--phase", default="bare", type=click.Choice(["bare", "treated"]), show_default=True),
    ):
        command = option(command)
    return command


@click.group()
def study() -> None:
    """Study the measuring itself: how much of a spread people, benches and repeating make."""


@study.command(epilog="Example:  panelwright study crossed people.csv")
@_input_options
@json_option
def crossed(
    file: Path | None, takes: tuple[tuple[str, str, str], ...], test: str, phase: "Phase", as_json: bool
) -> None:
    """Share out the spread of a study in which every person measured every panel several times.

    FILE has the columns person, panel and value, one row for each value.
    """
    from acquire.studies.crossed import crossed as work_out
    from acquire.studies.observed import balance

    found = work_out(balance(_observed(file, takes, test, phase)))
    if as_json:
        echo_json(found.model_dump(mode="json"))
    else:
        _print_crossed(found)


@study.command(epilog="Example:  panelwright study benches between.csv --json")
@_input_options
@json_option
def benches(
    file: Path | None, takes: tuple[tuple[str, str, str], ...], test: str, phase: "Phase", as_json: bool
) -> None:
    """Repeatability and reproducibility between benches, with h and k (ASTM E691, ISO 5725-2).

    FILE has the columns bench (or lab), material (or panel) and value, one row for each value.
    """
    from acquire.studies.benches import precision

    found = precision(_observed(file, takes, test, phase))
    if as_json:
        echo_json([one.model_dump(mode="json") for one in found])
    else:
        _print_benches(found)


def _observed(
    file: Path | None, takes: Iterable[tuple[str, str, str]], test: str, phase: "Phase"
) -> "list[Observed]":
    from acquire.answers import trial_named
    from acquire.known import readings
    from acquire.model import Test
    from acquire.studies.observed import observed_of, read_observed

    takes = list(takes)
    if (file is None) != bool(takes):
        raise click.UsageError("give either a FILE or one --take for each trial")
    if file is not None:
        return read_observed(file.read_text(encoding="utf-8", errors="replace"), str(file))
    found: list[Observed] = []
    for folder, trial, who in takes:
        place = Home(Path(folder))
        with place.journal(readonly=True) as journal:
            opened = trial_named(journal, trial)
            known = list(readings(journal, opened.id))
        method = place.method()
        found += observed_of(known, method, trial=trial, who=who, test=Test(test), phase=phase)
    return found


def _print_crossed(found: "Crossed") -> None:
    console = Console(highlight=False)
    _say(
        console,
        f"{len(found.people)} people × {len(found.panels)} panels × {found.repeats_n} repeats: "
        f"{', '.join(found.people)}",
    )
    table = _table("source", "degrees", "mean square", "F", "p")
    for row in found.table:
        table.add_row(
            row.source,
            str(row.freedom),
            f"{row.mean_square:.5g}",
            "" if row.f is None else f"{row.f:.4g}",
            _chance(row.p),
        )
    console.print(table)
    _say(
        console,
        f"interaction {'pooled with the repeats' if found.pooled else 'kept apart'} "
        f"(pooled where its p is above {found.pool_above:g})",
    )
    console.print(_shares(found))
    for one in (found.people_alone, found.interaction, found.panel):
        if one.clamped:
            _say(console, f"{one.source}: the estimated variance came out below zero and was set to 0")
    if found.categories is None:
        _say(console, "the repeats never differed: any two panels can be told apart")
    else:
        _say(console, f"groups of panels that can be told apart: {found.categories}")


def _chance(p: float | None) -> str:
    if p is None:
        return ""
    return "< 0.0001" if p < 0.0001 else f"{p:.4f}"


def _shares(found: "Crossed") -> Table:
    table = _table("share", "sd", "% of variance", "% of sd")
    parts: list[Component] = [
        found.repeatability,
        found.people_alone,
        found.interaction,
        found.reproducibility,
        found.measuring,
        found.panel,
        found.total,
    ]
    for one in parts:
        table.add_row(one.source, f"{one.sd:.4g}", f"{one.variance_percent:.1f}", f"{one.sd_percent:.1f}")
    return table


def _print_benches(found: "Iterable[Precision]") -> None:
    console = Console(highlight=False)
    for one in found:
        _say(console, f"{one.material}: {one.benches_n} benches, {one.repeats_n} values each")
        table = _table("mean", "sd of means", "s_r", "s_R", "r", "R")
        sizes = (
            one.mean,
            one.sd_of_means,
            one.repeatability_sd,
            one.reproducibility_sd,
            one.repeatability_limit,
            one.reproducibility_limit,
        )
        table.add_row(*(f"{size:.5g}" for size in sizes))
        console.print(table)
        if one.clamped:
            _say(console, "s_R came out below s_r and was set to it")
        cells = _table("bench", "mean", "sd", "h", "k", "")
        for cell in one.cells:
            beyond = [name for name, is_ in (("h", cell.h_beyond), ("k", cell.k_beyond)) if is_]
            cells.add_row(
                cell.bench,
                f"{cell.mean:.5g}",
                f"{cell.sd:.3g}",
                "–" if cell.h is None else f"{cell.h:.2f}",
                "–" if cell.k is None else f"{cell.k:.2f}",
                f"beyond the critical {' and '.join(beyond)}" if beyond else "",
            )
        console.print(cells)
        _say(console, f"critical at 0.5 %: |h| {one.h_critical:.2f}, k {one.k_critical:.2f}")
        console.print()


def _table(*titles: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    for number, title in enumerate(titles):
        table.add_column(title, justify="right" if number and title else "left")
    return table


def _say(console: Console, text: str) -> None:
    console.print(Padding(text, (0, 0, 0, 2)), markup=False)
