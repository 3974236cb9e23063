"""The demonstration."""

from pathlib import Path

import click


@click.command(epilog="Example:  panelwright demo --home demo-bench")
@click.option(
    "--home",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-bench"),
    show_default=True,
    help="Folder to leave journal, recordings and page in; an earlier demonstration there is replaced.",
)
@click.option(
    "--speed",
    type=click.FloatRange(1, 30),
    default=24.0,
    show_default=True,
    help="How many times faster than life.",
)
def demo(home: Path, speed: float) -> None:
    """Run the whole job on simulated gauges: three invented products and an untreated control.

    Gauges are processes of their own on pseudo-terminals (TCP where there are none), time runs faster, and
    everything else is the real thing: ports, recordings, journal, protocol, checks, scores, published pages.
    """
    from acquire.cli.demo_show import run_and_show

    run_and_show(home, speed)
