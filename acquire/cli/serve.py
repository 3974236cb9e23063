"""The command that runs a bench all day."""

from pathlib import Path

import click

from acquire.cli.bench import speed_option
from acquire.cli.options import home_option


@click.command(epilog="Example:  panelwright serve --home my-bench")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen at. Another than this machine's own asks every browser for a code.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=8460, show_default=True)
@click.option(
    "--name", "names", multiple=True, help="A further name the bench is called by, such as bench.lan."
)
@click.option(
    "--tls-certificate",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="PEM file, for https.",
)
@click.option(
    "--tls-key", type=click.Path(path_type=Path, exists=True, dir_okay=False), help="Its key, if apart."
)
@click.option(
    "--print-unit", is_flag=True, help="Print a unit file for systemd that runs this bench, and end."
)
@click.option("--forget-browsers", is_flag=True, help="Let no browser in any more that was paired before.")
@speed_option
@home_option
def serve(
    host: str,
    port: int,
    names: tuple[str, ...],
    tls_certificate: Path | None,
    tls_key: Path | None,
    print_unit: bool,
    forget_browsers: bool,
    speed: float,
    home: Path,
) -> None:
    """Run the bench: gauges, capture, journal, and the screen in a browser. Ctrl-C ends it.

    What was armed is armed again after a fault; how far each step is follows from the journal. By default
    only this machine can open the screen. With --host 0.0.0.0 the whole network can: each browser then types
    a code once that is shown here, and you should give a certificate.

    With PANELWRIGHT_MQTT_URL in the environment the bench is on that bus as well; see panelwright bus.
    """
    if print_unit:
        click.echo(_unit(home), nl=False)
        return
    import os

    from acquire.clock import SystemClock
    from acquire.home import Home
    from acquire.outputs.mqtt import BusSettings
    from acquire.outputs.screen.access import is_loopback
    from acquire.outputs.screen.serving import Address, serve_bench

    certificate = None
    if tls_certificate is not None:
        from acquire.outputs.screen.server import Certificate

        certificate = Certificate(tls_certificate, tls_key)
    elif not is_loopback(host):
        click.echo(
            "Without a certificate (--tls-certificate) what passes can be read on the network.", err=True
        )
    bus = BusSettings.from_environment(os.environ) if os.environ.get("PANELWRIGHT_MQTT_URL") else None
    serve_bench(
        Home(home),
        Address(host, port, names, certificate),
        clock=SystemClock(speed),
        say=lambda text: click.echo(text),
        forget_browsers=forget_browsers,
        shortest_limit_s=0.25 * speed if speed > 1 else 0.0,
        bus=bus,
    )


def _unit(home: Path) -> str:
    """The shipped unit file, for this user, this command and this bench."""
    import getpass
    import shutil
    import sys

    import config

    command = shutil.which("panelwright") or str(Path(sys.executable).with_name("panelwright"))
    text = (config.FOLDER / "panelwright.service").read_text(encoding="utf-8")
    for word, value in {"USER": getpass.getuser(), "COMMAND": command, "HOME": str(home.resolve())}.items():
        # A per cent sign begins a specifier of systemd's own.
        text = text.replace(f"@{word}@", value.replace("%", "%%"))
    return text
