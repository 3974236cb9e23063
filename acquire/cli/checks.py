"""Commands about whether a gauge is right: references, checks, corrections."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.cli.bench import lines_option, run_task, shortest_limit_s, speed_option, wait_option
from acquire.cli.options import echo_json, home_option, json_option

if TYPE_CHECKING:
    from datetime import date

    from acquire.calibration.checks import Check
    from acquire.calibration.references import Assigned


@click.command(epilog="Example:  panelwright check force --against weight-100g,weight-200g,weight-500g")
@click.argument("gauge")
@click.option(
    "--against",
    "references",
    required=True,
    multiple=True,
    metavar="REF[,REF...]",
    help="A reference of bench.toml; several weights are hung up and down. A+B: both hang together.",
)
@click.option(
    "--repeats",
    type=click.IntRange(1, 50),
    default=3,
    show_default=True,
    help="Readings on one reference.",
)
@click.option(
    "--runs",
    type=click.IntRange(2, 10),
    default=2,
    show_default=True,
    help="How often to go up and down several weights.",
)
@click.option("--angle", help="Angle of a gloss tile that has several.")
@wait_option
@speed_option
@home_option
@lines_option
def check(
    gauge: str,
    references: tuple[str, ...],
    repeats: int,
    runs: int,
    angle: str | None,
    wait_s: float,
    speed: float,
    home: Path,
    as_json: bool,
) -> None:
    """Check a gauge against a reference, hands-free, and write down whether it is right.

    A weight: leave the hook empty, hang it, take it off, as told. Several weights: up to the largest and back
    down, each recognised by its load. A tile: press the key. A counter: make the strokes, counted by hand.

    To pass, the deviation must stay inside the tolerance by its own uncertainty (decision in bench.toml).
    Ends with status 1 unless the gauge passed. A failed check puts the readings since the last good one in
    doubt. Ctrl-C gives the check up; what it measured is written down, and the next one begins anew.

    Hang weights low over the bench, and keep feet and fingers from under them.
    """
    from acquire.cli.display import Display
    from acquire.clock import SystemClock
    from acquire.home import Home
    from acquire.service import Service

    named = [name.strip() for given in references for name in given.split(",") if name.strip()]
    with (
        Display(f"{gauge} against {', '.join(named)}", as_json=as_json) as display,
        Service(
            Home(home),
            clock=SystemClock(speed),
            tell=display.show,
            gauges=[gauge],
            shortest_limit_s=shortest_limit_s(speed),
        ) as service,
    ):
        task = service.check(gauge, named, repeats=repeats, channel=angle, runs=runs)
        stopped = (
            "Given up: what was measured is written down and proves nothing; the next check begins anew."
        )
        run_task(service, task, wait_s=wait_s * max(1.0, speed), linger_s=0.0, stopped=stopped)
    if display.check is not None and not as_json:
        _show_points(display.check)
    if display.check is None or display.check.verdict != "pass":
        raise SystemExit(1)


def _show_points(checked: "Check") -> None:
    """Every load of a check at several, and what was found of the gauge."""
    for point in checked.points:
        click.echo(
            f"  run {point.run} {point.direction:<4}  {point.reference}: {point.value:.4g} N for"
            f" {point.assigned:.4g} N, deviation {point.deviation:+.3g} N"
        )
    for trait in checked.traits:
        within = "within" if trait.within else "BEYOND"
        click.echo(f"  {trait.name}: {trait.value:+.3g} N, {within} {trait.permitted:.3g} N ({trait.where})")


@click.command(
    epilog='Example:  panelwright correct force --from latest --by "A. Tester" --reason "new cell"'
)
@click.argument("gauge")
@click.option(
    "--from", "from_check", metavar="CHECK", help="Number or id of a check at several weights, or: latest."
)
@click.option("--off", is_flag=True, help="Use no correction from here on.")
@click.option("--by", help="Who says so.")
@click.option("--reason", help="Why.")
@home_option
@json_option
def correct(
    gauge: str,
    from_check: str | None,
    off: bool,
    by: str | None,
    reason: str | None,
    home: Path,
    as_json: bool,
) -> None:
    """Correct what a gauge shows by what a check at several weights found, or stop doing so.

    Readings keep the value shown; those taken from here on name the correction and its amount beside it, and
    scoring adds it. Outside the range of the check nothing is added. Without --from and --off it tells which
    correction is in use.
    """
    from acquire.calibration.correction import in_words
    from acquire.clock import SystemClock
    from acquire.correcting import correction_in_use, switch_off, switch_on
    from acquire.home import Home

    place = Home(home)
    place.bench().gauge(gauge)
    if from_check is None and not off:
        with place.journal(readonly=True) as journal:
            used = correction_in_use(journal, gauge)
        if as_json:
            echo_json(None if used is None else used.model_dump(mode="json"))
        else:
            click.echo(f"no correction is used for {gauge}" if used is None else in_words(used))
        return
    if from_check is not None and off:
        raise click.UsageError("--from and --off exclude each other")
    if by is None or reason is None:
        raise click.UsageError("say who decides, and why: --by NAME --reason TEXT")
    with place.journal() as journal:
        if off:
            made = switch_off(journal, SystemClock(), gauge, by=by, reason=reason)
        else:
            made = switch_on(journal, SystemClock(), gauge, from_check or "", by=by, reason=reason)
    if as_json:
        echo_json(made.model_dump(mode="json"))
    else:
        click.echo(in_words(made))
        click.echo(f"written down as {made.id}, by {made.by}: {made.reason}")
        click.echo(
            f"now check {gauge} as it is used from here on: panelwright check {gauge} --against WEIGHT"
        )


@click.command(epilog="Example:  panelwright references --home my-bench")
@home_option
@json_option
def references(home: Path, as_json: bool) -> None:
    """List the references and what each is worth on this bench: value, uncertainty, basis, due date, care."""
    from acquire.calibration.references import assigned_value, channels_of
    from acquire.clock import SystemClock
    from acquire.home import Home

    bench = Home(home).bench()
    today = SystemClock().utc().astimezone(bench.zone).date()
    found = [
        assigned_value(bench, name, channel)
        for name in bench.references
        for channel in channels_of(bench, name)
    ]
    if as_json:
        echo_json([_reference_data(one, today) for one in found])
        return
    for one in found:
        unit = "strokes" if one.unit == "1" else one.unit
        click.echo(f"{one.reference}: {one.value:.6g} ± {2 * one.standard_uncertainty:.2g} {unit} (k = 2)")
        click.echo(f"  {one.basis}")
        due = "" if one.due is None else f", due {one.due}{'' if one.due >= today else ': OVERDUE'}"
        click.echo(f"  certificate {one.certificate or 'none'}{due}")
        if one.care:
            click.echo(f"  care: {one.care}")
        for remark in one.remarks:
            click.echo(f"  LOOK: {remark}")


def _reference_data(one: "Assigned", today: "date") -> dict[str, Any]:
    return {
        "reference": one.reference,
        "channel": one.channel,
        "value": one.value,
        "unit": one.unit,
        "standard_uncertainty": one.standard_uncertainty,
        "expanded_uncertainty": 2 * one.standard_uncertainty,
        "coverage_factor": 2.0,
        "parts": [part.model_dump(mode="json") for part in one.parts],
        "basis": one.basis,
        "certificate": one.certificate,
        "due": None if one.due is None else one.due.isoformat(),
        "overdue": one.due is not None and one.due < today,
        "care": one.care,
        "remarks": list(one.remarks),
    }
