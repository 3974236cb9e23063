"""What the demonstration prints, from the first pull to the page."""

from pathlib import Path
from shutil import rmtree
from time import monotonic

import click

from acquire.calibration.checks import Check
from acquire.cli.display import Display
from acquire.clock import SystemClock
from acquire.demo.hands import Hands
from acquire.demo.run import Demo, lay_out
from acquire.home import Home
from acquire.notes import Note
from acquire.results import gather, scorecards, standings
from acquire.service import Service
from acquire.verification import verify

MARKER = "this folder was made by panelwright demo and is replaced by the next one\n"


def run_and_show(folder: Path, speed: float) -> None:
    """Runs the demonstration in `folder` and prints what happens."""
    started_s = monotonic()
    _make_room(folder)
    click.secho("Everything here is simulated, and every product and number in it is invented.", bold=True)
    with Hands(folder / "ports", speed) as hands:
        home = lay_out(folder, hands)
        for name, simulator in hands.by_name.items():
            click.echo(f"simulated {name} gauge on {simulator.address}")
        clock = SystemClock(speed)
        with (
            Display("The job, hands-free", as_json=False) as display,
            Service(home, clock=clock, tell=_quietly(display), shortest_limit_s=0.25 * speed) as service,
        ):
            Demo(service, hands, clock, click.echo).run()
    _show_results(home)
    click.echo(f"\nTook {monotonic() - started_s:.0f} s at {speed:g} times the speed of life.")


def _make_room(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        marker = folder / "DEMO"
        if not marker.exists():
            raise click.UsageError(f"{folder} holds something else; choose another --home")
        rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "DEMO").write_text(MARKER, encoding="utf-8")


def _quietly(display: Display) -> "_Quiet":
    return _Quiet(display)


class _Quiet:
    """Shows what matters to somebody who watches: not every stroke, not every hint."""

    def __init__(self, display: Display) -> None:
        self._display = display

    def __call__(self, note: Note) -> None:
        if note.kind not in ("strokes", "waiting", "full") or isinstance(note.about, Check):
            self._display.show(note)


def _publish(home: Home) -> Path:
    """All of it as a folder of pages with its bundle, as it would be made public."""
    from acquire.outputs.publish.site import Wanted, publish_site

    folder = home.folder / "site"
    return publish_site(home, folder, SystemClock(), Wanted(method=home.method(), where=str(folder)))


def _show_results(home: Home) -> None:
    from acquire.cli.results import print_scorecards, print_standings
    from acquire.outputs.report import write_report

    with home.journal(readonly=True) as journal:
        material = gather(journal)
    bench, method = home.bench(), home.method()
    click.echo()
    print_scorecards(scorecards(material, bench, method))
    print_standings(standings(material, bench, method))
    click.secho("\nReplaying every recording through the same code …", bold=True)
    report = verify(home)
    click.echo(
        f"{report.readings_n} readings and {report.refusals_n} refusals from {report.recordings_n} "
        + ("recordings: every one came out the same." if report.holds else "recordings: NOT the same:")
    )
    for fault in report.faults:
        click.echo(f"  {fault}")
    page = write_report(home, home.folder / "report")
    click.echo(f"\nJournal     {home.journal_file}\nRecordings  {home.recordings}\nPage        {page}")
    if report.holds:
        click.echo(f"Published   {_publish(home)}")
    click.echo("\nLook around:")
    for words in (
        "score two --budget",
        "drift force",
        "trial steps three",
        "journal --last 20",
        "verify",
    ):
        click.echo(f"  panelwright {words} {home.option}")
