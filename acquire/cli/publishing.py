"""The command that makes results public: publish."""

from pathlib import Path

import click

from acquire.cli.options import home_option
from acquire.cli.results import method_option
from acquire.home import Home


@click.command(epilog="Example:  panelwright publish --home my-bench --out site --key my.key")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to write.  [default: site, inside the bench's folder]",
)
@click.option("--where", help="Where it will be read: an address, a film.  [default: the folder]")
@click.option(
    "--key",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Sign the bundle with this key.",
)
@click.option("--draft", is_flag=True, help="To look at: not verified, no bundle, nothing in the journal.")
@click.option("--unverified", is_flag=True, help="Go on although verification fails; every page says so.")
@click.option("--leave-out-blind", is_flag=True, help="Without the trials that are still sealed.")
@click.option("--cards/--no-cards", default=True, help="Draw cards to lay over video.  [default: cards]")
@method_option
@home_option
def publish(
    out: Path | None,
    where: str | None,
    key: Path | None,
    draft: bool,
    unverified: bool,
    leave_out_blind: bool,
    cards: bool,
    method_file: Path | None,
    home: Path,
) -> None:
    """Write the results as a folder of plain pages, and keep in the journal what was published.

    The folder needs no server, no network and no script: put it on a file share or a web space. It holds the
    standings, a page for each product, every reading with its bytes, tables, cards for video, and a bundle
    from which anyone can work every figure out again (panelwright verify bundle.zip). The journal is verified
    first. A folder published before is replaced as a whole.
    """
    from rich.console import Console

    from acquire.cli.signing import passphrase_for
    from acquire.clock import SystemClock
    from acquire.outputs.publish.signing import load_key
    from acquire.outputs.publish.site import Wanted, publish_site

    place = Home(home)
    folder = out or place.folder / "site"
    wanted = Wanted(
        method=place.method(method_file),
        where=where or str(folder),
        draft=draft,
        unverified=unverified,
        leave_out_blind=leave_out_blind,
        key=None if key is None else load_key(key, passphrase_for(key)),
        cards=cards,
    )
    with Console(stderr=True).status("publishing") as status:
        page = publish_site(place, folder, SystemClock(), wanted, watch=status.update)
    click.echo(str(page))
