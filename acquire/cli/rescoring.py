"""Commands about methods that change: rescore, methods."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home

if TYPE_CHECKING:
    from acquire.bench import Bench
    from acquire.journal import Journal
    from acquire.recapture import Recaptured
    from acquire.scoring.method import Method


@click.command(epilog="Example:  panelwright rescore --method new-method.toml --out rescored.html")
@click.option(
    "--method",
    "method_file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    required=True,
    help="The new method.",
)
@click.option("--from-bytes", is_flag=True, help="Go through every recording again by its rules of capture.")
@click.option("--against", metavar="WHERE", help="Hold it against this publication.  [default: the newest]")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write a page for a browser or for paper.",
)
@home_option
@json_option
def rescore(
    method_file: Path, from_bytes: bool, against: str | None, out: Path | None, home: Path, as_json: bool
) -> None:
    """Show what another method makes of every trial, which places move, and why.

    Everything is worked out anew from the readings, or with --from-bytes from the recordings, and held
    against what was published; where nothing was, against the bench's method. Nothing is written into the
    journal, and what was published stays as it is.
    """
    from acquire.cli.revised import print_revision
    from acquire.outputs.revision_page import write_revision
    from acquire.revision import published, revise

    place = Home(home)
    bench, new = place.bench(), place.method(method_file)
    with place.journal(readonly=True) as opened:
        publication = published(opened, against)
        old = place.method() if publication is None else publication.method
        recaptured = _recaptured(place, opened, bench, new) if from_bytes else None
        revision = revise(opened, bench, old, new, publication=publication, recaptured=recaptured)
        page = write_revision(place, bench, opened, revision, out) if out is not None else None
    if as_json:
        echo_json(revision.model_dump(mode="json"))
        return
    print_revision(revision)
    if page is not None:
        click.echo(str(page))


@click.command(epilog="Example:  panelwright methods --show 3f2a91 > method-of-then.toml")
@click.option("--show", metavar="HASH", help="Print the text of the one whose fingerprint begins so.")
@home_option
@json_option
def methods(show: str | None, home: Path, as_json: bool) -> None:
    """List the methods that something was published by.

    The journal keeps the text of each, so it can be printed and used again, in five years too.
    """
    from acquire.publications import kept_method, kept_methods

    with Home(home).journal(readonly=True) as opened:
        if show is not None:
            click.echo(kept_method(opened, show).text, nl=False)
            return
        known = kept_methods(opened)
    if as_json:
        echo_json([one.model_dump(mode="json") for one in known])
        return
    for one in known:
        click.echo(f"{one.sha256[:16]}…  {one.title}")
        click.echo(f"  first {one.first_utc:%Y-%m-%d %H:%M} UTC, for {', '.join(one.where)}")
    if not known:
        click.echo("Nothing was published yet, so the journal keeps no method.")


def _recaptured(place: Home, journal: "Journal", bench: "Bench", method: "Method") -> "Recaptured":
    from rich.console import Console

    from acquire.recapture import recapture

    with Console(stderr=True).status("capturing anew") as status:
        return recapture(
            journal,
            place.recordings,
            bench,
            method,
            watch=lambda name: status.update(f"capturing {name} anew"),
        )
