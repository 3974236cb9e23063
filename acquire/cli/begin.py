"""The command that lays out a bench, asking what it must know where somebody can answer."""

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import home_option

if TYPE_CHECKING:
    from acquire.beginning import BenchAnswers, GaugeAnswer, ReferenceAnswer

_ASKED = {
    "force": ("force", "the force gauge", 0.03, "N"),
    "gloss": ("gloss", "the glossmeter", 1.0, "GU"),
    "count": ("wash", "the stroke counter", 0.5, "strokes"),
}
"""By quantity: name, for a person, and how far a check may be off unless said otherwise."""
_USUAL = {"force": "force-stream-n", "gloss": "gloss-key", "count": "wash-stroke"}


@click.command(epilog="Example:  panelwright init --home my-bench")
@click.option("--yes", is_flag=True, help="Ask nothing: lay out the example, to be edited by hand.")
@home_option
def init(yes: bool, home: Path) -> None:
    """Lay out a bench: configuration to edit, and folders for its journal and recordings.

    On a terminal it asks a few questions first and writes bench.toml from the answers. Enter takes what
    stands in brackets; everything can be changed in the file later.
    """
    from acquire.home import Home

    place = Home(home)
    asked = not yes and not place.bench_file.exists() and on_terminal()
    if asked:
        _write(place.bench_file, _ask())
    new = place.create()
    for path in new:
        click.echo(f"wrote {path}")
    if not new and not asked:
        click.echo(f"{home} is laid out already; nothing was changed.")
    if asked:
        click.echo(f"Next:  panelwright panel add NAME --colour COLOUR --zones control {place.option}")
        click.echo(f"       panelwright trial open ID --product NAME --panel P {place.option}")
        return
    click.echo(
        f"Now edit {home / 'bench.toml'}: the port of each gauge. panelwright ports shows what is there."
    )


def on_terminal() -> bool:
    """Whether somebody can answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _write(path: Path, answers: "BenchAnswers") -> None:
    """Writes the file once it is one that can be read; nothing otherwise."""
    import config
    from acquire.beginning import bench_text
    from acquire.bench import load_bench

    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name("bench.draft.toml")
    draft.write_text(bench_text(answers), encoding="utf-8")
    try:
        load_bench(draft, config.FOLDER / "gauges")
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
    click.echo(f"wrote {path}")


def _ask() -> "BenchAnswers":
    from acquire.beginning import BenchAnswers

    answers = BenchAnswers(
        name=click.prompt("Name of the bench, as it appears on scorecards", value_proc=_one_line),
        time_zone=click.prompt(
            "Time zone, such as Europe/London or +01:00", default="UTC", value_proc=_time_zone
        ),
    )
    if click.confirm("Give its place, for the local gravity? (without it, more uncertainty)", default=True):
        answers.latitude_deg = click.prompt(
            "Latitude in degrees, north positive", type=click.FloatRange(-90, 90)
        )
        answers.height_m = click.prompt("Height above sea level in m", type=click.FloatRange(-450, 6000))
    found = _show_ports()
    for quantity in _ASKED:
        gauge = _ask_gauge(quantity, found, [one.port for one in answers.gauges])
        if gauge is not None:
            answers.gauges.append(gauge)
    measured = [one.name for one in answers.gauges]
    if "force" in measured:
        answers.references += _ask_references("check weight", "N", tile=False)
    if "gloss" in measured:
        answers.references += _ask_references("gloss tile", "GU", tile=True)
    if "wash" in measured:
        answers.strokes = click.prompt(
            "Strokes counted by hand to prove the counter", default=50, type=click.IntRange(1)
        )
    return answers


def _show_ports() -> list[str]:
    """The ports of this machine, numbered; none is opened."""
    from acquire.ports.listing import list_ports

    found = list_ports(probe=False)
    click.echo("\nSerial ports of this machine:" if found else "\nNo serial port is plugged in now.")
    for number, one in enumerate(found, start=1):
        click.echo(f"  {number}  {one.device}  {one.description}")
    return [one.address for one in found]


def _ask_gauge(quantity: str, ports: list[str], taken: list[str | None]) -> "GaugeAnswer | None":
    import config
    from acquire.beginning import GaugeAnswer
    from acquire.sources import description_named

    name, said, tolerance, unit = _ASKED[quantity]
    folder = config.FOLDER / "gauges"
    every = [description_named(path.stem, folder) for path in sorted(folder.glob("*.toml"))]
    kinds = [one for one in every if one.quantity == quantity]
    click.echo(f"\nWhich kind is {said}? All are invented examples; panelwright identify describes your own.")
    click.echo("  0  none")
    for number, kind in enumerate(kinds, start=1):
        click.echo(f"  {number}  {kind.name}: {kind.title}")
    # What the shipped example and its simulators speak, so that Enter alone makes a bench to try.
    usual = [kind.name for kind in kinds].index(_USUAL[quantity]) + 1
    chosen = click.prompt("Number", default=usual, type=click.IntRange(0, len(kinds)))
    if chosen == 0:
        return None
    kind = kinds[chosen - 1]
    port = "none" if kind.driver == "keyed" else _ask_port(ports, taken)
    limit = click.prompt(
        f"How far may its check be off, in {unit}", default=tolerance, type=click.FloatRange(0, min_open=True)
    )
    return GaugeAnswer(name, kind.name, port, limit)


def _ask_port(ports: list[str], taken: list[str | None]) -> str | None:
    """The address of a port that no gauge has yet; None: later."""

    def chosen(text: str) -> str:
        from acquire.address import parse_address

        port = ports[int(text) - 1] if text.isdigit() and 1 <= int(text) <= len(ports) else text
        try:
            if port != "later":
                parse_address(port)
        except ValueError as error:
            raise click.BadParameter(str(error)) from error
        if port in taken:
            raise click.BadParameter(f"{port} is the port of a gauge further up")
        return port

    asked = "Its port: a number of the list, an address such as tcp://host:port, or later"
    port: str = click.prompt(asked, default="later", value_proc=chosen)
    return None if port == "later" else port


def _ask_references(said: str, unit: str, *, tile: bool) -> "list[ReferenceAnswer]":
    from acquire.beginning import ReferenceAnswer

    found: list[ReferenceAnswer] = []
    click.echo()
    while click.confirm(f"Add a {said}{' (another one)' if found else ''}?", default=not found):
        if tile:
            angle = click.prompt(
                "Angle in degrees", default="60", type=click.Choice(["20", "45", "60", "75", "85"])
            )
            gloss = {angle: click.prompt("Assigned gloss in GU", type=click.FloatRange(0, min_open=True))}
            mass, name = None, "tile" if not found else f"tile-{len(found) + 1}"
        else:
            mass = click.prompt("Mass in g", type=click.FloatRange(0, min_open=True))
            gloss, name = {}, f"weight-{mass:g}g".replace(".", "-")
        # Two weights of one mass are two references.
        name = name if name not in [one.name for one in found] else f"{name}-{len(found) + 1}"
        found.append(
            ReferenceAnswer(
                name=name,
                mass_g=mass,
                gloss_gu=gloss,
                expanded_uncertainty=click.prompt(
                    f"Expanded uncertainty (k = 2) on its certificate, in {'GU' if tile else 'g'}",
                    type=click.FloatRange(0),
                ),
                certificate=click.prompt("Number of its certificate", value_proc=_one_line),
                due=click.prompt("Due on (last day it holds), such as 2030-09-30", value_proc=_day),
            )
        )
    return found


def _one_line(text: str) -> str:
    from drivers.keys import one_line

    try:
        return one_line(text.strip())
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def _time_zone(text: str) -> str:
    from acquire.bench import zone_named

    try:
        zone_named(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error
    return text


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise click.BadParameter(f"{text!r} is no date such as 2030-09-30") from error
