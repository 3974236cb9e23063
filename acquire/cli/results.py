"""Commands that tell what came of it: score, standings, journal, verify, report."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.as_of import as_of_option, journal_as_of, stamped_option
from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home

if TYPE_CHECKING:
    from acquire.results import Material
    from acquire.scoring.results import Scorecard
    from acquire.scoring.standings import Standings

method_option = click.option(
    "--method",
    "method_file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Score by this method instead of the bench's own.",
)


@click.command(epilog="Example:  panelwright score larch --budget")
@click.argument("trial", required=False)
@method_option
@stamped_option
@as_of_option
@click.option("--budget", is_flag=True, help="Also show what the uncertainty is made of.")
@home_option
@json_option
def score(
    trial: str | None,
    method_file: Path | None,
    as_stamped: bool,
    as_of: str | None,
    budget: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Show the scorecard of a TRIAL, or of all.

    For each test: points with their expanded uncertainty, what was measured, what was left out and why,
    outliers, and readings whose gauge was not in tolerance. Nothing is written. With --json: a list.
    """
    from acquire.results import scorecard, scorecards

    place = Home(home)
    material, bench, method = (
        _material(place, as_stamped=as_stamped, as_of=as_of),
        place.bench(),
        place.method(method_file),
    )
    if trial is None:
        cards = scorecards(material, bench, method)
    else:
        cards = [scorecard(material, bench, method, trial)]
    if as_json:
        echo_json([card.model_dump(mode="json") for card in cards])
    elif cards:
        print_scorecards(cards, budget=budget)
    else:
        click.echo("No trial yet. Open one:  panelwright trial open --help")


_day = click.DateTime(["%Y-%m-%d"])


@click.command(epilog="Example:  panelwright standings --by product --test slip --since 2031-01-01")
@click.option(
    "--by",
    type=click.Choice(["trial", "product"]),
    default="trial",
    show_default=True,
    help="What makes a row; a product's row is the mean of its trials.",
)
@click.option(
    "--test",
    "test_name",
    type=click.Choice(["slip", "gloss", "wash", "handling", "appearance", "uv"]),
    help="Rank by the points of one test.  [default: by the total]",
)
@click.option("--class", "product_class", help="Only products of this class, and untreated controls.")
@click.option("--since", type=_day, metavar="DATE", help="Only trials begun on this day or later.")
@click.option("--until", type=_day, metavar="DATE", help="Only trials begun on this day or earlier.")
@click.option("--colour", help="Only trials with a panel of this colour.")
@method_option
@stamped_option
@as_of_option
@home_option
@json_option
def standings(
    by: str,
    test_name: str | None,
    product_class: str | None,
    since: datetime | None,
    until: datetime | None,
    colour: str | None,
    method_file: Path | None,
    as_stamped: bool,
    as_of: str | None,
    home: Path,
    as_json: bool,
) -> None:
    """Show all trials side by side, best first, and which of them cannot be told apart.

    Below each place stand the best and the worst one that the row may really hold. Rows that share a letter
    cannot be told apart. Both are worked out among the rows shown. By product it also says how many strokes
    each lasted, where a failure is only known to lie between two inspections. With --json also the chance of
    each place and, of up to 30 rows, every pair.
    """
    from acquire.filters import Filter
    from acquire.model import Test
    from acquire.results import standings as work_out

    place = Home(home)
    ranked = work_out(
        _material(place, as_stamped=as_stamped, as_of=as_of),
        place.bench(),
        place.method(method_file),
        by="product" if by == "product" else "trial",
        test=None if test_name is None else Test[test_name.upper()],
        only=Filter(
            product_class,
            None if since is None else since.date(),
            None if until is None else until.date(),
            colour,
        ),
    )
    if as_json:
        echo_json(ranked.model_dump(mode="json"))
    else:
        print_standings(ranked)


@click.command(epilog="Example:  panelwright journal --kind check --last 5")
@click.option("--kind", help="Only events of one kind: reading, refusal, check, amendment, trial, ...")
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the newest N.")
@home_option
@json_option
def journal(kind: str | None, last: int | None, home: Path, as_json: bool) -> None:
    """Tell what happened on the bench, oldest first."""
    from collections import deque
    from dataclasses import asdict

    from acquire.cli.cards import print_event
    from acquire.errors import ConfigError

    with Home(home).journal(readonly=True) as opened:
        # All of one kind are gone through for the last N; of all kinds, the place in the chain tells.
        since = max(0, opened.head()[0] - last) if last is not None and kind is None else 0
        events = deque(opened.events(kind, since=since), maxlen=last)
        if kind is not None and not events:
            kinds = sorted({event.kind for event in opened.events()})
            raise ConfigError(f"no event of kind {kind!r}", hint=f"there are: {', '.join(kinds) or 'none'}")
    if as_json:
        echo_json([{**asdict(event), "t_utc": event.t_utc.isoformat()} for event in events])
        return
    for event in events:
        print_event(event)


@click.command(epilog="Example:  panelwright verify bundle.zip --public-key tester.pub")
@click.argument("bundle", required=False, type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--public-key",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="The tester's, from elsewhere than the BUNDLE, which must be signed with it.",
)
@click.option("--head", metavar="HASH", help="The head as noted elsewhere earlier: it must be in the chain.")
@home_option
@json_option
def verify(bundle: Path | None, public_key: Path | None, head: str | None, home: Path, as_json: bool) -> None:
    """Prove that the journal is whole and every reading follows from its recording.

    Walks the journal's chain, then runs every recording through the code that ran live and compares each
    reading and refusal to the last digit. Then derives every stamp and check again from the events before it.
    Ends with status 1 if anything is wrong.

    Of a BUNDLE, which needs no bench, also signature, files, and every published figure, worked out again by
    the method it was published by.
    """
    from rich.console import Console

    from acquire.cli.proved import print_bundle, print_verification, prove, verification_data
    from acquire.verification import verify as run

    if bundle is not None:
        print_bundle(prove(bundle, public_key, head), as_json=as_json)
        return
    if public_key is not None:
        raise click.UsageError("--public-key is for a BUNDLE: name its file")
    place = Home(home)
    with Console(stderr=True).status("walking the chain") as status:
        report = run(place, expected_head=head, watch=lambda name: status.update(f"replaying {name}"))
    if as_json:
        echo_json(verification_data(report))
    else:
        print_verification(report)
        click.echo("All holds." if report.holds else "NOT in order.")
    if not report.holds:
        raise SystemExit(1)


@click.command(epilog="Example:  panelwright report --out page --where 'spring test, page 2'")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to write.  [default: report, inside the bench's folder]",
)
@click.option("--where", help="Where it will be read: a page, a film.  [default: the folder]")
@click.option("--draft", is_flag=True, help="Not published: write nothing into the journal.")
@method_option
@home_option
def report(out: Path | None, where: str | None, draft: bool, method_file: Path | None, home: Path) -> None:
    """Write the standings as a plain page with plotted pulls, for a browser or for paper.

    Unless it is a draft, the journal keeps what was published and on which readings it rests, so that a check
    that fails later can name every figure it touches (panelwright touched). A later report for the same place
    takes the place of the earlier one.
    """
    from acquire.outputs.report import write_report

    place = Home(home)
    folder, method = out or place.folder / "report", place.method(method_file)

    def record(cards: "list[Scorecard]", ranked: "Standings", at_seq: int) -> None:
        from acquire.clock import SystemClock
        from acquire.publications import publish

        with place.journal() as opened:
            publish(
                opened,
                SystemClock(),
                where=where or str(folder),
                method=method,
                cards=cards,
                ranked=ranked,
                at_seq=at_seq,
            )

    click.echo(str(write_report(place, folder, method=method, record=None if draft else record)))


def print_scorecards(cards: "list[Scorecard]", *, budget: bool = False) -> None:
    """Prints scorecards, readable at 80 columns."""
    from acquire.cli.cards import print_card

    for card in cards:
        print_card(card, budget=budget)


def print_standings(ranked: "Standings") -> None:
    """Prints standings, readable at 80 columns."""
    from acquire.cli.ranked import print_ranked

    print_ranked(ranked)


def _material(place: Home, *, as_stamped: bool, as_of: str | None) -> "Material":
    from acquire.results import gather

    with place.journal(readonly=True) as opened:
        return gather(journal_as_of(place, opened, as_of), as_stamped=as_stamped)
