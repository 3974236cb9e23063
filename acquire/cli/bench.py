"""The command at the bench: capture a step."""

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from acquire.cli.options import home_option
from acquire.cli.steps import early_option

if TYPE_CHECKING:
    from acquire.service import Service
    from acquire.tasks import Task

TESTS = {"slip": "slip", "gloss": "gloss", "uv": "UV screening", "wash": "wash endurance"}

speed_option = click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    help="How many times faster time passes: for simulators only, and as fast as they were told to run.",
)
wait_option = click.option(
    "--wait",
    "wait_s",
    type=click.FloatRange(min=0),
    default=10.0,
    show_default=True,
    help="Seconds to wait for the gauge's port to open at first; lost later, it is waited for without end.",
)
lines_option = click.option("--json", "as_json", is_flag=True, help="Print each note as a line of JSON.")


@click.command(epilog="Example:  panelwright capture larch slip --phase bare --panel black-1")
@click.argument("trial_id", metavar="TRIAL")
@click.argument("test", required=False, type=click.Choice(list(TESTS)))
@click.option("--panel", help="Which panel.")
@click.option("--phase", type=click.Choice(["bare", "treated"]), help="Before or after the product.")
@click.option("--stage", type=int, help="Wash stage.")
@click.option("--control-zone", is_flag=True, help="On the untreated control zone of the panel.")
@early_option
@click.option("--gauge", help="Which gauge, where several fit.  [default: the first of bench.toml]")
@click.option(
    "--linger",
    "linger_s",
    type=click.FloatRange(min=0),
    default=2.0,
    show_default=True,
    help="Seconds to go on after the step is full; what still comes is kept as an extra.",
)
@wait_option
@speed_option
@home_option
@lines_option
def capture(
    trial_id: str,
    test: str | None,
    panel: str | None,
    phase: Literal["bare", "treated"] | None,
    stage: int | None,
    control_zone: bool,
    early: bool,
    gauge: str | None,
    linger_s: float,
    wait_s: float,
    speed: float,
    home: Path,
    as_json: bool,
) -> None:
    """Take the readings of one step, hands-free: pulls, key presses or strokes.

    Without a TEST it takes the next step of the trial that a gauge can take; what should come first, such as
    a cure that is not over, holds it back, unless you say --early. A wash ends when its strokes are
    made and the machine stands. Ctrl-C stops; what was taken is kept, and the same command goes on from
    there. Other commands may be used in another terminal meanwhile.

    The wash machine can trap fingers: isolate it before reaching in. Solvent wipes are flammable: ventilate,
    wear gloves, read the safety data sheet. Local codes come first.
    """
    from acquire.answers import trial_named
    from acquire.cli.display import Display
    from acquire.clock import SystemClock
    from acquire.home import Home
    from acquire.model import Test
    from acquire.service import Service
    from acquire.stepping import step_to_take

    place = Home(home)
    with place.journal(readonly=not early) as journal:
        trial = trial_named(journal, trial_id)
        step = step_to_take(
            journal,
            SystemClock(),
            place.bench().zone,
            place.method(),
            trial,
            test=None if test is None else Test(TESTS[test]),
            panel=panel,
            phase=phase,
            stage=stage,
            control_zone=control_zone,
            early=early,
        )
    with (
        Display(str(step), as_json=as_json) as display,
        Service.for_step(
            place,
            step,
            clock=SystemClock(speed),
            tell=display.show,
            gauge=gauge,
            shortest_limit_s=shortest_limit_s(speed),
        ) as service,
    ):
        task = service.measure(trial, step)
        stopped = "Stopped. What was taken is kept; the same command goes on from there."
        run_task(service, task, wait_s=wait_s * max(1.0, speed), linger_s=linger_s, stopped=stopped)


def run_task(service: "Service", task: "Task", *, wait_s: float, linger_s: float, stopped: str) -> None:
    """Runs a task to its end. Ctrl-C ends it too, says `stopped` and leaves with status 130."""
    try:
        service.await_ports(wait_s)
        service.run(task, linger_s=linger_s)
    except KeyboardInterrupt:
        service.rest(task)
        click.echo(stopped, err=True)
        raise SystemExit(130) from None


def shortest_limit_s(speed: float) -> float:
    """What no limit may be shorter than, for a clock of that speed."""
    # A machine that is busy for a quarter of a real second is not a gauge that fell silent.
    return 0.25 * speed if speed > 1 else 0.0
