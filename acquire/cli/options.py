"""Options that several commands share."""

import json
from math import isfinite
from pathlib import Path
from typing import Any

import click

from acquire.cli.plain import shows_everything

home_option = click.option(
    "--home",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("bench"),
    show_default=True,
    help="Folder of the bench: its configuration, journal and recordings.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for another program.")


def echo_json(data: Any, *, indent: int | None = 2) -> None:
    """Prints data as JSON; what is not a number is null, as the standard knows no NaN."""
    # Escaped where it must be: a program that reads JSON can undo that, and could not undo "?".
    text = json.dumps(_plain(data), indent=indent, ensure_ascii=not shows_everything(), allow_nan=False)
    click.echo(text)


def _plain(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(value) for value in data]
    return None if isinstance(data, float) and not isfinite(data) else data
