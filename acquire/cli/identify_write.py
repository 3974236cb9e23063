"""Where `panelwright identify` puts a description, and what it then says."""

from pathlib import Path

import click


def free_name(name: str, home: Path) -> str:
    """The name, or the name with a number behind it if it is taken."""
    from acquire.home import Home

    taken = {path.stem for path in Home(home).gauges.glob("*.toml")}
    names = [name, *(f"{name}-{number}" for number in range(2, 100))]
    return next((one for one in names if one not in taken), name)


def refuse_taken(name: str, home: Path) -> None:
    """Before minutes of listening, not after."""
    from acquire.home import Home

    path = Home(home).gauges / f"{Path(name).name}.toml"
    if path.exists():
        raise click.ClickException(f"{path} exists already; choose another --name")


def write(text: str, name: str, *, port: str, ask: bool, home: Path, as_json: bool) -> None:
    """Writes the description and says what to put into the bench's file. Never over an existing file."""
    from acquire.address import parse_address
    from acquire.home import Home

    if ask:
        name = click.prompt("Name of the description", default=name)
    path = Home(home).gauges / f"{Path(name).name}.toml"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # Never over an existing file: somebody may have mended it by hand.
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise click.ClickException(f"{path} exists already; choose another --name") from error
    except OSError as error:
        raise click.ClickException(f"{path} cannot be written: {error.strerror}") from error
    address = parse_address(port)
    click.echo(f"\nwrote {path}. Read it, then put into {Home(home).bench_file}:", err=as_json)
    click.echo(f'\n[gauges.my-gauge]\ndescription = "{path.stem}"\nport = "{address}"', err=as_json)
    click.echo("tolerance = { absolute = ... }  # in the unit of the gauge", err=as_json)
