"""Commands for what a person says: trials, ratings, inspections, rulings."""

from pathlib import Path
from typing import Literal

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.cli.steps import early_option
from acquire.home import Home

class_option = click.option(
    "--class", "product_class", help='Kind of product, such as "spray sealant"; standings can filter by it.'
)


@click.group()
def trial() -> None:
    """Open trials and see how far they are."""


@trial.command("open", epilog="Example:  panelwright trial open larch --product 'Sample Wax' --panel black-1")
@click.argument("trial_id", metavar="ID")
@click.option("--product", required=True, help="What is tested.")
@click.option("--panel", "panels", multiple=True, required=True, help="Repeat it for several panels.")
@click.option("--control", is_flag=True, help="The untreated control.")
@class_option
@click.option(
    "--without-protocol", is_flag=True, help="Nothing holds a step back, and no deviation is looked for."
)
@home_option
@json_option
def open_(
    trial_id: str,
    product: str,
    panels: tuple[str, ...],
    control: bool,
    product_class: str | None,
    without_protocol: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Open a trial of one product on its panels, led by the bench's protocol.toml as it is now."""
    from acquire.answers import open_trial
    from acquire.clock import SystemClock
    from acquire.panels import panels_of_bench
    from acquire.plan import must_serve

    place = Home(home)
    protocol = None if without_protocol else place.protocol()
    with place.journal() as journal:
        if protocol is not None:
            must_serve(protocol, place.method())
        opened = open_trial(
            journal,
            SystemClock(),
            trial_id,
            product=product,
            panels=panels,
            control=control,
            product_class=product_class,
            protocol=protocol,
        )
        listed = panels_of_bench(journal)
    if as_json:
        echo_json(opened.model_dump(mode="json"))
        return
    click.echo(f"Trial {opened.id}: {opened.product} on {', '.join(opened.panels)}.")
    for name in (one for one in opened.panels if one not in listed):
        click.echo(f"{name} is not in the list of panels: its colour and zones are not known. List it with:")
        click.echo(f"  panelwright panel add {name} --colour COLOUR --zones control {place.option}")
    click.echo(f"Next:  panelwright {'capture' if protocol is None else 'next'} {opened.id} {place.option}")


@trial.command("list", epilog="Example:  panelwright trial list --json")
@home_option
@json_option
def list_(home: Path, as_json: bool) -> None:
    """List the trials and the next step of each."""
    from acquire.clock import SystemClock
    from acquire.progress import next_steps
    from acquire.trials import next_step, record_of, trials_of

    place = Home(home)
    method = place.method()
    with place.journal(readonly=True) as journal:
        trials, record = trials_of(journal), record_of(journal)
        led = {one.trial.id: one.next for one in next_steps(journal, method, SystemClock().utc())}
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
        coming = led.get(one.id)
        said = str(coming.planned) if coming is not None else str(state.step) if state else ""
        if one.imported:
            click.echo(f"{one.id}: {one.product}. Earlier results, typed in.")
            continue
        if one.protocol is not None and one.id not in led:
            said = ""
        click.echo(f"{one.id}: {one.product}. " + (f"Next: {said}." if said else "Complete."))


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


@trial.command(epilog="Example:  panelwright trial deviations larch")
@click.argument("trial_id", metavar="ID")
@home_option
@json_option
def deviations(trial_id: str, home: Path, as_json: bool) -> None:
    """Show where a trial went another way than its protocol."""
    from acquire.answers import trial_named
    from acquire.clock import SystemClock
    from acquire.deviations import deviations as work_out

    place = Home(home)
    with place.journal(readonly=True) as journal:
        found = work_out(journal, trial_named(journal, trial_id), place.method(), SystemClock().utc())
    if as_json:
        echo_json([one.model_dump(mode="json") for one in found])
        return
    if not found:
        click.echo("None.")
    for one in found:
        click.echo(f"{one.what}: {one.text}" + (f", because {one.reason}" if one.reason else ""))


@trial.command(
    epilog="Example:  panelwright trial blind spring --product Larch --on black-1 --product Fir --on black-2"
)
@click.argument("name")
@click.option("--product", "products", multiple=True, required=True, help="Repeat it for every product.")
@click.option(
    "--on",
    "panels",
    multiple=True,
    required=True,
    metavar="PANELS",
    help="Panels of one code letter, apart by commas; repeat it as often as --product.",
)
@class_option
@home_option
@json_option
def blind(
    name: str,
    products: tuple[str, ...],
    panels: tuple[str, ...],
    product_class: str | None,
    home: Path,
    as_json: bool,
) -> None:
    """Open trials of several products under code letters, drawn at random, until all ratings are in.

    Which letter is which product stands in sealed/NAME.json alone: have somebody else read it, fill the
    bottles and mark them with the letters. Whoever opens that file, or knows a product by its scent or
    colour, is not blind. The journal holds a hash of it, so that nobody can change it afterwards unseen.
    """
    from acquire.blind import seal, sealed_file
    from acquire.clock import SystemClock
    from acquire.plan import must_serve

    place = Home(home)
    protocol = place.protocol()
    must_serve(protocol, place.method())
    with place.journal() as journal:
        sealed = seal(
            place,
            journal,
            SystemClock(),
            name,
            products=products,
            panels=[tuple(one.strip() for one in own.split(",")) for own in panels],
            protocol=protocol,
            product_class=product_class,
        )
    if as_json:
        echo_json(sealed.model_dump(mode="json"))
        return
    for letter, id_ in sealed.trials.items():
        click.echo(f"Code {letter}: trial {id_}")
    click.echo(f"Apply and rate in this order: {', '.join(sealed.order)}")
    click.echo(f"For another pair of eyes only: {sealed_file(place, name)}")


@trial.command(epilog="Example:  panelwright trial unseal spring")
@click.argument("name")
@click.option("--early", default="", metavar="REASON", help="Although ratings are missing; it is published.")
@home_option
@json_option
def unseal(name: str, early: str, home: Path, as_json: bool) -> None:
    """Write down which code letter was which product, and prove that it is what was sealed."""
    from acquire.blind import unseal as open_seal
    from acquire.clock import SystemClock

    place = Home(home)
    with place.journal() as journal:
        said = open_seal(place, journal, SystemClock(), place.method(), name, early=early)
    if as_json:
        echo_json(said.model_dump(mode="json"))
        return
    for letter, product in sorted(said.mapping.items()):
        click.echo(f"Code {letter}: {product}")


@click.command(epilog="Example:  panelwright rate larch appearance 8.5 --panel black-1")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("test", type=click.Choice(["handling", "appearance"]))
@click.argument("value", type=float, required=False)
@click.option("--panel", help="Which panel; needed where the trial has several.")
@early_option
@home_option
@json_option
def rate(
    trial_id: str,
    test: str,
    value: float | None,
    panel: str | None,
    early: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Write down how a product handled, or how a panel looks, on the method's scale.

    Without a VALUE the scale is shown with what its values mean, and you are asked. A later rating of the
    same step replaces the earlier one, which stays in the journal and is shown.
    """
    from acquire import answers
    from acquire.clock import SystemClock
    from acquire.model import Test
    from acquire.scoring.ratings import scale_of
    from acquire.stepping import must_be_in_turn
    from acquire.trials import find_step

    place, clock = Home(home), SystemClock()
    method = place.method()
    with place.journal() as journal:
        found = answers.trial_named(journal, trial_id)
        step = find_step(found, method, Test(test), panel=panel, phase=None, stage=None)
        must_be_in_turn(journal, clock, place.bench().zone, method, found, step, early=early)
        if value is None:
            scale = scale_of(step.test, method)
            for line in scale.anchor_lines():
                click.echo(f"  {line}", err=as_json)
            asked = f"{step}, from {scale.min} to {scale.max} in steps of {scale.step}"
            value = click.prompt(asked, type=float, err=as_json)
        rating = answers.rate(journal, clock, method, found, step, value)
    if as_json:
        echo_json(rating.model_dump(mode="json"))
        return
    click.echo(f"{step}: {value:g}")


@click.command(epilog="Example:  panelwright inspect larch 150 --passed --note 'beads tall and round'")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("stage", type=int)
@click.option("--passed/--failed", required=True, help="Does water still behave?")
@click.option(
    "--against-control",
    type=click.Choice(["better", "same", "worse"]),
    help="How water behaves beside the untreated control zone.",
)
@click.option("--cut-through", is_flag=True, help="The finish is cut through, worse than the control zone.")
@click.option("--panel", help="Which panel; needed where the trial has several.")
@click.option("--note", default="", help="What you saw.")
@early_option
@home_option
@json_option
def inspect(
    trial_id: str,
    stage: int,
    passed: bool,
    against_control: Literal["better", "same", "worse"] | None,
    cut_through: bool,
    panel: str | None,
    note: str,
    early: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Write down an inspection at a wash stage.

    Stop and isolate the wash machine before reaching in: its carriage can trap fingers at both ends. Keep
    mains leads dry and on residual-current protection; local codes come first.
    """
    from acquire import answers
    from acquire.clock import SystemClock
    from acquire.model import Test
    from acquire.panels import panels_of_bench
    from acquire.stepping import must_be_in_turn
    from acquire.trials import find_step

    place, clock = Home(home), SystemClock()
    method = place.method()
    with place.journal() as journal:
        found = answers.trial_named(journal, trial_id)
        step = find_step(found, method, Test.WASH, panel=panel, phase=None, stage=stage)
        zoned = panels_of_bench(journal).get(step.panel)
        if zoned is not None and zoned.has_control and against_control is None:
            raise click.UsageError(
                f"{step.panel} has an untreated control zone: say --against-control better, same or worse"
            )
        gave_way = cut_through or not passed
        must_be_in_turn(
            journal, clock, place.bench().zone, method, found, step, early=early, gave_way=gave_way
        )
        said = answers.inspect(
            journal,
            clock,
            found,
            step,
            passed=passed,
            against_control=against_control,
            cut_through=cut_through,
            note=note,
        )
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
