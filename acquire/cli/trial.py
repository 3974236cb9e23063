"""Commands for what a person says: trials, ratings, inspections, rulings."""

from pathlib import Path

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.home import Home


@click.group()
def trial() -> None:
    """Open trials and see how far they are."""


@trial.command("open", epilog="Example:  panelwright trial open larch --product 'Sample Wax' --panel black-1")
@click.argument("trial_id", metavar="ID")
@click.option("--product", required=True, help="What is tested.")
@click.option("--panel", "panels", multiple=True, required=True, help="Repeat it for several panels.")
@click.option("--control", is_flag=True, help="The untreated control.")
@home_option
@json_option
def open_(
    trial_id: str, product: str, panels: tuple[str, ...], control: bool, home: Path, as_json: bool
) -> None:
    """Open a trial of one product on its panels."""
    from acquire.answers import open_trial
    from acquire.clock import SystemClock

    with Home(home).journal() as journal:
        opened = open_trial(journal, SystemClock(), trial_id, product=product, panels=panels, control=control)
    if as_json:
        echo_json(opened.model_dump(mode="json"))
        return
    click.echo(f"Trial {opened.id}: {opened.product} on {', '.join(opened.panels)}.")
    click.echo(f"Next:  panelwright capture {opened.id} {Home(home).option}")


@trial.command("list", epilog="Example:  panelwright trial list --json")
@home_option
@json_option
def list_(home: Path, as_json: bool) -> None:
    """List the trials and the next step of each."""
    from acquire.trials import next_step, record_of, trials_of

    place = Home(home)
    method = place.method()
    with place.journal(readonly=True) as journal:
        trials, record = trials_of(journal), record_of(journal)
    found = [(one, next_step(one, method, record)) for one in trials.values()]
    if as_json:
        echo_json(
            [
                {**one.model_dump(mode="json"), "next": state and state.step.model_dump(mode="json")}
                for one, state in found
            ]
        )
        return
    if not found:
        click.echo("No trial yet. Open one:  panelwright trial open --help")
    for one, state in found:
        click.echo(f"{one.id}: {one.product}. " + (f"Next: {state.step}." if state else "Complete."))


@trial.command(epilog="Example:  panelwright trial steps larch")
@click.argument("trial_id", metavar="ID")
@home_option
@json_option
def steps(trial_id: str, home: Path, as_json: bool) -> None:
    """Show every step of a trial and how far it is."""
    from acquire.answers import trial_named
    from acquire.trials import record_of, states

    place = Home(home)
    method = place.method()
    with place.journal(readonly=True) as journal:
        found = states(trial_named(journal, trial_id), method, record_of(journal, trial_id))
    if as_json:
        echo_json(
            [
                {"step": one.step.model_dump(mode="json"), "taken": one.taken, "wanted": one.wanted}
                for one in found
            ]
        )
        return
    for one in found:
        click.echo(f"{'done' if one.done else '    '}  {one.taken:3} of {one.wanted:<3}  {one.step}")


@click.command(epilog="Example:  panelwright rate larch appearance 8.5 --panel black-1")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("test", type=click.Choice(["handling", "appearance"]))
@click.argument("value", type=float)
@click.option("--panel", help="Which panel; needed where the trial has several.")
@home_option
@json_option
def rate(trial_id: str, test: str, value: float, panel: str | None, home: Path, as_json: bool) -> None:
    """Write down how a product handled, or how a panel looks, on the method's scale.

    A later rating of the same step replaces the earlier one, which stays in the journal and is shown.
    """
    from acquire import answers
    from acquire.clock import SystemClock
    from acquire.model import Test
    from acquire.trials import find_step

    place = Home(home)
    method = place.method()
    with place.journal() as journal:
        found = answers.trial_named(journal, trial_id)
        step = find_step(found, method, Test(test), panel=panel, phase=None, stage=None)
        rating = answers.rate(journal, SystemClock(), method, found, step, value)
    if as_json:
        echo_json(rating.model_dump(mode="json"))
        return
    click.echo(f"{step}: {value:g}")


@click.command(epilog="Example:  panelwright inspect larch 150 --passed --note 'beads tall and round'")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("stage", type=int)
@click.option("--passed/--failed", required=True, help="Does water still behave?")
@click.option("--panel", help="Which panel; needed where the trial has several.")
@click.option("--note", default="", help="What you saw.")
@home_option
@json_option
def inspect(
    trial_id: str, stage: int, passed: bool, panel: str | None, note: str, home: Path, as_json: bool
) -> None:
    """Write down an inspection at a wash stage.

    Stop and isolate the wash machine before reaching in: its carriage can trap fingers at both ends. Keep
    mains leads dry and on residual-current protection; local codes come first.
    """
    from acquire import answers
    from acquire.clock import SystemClock
    from acquire.model import Test
    from acquire.trials import find_step

    place = Home(home)
    method = place.method()
    with place.journal() as journal:
        found = answers.trial_named(journal, trial_id)
        step = find_step(found, method, Test.WASH, panel=panel, phase=None, stage=stage)
        said = answers.inspect(journal, SystemClock(), found, step, passed=passed, note=note)
    if as_json:
        echo_json(said.model_dump(mode="json"))
        return
    click.echo(f"{step}: {'passed' if said.passed else 'failed'} after {said.strokes} strokes")
    target = method.wash.strokes_at(stage)
    if target is not None and said.strokes < target:
        click.echo(
            f"Note: that stage stands for {target} strokes, and only {said.strokes} have been counted."
        )


@click.command(
    epilog="Example:  panelwright rule '20310504T081500Z-force.rec#7' --leave-out --reason 'knocked'"
)
@click.argument("reading", metavar="READING")
@click.option("--count", "ruling", flag_value="count", help="It counts.")
@click.option(
    "--leave-out", "ruling", flag_value="leave out", help="It does not count; it is kept and shown."
)
@click.option("--as-method", "ruling", flag_value="method", help="Leave it to the method again.")
@click.option("--reason", required=True, help="Why; it is printed beside the score.")
@click.option("--by", default="", help="Who says so.")
@home_option
@json_option
def rule(reading: str, ruling: str | None, reason: str, by: str, home: Path, as_json: bool) -> None:
    """Rule whether a READING counts, by its id. The reading itself is never changed or deleted.

    panelwright journal --kind reading lists the ids.
    """
    from acquire import answers
    from acquire.clock import SystemClock

    if ruling is None:
        raise click.UsageError("say --count, --leave-out or --as-method")
    counts = {"count": True, "leave out": False, "method": None}[ruling]
    with Home(home).journal() as journal:
        now = answers.rule(journal, SystemClock(), reading, counts=counts, reason=reason, by=by)
    if as_json:
        echo_json(now.model_dump(mode="json"))
        return
    click.echo(f"{now.id}: {now.value:g} {now.unit} on {now.step}: {ruling}, because {reason}")
