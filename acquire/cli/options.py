"""Options that several commands share."""

import json
from pathlib import Path
from typing import Any

import click

home_option = click.option(
    "--home",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("bench"),
    show_default=True,
    help="Folder of the bench: its configuration, journal and recordings.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for another program.")


def echo_json(data: Any) -> None:
    """Prints data as JSON; what is not a number is null, as the standard knows no NaN."""
    click.echo(json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False))
