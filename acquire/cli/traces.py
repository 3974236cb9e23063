"""Commands that look at force traces and recordings: pulls, replay."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.cli.options import echo_json, json_option

if TYPE_CHECKING:
    from acquire.capture.traces import TracePulls


POSITIVE = click.FloatRange(min=0, min_open=True)
SHARE = click.FloatRange(min=0, max=1, min_open=True, max_open=True)
THRESHOLDS = (
    click.option("--min-force", "min_force_n", type=POSITIVE, metavar="N", help="A smaller rise is no pull."),
    click.option("--min-rest", "min_rest_s", type=POSITIVE, metavar="S", help="At rest before a pull."),
    click.option("--max-rise", "max_rise_s", type=POSITIVE, metavar="S", help="Until it breaks away."),
    click.option(
        "--max-under-read",
        "max_under_read_fraction",
        type=SHARE,
        metavar="SHARE",
        help="Of the peak, that may hide between two samples.",
    ),
    click.option("--range", "full_scale_n", type=POSITIVE, metavar="N", help="End of the gauge's range."),
)
"""Each goes before what is read off the trace; named as the field of `PullSettings` it sets."""


def thresholds(command: Callable[..., None]) -> Callable[..., None]:
    """Adds the options that say what makes a pull acceptable."""
    for option in reversed(THRESHOLDS):
        command = option(command)
    return command


@click.command(epilog="Example:  panelwright pulls trace.csv --force-column load --unit gf --json")
@click.argument("source", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--time-column", help="Title or index (from 0) of the time column.  [default: the first]")
@click.option("--force-column", help="Title or index (from 0) of the force column.  [default: the second]")
@click.option(
    "--unit",
    type=click.Choice(["N", "kN", "mN", "kgf", "gf", "lbf", "ozf"]),
    help="Of the force.  [default: as the titles say, else N]",
)
@click.option(
    "--time-unit",
    type=click.Choice(["s", "ms", "us"]),
    help="Of the time column.  [default: as the titles say, else s]",
)
@click.option(
    "--direction",
    type=click.Choice(["tension", "compression", "both"]),
    default="tension",
    show_default=True,
    help="Which way the block is pulled; tension is positive in the file.",
)
@click.option("--gauge", type=click.Path(path_type=Path, exists=True), help="Description for a recording.")
@thresholds
@json_option
def pulls(
    source: Path,
    time_column: str | None,
    force_column: str | None,
    unit: str | None,
    time_unit: str | None,
    direction: str,
    gauge: Path | None,
    as_json: bool,
    **chosen: float | None,
) -> None:
    """List the pulls in a force trace: a recording (.rec) or a text file with columns.

    Thresholds are read off the trace itself, but for those you give: N in newtons, S in seconds. Forces are
    in newtons above the level at rest, times in seconds on the file's own axis.
    """
    from acquire.capture.trace_file import read_trace
    from acquire.capture.traces import pulls_in
    from acquire.sources import recorded_force
    from acquire.units import newtons_per

    if source.suffix == ".rec":
        t, f, breaks = recorded_force(source, gauge)
    else:
        trace = read_trace(source, time_column=time_column, force_column=force_column, time_unit=time_unit)
        force_unit = unit or trace.force_unit or "N"
        t, f, breaks = trace.t, trace.f * newtons_per(force_unit), trace.breaks
        click.echo(f"{source}: time taken as {trace.time_unit}, force as {force_unit}", err=True)
        if trace.missing:
            click.echo(f"{source}: {trace.missing} rows without a number were left out", err=True)
    directions = ("tension", "compression") if direction == "both" else (direction,)
    found = pulls_in(t, f, directions=directions, breaks=breaks, **chosen)
    if as_json:
        echo_json(_as_data(str(source), found))
    else:
        _print(str(source), found)
    if not found.pulls and direction == "tension":
        other = pulls_in(t, f, directions=("compression",), breaks=breaks, **chosen)
        if other.pulls:
            click.echo("The force falls where a pull would rise: try --direction compression.", err=True)


@click.command(epilog="Example:  panelwright replay my-bench/recordings/*.rec --home my-bench")
@click.argument(
    "files",
    metavar="FILE...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.option(
    "--pace",
    type=click.FloatRange(min=0, min_open=True),
    help="So many times real time; 1 is as it was.  [default: as fast as the machine can]",
)
@click.option(
    "--gauge",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="The gauge description, if it is not a shipped one and the journal does not hold it.",
)
@click.option(
    "--home",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="A bench: what comes out is also compared with its journal.",
)
@json_option
def replay(
    files: tuple[Path, ...], pace: float | None, gauge: Path | None, home: Path | None, as_json: bool
) -> None:
    """Run recordings through the code that runs live, and list what is taken from them.

    With --home each is run as it was recorded, by the capture settings that the journal kept, and every
    reading and refusal must come out as the journal has it; status 1 if one does not. Without, settings
    follow from the gauge alone, so that fewer or more pulls may be refused.
    """
    from contextlib import ExitStack

    from acquire.cli.replaying import Player
    from acquire.home import Home

    with ExitStack() as stack:
        journal = None if home is None else stack.enter_context(Home(home).journal(readonly=True))
        player = Player(journal, gauge, pace or 0.0, None if as_json else click.echo)
        played = [player.play(file) for file in files]
    if as_json:
        echo_json([one.data() for one in played])
    if not all(one.same for one in played):
        raise SystemExit(1)


def _as_data(source: str, found: "TracePulls") -> dict[str, Any]:
    return {
        "source": source,
        "samples": found.samples,
        "sample_rate_hz": found.survey.rate_hz,
        "rest_n": found.survey.rest_n,
        "noise_n": found.survey.noise_n,
        "pulls": [
            {
                "t_start_s": pull.t_start_s,
                "t_break_s": pull.t_break_s,
                "t_end_s": pull.t_end_s,
                "breakaway_n": pull.breakaway_n,
                "highest_n": pull.highest_n,
                "sliding_n": pull.sliding_n,
                "sliding_sd_n": pull.sliding_sd_n,
                "rise_rate_n_per_s": pull.rise_rate_n_per_s,
                "contact_s": pull.contact_s,
                "under_read_n": pull.under_read_n,
                "verdict": pull.verdict,
                "reasons": list(pull.reasons),
                "rest_n": pull.rest_n,
                "direction": direction,
            }
            for direction, pull in found.pulls
        ],
    }


def _print(source: str, found: "TracePulls") -> None:
    from rich.console import Console
    from rich.table import Table

    seen = found.survey
    click.echo(
        f"{source}: {found.samples} samples at {seen.rate_hz:.4g} Hz, "
        f"rest {seen.rest_n:.4g} N, noise {seen.noise_n:.2g} N"
    )
    if not found.pulls:
        click.echo("No pulls found: the force never rose clear of its noise and came back.")
        return
    table = Table("", "at s", "breakaway N", "highest N", "sliding N", "sd N", "unseen N", "verdict")
    for number, (_, pull) in enumerate(found.pulls, 1):
        table.add_row(
            str(number),
            f"{pull.t_break_s:.3f}",
            f"{pull.breakaway_n:.4g}",
            f"{pull.highest_n:.4g}",
            "-" if pull.sliding_n is None else f"{pull.sliding_n:.4g}",
            "-" if pull.sliding_sd_n is None else f"{pull.sliding_sd_n:.2g}",
            f"{pull.under_read_n:.2g}",
            pull.verdict,
        )
    Console().print(table)
    click.echo("unseen: how much higher the peak may have been between two samples")
    for number, (_, pull) in enumerate(found.pulls, 1):
        for reason in pull.reasons:
            click.echo(f"{number} refused: {reason}")
