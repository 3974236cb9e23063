"""Commands about what is connected: ports, gauge descriptions."""

from pathlib import Path

import click

from acquire.cli.options import echo_json, home_option, json_option


@click.command(epilog="Example:  panelwright ports")
@click.option("--no-probe", is_flag=True, help="Do not open the ports for a moment to see if they are free.")
@json_option
def ports(no_probe: bool, as_json: bool) -> None:
    """List the serial ports of this machine and what to write into bench.toml for each."""
    from dataclasses import asdict

    from acquire.ports import list_ports

    found = list_ports(probe=not no_probe)
    if as_json:
        echo_json([asdict(one) for one in found])
        return
    if not found:
        click.echo("No serial port found. Plug the gauge in; a USB adapter may need its driver.")
        click.echo(
            "To try without a gauge:  panelwright simulate force --speaks force-stream-n --link ./gauge"
        )
    for one in found:
        click.echo(f'{one.device}: {one.state}. {one.description}\n  port = "{one.address}"')


@click.command(epilog="Example:  panelwright gauges --home my-bench")
@home_option
@json_option
def gauges(home: Path, as_json: bool) -> None:
    """List the gauge descriptions of a bench (the shipped ones where there is no bench yet)."""
    import config
    from acquire.home import Home
    from acquire.sources import description_named

    folder = Home(home).gauges if Home(home).gauges.exists() else config.FOLDER / "gauges"
    found = [description_named(path.stem, folder) for path in sorted(folder.glob("*.toml"))]
    if as_json:
        echo_json(
            [
                {"name": one.name, "title": one.title, "quantity": one.quantity, "unit": one.unit}
                for one in found
            ]
        )
        return
    for one in found:
        how = "typed in" if one.driver == "keyed" else one.timing.mode
        click.echo(f"{one.name}: {one.title} ({one.quantity} in {one.unit}, {how})")
