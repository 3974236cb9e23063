"""Commands about what a gauge went through and what that means: stamps, incident, clear, touched."""

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.as_of import as_of_option, stamped_option
from acquire.cli.options import echo_json, home_option, json_option

if TYPE_CHECKING:
    from datetime import tzinfo

    from acquire.model import Reading
    from acquire.touched import Revised, Touched

HAPPENED = ("dropped", "battery changed", "adjusted", "re-plugged", "other")
by_option = click.option("--by", default="", help="Who says so.")


@click.command(epilog="Example:  panelwright stamps larch --as-of 2031-05-04T17:30")
@click.argument("trial", required=False)
@stamped_option
@as_of_option
@home_option
@json_option
def stamps(trial: str | None, as_stamped: bool, as_of: str | None, home: Path, as_json: bool) -> None:
    """Show what each reading's gauge was worth, of a TRIAL or of all.

    State, what the check before it found and how long ago, drift, the uncertainty all that makes, and whether
    a check behind it confirmed it. With --as-stamped: as it was logged.
    """
    from acquire.answers import trial_named
    from acquire.cli.as_of import journal_as_of
    from acquire.home import Home
    from acquire.logger import as_stamped as logged
    from acquire.logger import readings

    place = Home(home)
    with place.journal(readonly=True) as opened:
        known = journal_as_of(place, opened, as_of)
        if trial is not None:
            trial = trial_named(known, trial).id
        found = (logged if as_stamped else readings)(known, trial)
    if as_json:
        echo_json([one.model_dump(mode="json") for one in found])
        return
    for _, alike in groupby(found, key=_told_alike):
        _show_stamps(list(alike))
    if not found:
        click.echo("No reading yet.")


def _told_alike(reading: "Reading") -> tuple[object, ...]:
    stamp = reading.stamp
    used = reading.correction.id if reading.correction else None
    return reading.trial, str(reading.step), reading.gauge, stamp.check, stamp.reason, reading.bracket, used


def _show_stamps(alike: "list[Reading]") -> None:
    """Readings of one step that rest on the same check; figures are of the last, whose check is oldest."""
    from acquire.outputs.words import SYMBOLS, of_unit

    reading = alike[-1]
    stamp, unit = reading.stamp, SYMBOLS.get(reading.unit, reading.unit)
    named = reading.id if len(alike) == 1 else f"{alike[0].id} to {reading.id}"
    click.echo(f"{reading.trial}, {reading.step}, gauge {reading.gauge}: {named}")
    click.echo(f"  {stamp.state.value}, {reading.bracket}: {stamp.reason}")
    if stamp.age_s is not None:
        click.echo(f"    {stamp.age_s / 3600:.1f} h after check {stamp.check}")
    if stamp.drift is not None:
        click.echo(f"    {stamp.drift:+.2g} {unit} between that check and the one before it")
    if reading.correction is not None:
        click.echo(f"    corrected by {reading.correction.amount:+.3g} {unit} ({reading.correction.id})")
    at = "" if stamp.at_value is None else f" at {of_unit(stamp.at_value, reading.unit)}"
    click.echo(f"    standard uncertainty of the gauge {stamp.standard_uncertainty:.2g} {unit}{at}:")
    for part in stamp.parts:
        click.echo(f"      {part.standard_uncertainty:>8.2g}  {part.source}")
    if stamp.age_s is not None and stamp.drift_standard_uncertainty is None:
        click.echo(f"      {'?':>8}  drift since the check, {stamp.drift_basis or 'not known'}")


@click.command(epilog="Example:  panelwright incident force dropped --note 'off the table, on its hook'")
@click.argument("gauge")
@click.argument("what", metavar="WHAT", type=click.Choice(HAPPENED))
@click.option("--note", default="", help="More about it, in your words; needed with other.")
@click.option("--harmless", is_flag=True, help="With other: checks made before still count.")
@by_option
@home_option
@json_option
def incident(gauge: str, what: str, note: str, harmless: bool, by: str, home: Path, as_json: bool) -> None:
    """Write down that something happened to a GAUGE.

    WHAT is dropped, battery changed, adjusted, re-plugged or other. Where the gauge's rules in bench.toml ask
    for a check after it, readings are stamped "unchecked today" until one passes. Readings already taken stay
    as they are: the next check says what they are worth.
    """
    from acquire.clock import SystemClock
    from acquire.home import Home
    from acquire.incidents import report_incident

    place = Home(home)
    with place.journal() as journal:
        told = report_incident(
            journal, place.bench(), SystemClock(), gauge, what, note=note, harmless=harmless, by=by
        )
    if as_json:
        echo_json(told.model_dump(mode="json"))
        return
    click.echo(f"{gauge} was {told.what}" + ("; check it before you go on" if told.needs_check else ""))


@click.command(epilog="Example:  panelwright clear --check 22 --by K. --reason 'the wrong weight was hung'")
@click.argument("readings", metavar="[READING]...", nargs=-1)
@click.option("--check", help="All readings that this check put in doubt, by its number or id.")
@click.option("--reason", required=True, help="Why; it is kept with each reading.")
@click.option("--by", required=True, help="Who says so.")
@home_option
@json_option
def clear(
    readings: tuple[str, ...], check: str | None, reason: str, by: str, home: Path, as_json: bool
) -> None:
    """Take back the doubt on READINGs, by their ids, or on all that one check put in doubt.

    For a check that proved nothing, such as one with the wrong weight. The failed check itself stays, and so
    does the doubt, with your reason beside it; the readings are stamped again as they were logged.
    panelwright journal --kind check lists the checks with their numbers.
    """
    from acquire.clock import SystemClock
    from acquire.home import Home
    from acquire.incidents import clear_doubts

    with Home(home).journal() as journal:
        cleared = clear_doubts(journal, SystemClock(), readings, check=check, reason=reason, by=by)
    if as_json:
        echo_json(cleared)
        return
    noun = "1 reading is as it was" if len(cleared) == 1 else f"{len(cleared)} readings are as they were"
    click.echo(f"{noun} logged again, because {reason}")


@click.command(epilog="Example:  panelwright touched --json")
@home_option
@json_option
def touched(home: Path, as_json: bool) -> None:
    """List published figures that rest on readings of which more was learnt since.

    Each with its value as published, as it comes out with what is known now, and with the gauge's drift taken
    off the doubtful readings, as if it had moved in a straight line between the check that opened their
    bracket and the one that failed. Ends with status 1 if any figure is touched.
    """
    from acquire.home import Home
    from acquire.touched import touched as find

    place = Home(home)
    bench = place.bench()
    with place.journal(readonly=True) as journal:
        found = find(journal, bench)
    if as_json:
        echo_json([_data(one) for one in found])
    else:
        for _, together in groupby(found, key=lambda one: one.publication.id):
            _show(list(together), bench.zone)
        if not found:
            click.echo("No published figure rests on a reading of which more was learnt since.")
    if found:
        raise SystemExit(1)


def _data(one: "Touched") -> dict[str, object]:
    return {
        "where": one.publication.where,
        "published_utc": one.publication.t_utc.isoformat(),
        "publication": one.publication.id,
        "trial": one.trial,
        "figure": one.figure.name,
        "published": {**one.figure.model_dump(mode="json", exclude={"used"}), "place": one.place},
        "now": _revised_data(one.now),
        "drift_taken_off": None if one.corrected is None else _revised_data(one.corrected),
        "readings": list(one.readings),
        "why": list(one.why),
        "not_taken_off": list(one.uncorrected),
    }


def _revised_data(revised: "Revised") -> dict[str, object]:
    points = revised.points
    return {
        "text": None if points is None else points.text,
        "unrounded": None if points is None else points.unrounded,
        "expanded_uncertainty": None if points is None else points.expanded_uncertainty,
        "status": revised.status,
        "place": revised.place,
        "difference": revised.difference,
    }


def _show(found: "list[Touched]", zone: "tzinfo") -> None:
    """The figures of one publication; readings and reasons once for figures that share them."""
    publication = found[0].publication
    local = publication.t_utc.astimezone(zone)
    click.echo(f"{publication.where}, published {local:%Y-%m-%d %H:%M}")
    for _, alike in groupby(found, key=lambda one: (one.trial, one.readings, one.why, one.uncorrected)):
        figures = list(alike)
        for one in figures:
            _show_figure(one)
        _show_why(figures[0])
    click.echo("  Say so where it can be read; a new report for the same place takes its place.")


def _show_figure(one: "Touched") -> None:
    place = "" if one.place is None else f", place {one.place}"
    click.echo(
        f"  {one.trial}, {one.figure.name}: published {one.figure.text} ± "
        f"{one.figure.expanded_uncertainty:.2g} points{place}"
    )
    click.echo(f"    as known now       {_revised_words(one.now)}")
    if one.corrected is not None:
        click.echo(f"    drift taken off    {_revised_words(one.corrected)}")


def _show_why(one: "Touched") -> None:
    many = len(one.readings) > 1
    named = f"{one.readings[0]} to {one.readings[-1]}" if many else one.readings[0]
    noun = f"{len(one.readings)} readings" if many else "1 reading"
    click.echo(f"    because of {noun} ({named}) of which more was learnt since:")
    for reason in (*one.why, *one.uncorrected):
        click.echo(f"      {reason}")


def _revised_words(revised: "Revised") -> str:
    if revised.points is None:
        return f"none: {revised.status}"
    place = "" if revised.place is None else f", place {revised.place}"
    return (
        f"{revised.points.text} ± {revised.points.expanded_uncertainty:.2g} points"
        f" ({revised.difference:+.3g} unrounded), {revised.status}{place}"
    )
