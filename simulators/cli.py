"""Commands that start one simulated gauge each; `python -m simulators.cli --help` lists them."""

import sys
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any, TypeVar

import click

from simulators.speech import FORMATS, NEWTON_PER_GF

if TYPE_CHECKING:
    from simulators.run import TruthFile
    from simulators.station import Station

F = TypeVar("F", bound=Callable[..., Any])

FORCE_DEFAULTS = {
    # rate in Hz, display step in N
    "force-stream-n": (100.0, 0.01),
    "force-poll-gf": (50.0, 10 * NEWTON_PER_GF),
    "force-unit-mode": (20.0, 0.005),
    "scpi-force": (50.0, 0.001),
    "modbus-force": (200.0, 0.01),
}


@click.group()
def simulate() -> None:
    """Run a simulated gauge on a pseudo-terminal or TCP port.

    It prints its address as JSON, then does what it is told on stdin, one command per line, and answers each
    with one line of JSON when it is done. For every gauge:

    \b
        fault garble p=0.01     turn bytes into others; also: fault cut n=1,
                                fault repeat n=1, fault silence s=2, fault none
        fault noise s=60        nothing but random bytes; also: fault stall s=2 (held
                                back, then one burst), fault echo, fault flow p=0.01
                                (XON and XOFF among the data), and what another speed
                                or parity would give: fault speed, fault parity bits=7
        unplug s=1.5            vanish, and come back after so many seconds;
                                unplug mid s=1.5 in the middle of a message
        pause 3                 do nothing for so many seconds
        quit                    end; so does the end of stdin, without --auto

    Faults and unplug act at once; everything else in the order given. Seconds are simulated ones: --speed 10
    makes them pass ten times faster.

    Example: panelwright simulate force --speaks force-stream-n --link gauge
    """


BITS_PER_BYTE = 10  # start bit, eight bits, stop bit
ABOVE_ZERO = click.FloatRange(0, min_open=True)


def _number(
    flag: str, default: float | None, help: str, *, type: click.ParamType[Any] | None = None
) -> Callable[[F], F]:
    return click.option(
        flag, type=type or click.FLOAT, default=default, show_default=default is not None, help=help
    )


def _formats(station: str) -> click.Choice[str]:
    return click.Choice([name for name, form in FORMATS.items() if form.station == station])


def _common(station: str) -> Callable[[F], F]:
    """The options that every simulated gauge has."""
    options = [
        click.option("--speaks", type=_formats(station), required=True, help="Wire format."),
        click.option(
            "--link",
            type=click.Path(path_type=Path, dir_okay=False),
            help="Serve a pseudo-terminal and make this link to it.",
        ),
        click.option("--tcp", type=click.IntRange(0, 65535), help="Serve this TCP port; 0 takes a free one."),
        click.option(
            "--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same bytes."
        ),
        _number("--speed", 1.0, "How many times faster time passes.", type=ABOVE_ZERO),
        click.option(
            "--baud", type=click.IntRange(50), help="Send no faster than such a line.  [default: no limit]"
        ),
        click.option(
            "--truth", type=click.Path(path_type=Path, dir_okay=False),
            help="Write what really happens to this file (JSON lines).",
        ),
        click.option(
            "--auto/--no-auto", default=None,
            help="Keep measuring without being told; the default when stdin is a terminal.",
        ),
    ]  # fmt: skip

    def add(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def _serve(
    station: "Callable[[TruthFile], Station]",
    *,
    speaks: str,
    link: Path | None,
    tcp: int | None,
    seed: int,
    speed: float,
    baud: int | None,
    truth: Path | None,
    auto: bool | None,
) -> None:
    """Plugs a station in and runs it; what goes wrong becomes one plain message."""
    from simulators.run import Simulator, TruthFile
    from simulators.wire import PtyWire, TcpWire, Wire, WireError

    wire: Wire
    if link is not None and tcp is None:
        wire = PtyWire(link)
    elif tcp is not None and link is None:
        wire = TcpWire(tcp)
    else:
        raise click.UsageError("say where to plug the gauge in: --link PATH or --tcp PORT, one of them")
    try:
        with TruthFile(truth) as facts:
            Simulator(
                station(facts),
                wire,
                FORMATS[speaks],
                truth=facts,
                say=click.echo,
                seed=seed,
                speed=speed,
                auto=sys.stdin.isatty() if auto is None else auto,
                bytes_per_s=None if baud is None else baud / BITS_PER_BYTE,
            ).run()
    except WireError as error:
        raise click.ClickException(str(error)) from error
    except OSError as error:
        if truth is None or error.filename != str(truth):
            raise
        raise click.ClickException(f"cannot write the truth file {truth}: {error.strerror}") from error


@simulate.command()
@_common("force")
@_number("--mass-g", 1000.0, "Block.", type=ABOVE_ZERO)
@_number("--spring-n-per-m", 3000.0, "String and gauge together.", type=ABOVE_ZERO)
@click.option("--surface", default="treated", show_default=True, help="bare, treated, no-drop or stick-slip.")
@_number("--mu-static", None, "Static coefficient of friction instead of the surface's.")
@_number("--mu-kinetic", None, "Kinetic coefficient of friction instead of the surface's.")
@click.option("--hand", default="clean", show_default=True, help="Who pulls, if 'pull' does not say.")
@_number("--rate-hz", None, "Samples per second, 5 to 10000; the default fits the format.")
@_number("--resolution-n", None, "Display step; the default fits the format.")
@_number("--noise-n", 0.005, "sd of white noise.")
@_number("--zero-n", 0.0, "Zero offset.")
@_number("--drift-n-per-h", 0.0, "Zero drift.")
@click.option(
    "--filter",
    "filter_",
    type=click.Choice(["none", "first order", "moving average"]),
    default="none",
    show_default=True,
    help="Filter inside the gauge.",
)
@_number("--filter-s", 0.01, "Its time constant or length.")
@_number("--range-n", 500.0, "Beyond it: overload.")
@click.option("--unit", type=click.IntRange(1, 247), default=1, show_default=True, help="Modbus unit id.")
@click.option("--serial-number", default="EX0042", show_default=True, help="In its SCPI identity.")
def force(
    *, mass_g: float, spring_n_per_m: float, surface: str, mu_static: float | None, mu_kinetic: float | None,
    hand: str, rate_hz: float | None, resolution_n: float | None, noise_n: float, zero_n: float,
    drift_n_per_h: float, filter_: str, filter_s: float, range_n: float, unit: int, serial_number: str,
    **common: Any,
) -> None:  # fmt: skip
    """A force gauge on the string of a friction block.

    \b
    On stdin:
        pull 5 hand=fast        pull; hands: clean steady shaky regrip bump-before
                                bump-after fast slow jerk no-rest held not-released
        surface bare            another panel, or numbers of its own:
        surface mu_static=0.31 mu_kinetic=0.24
        weight 0.2              hang a check weight of so many kg; 0 takes it off
        drift n=0.05            shift the zero; with per_h=0.01 it creeps from then on
        gain 1.005              show that much of the true force; with per_h=0.001
                                it grows by that in an hour from then on
        unit lbf, mode peak, battery low    where the format says them
        freeze on               show the last value for ever; freeze off ends it
        error -230              into the queue of a SCPI gauge
        refuse 4                answer with that exception (Modbus); 0 ends it

    Example: panelwright simulate force --speaks force-stream-n --link gauge --mu-static 0.3
    """
    import dataclasses

    from simulators.asked_force import ModbusForceStation, ScpiForceStation
    from simulators.force import HANDS, SURFACES, Rig
    from simulators.force_station import ForceStation
    from simulators.front import GaugeFront

    default_hz, default_n = FORCE_DEFAULTS[common["speaks"]]
    for name, chosen, known in (("--surface", surface, SURFACES), ("--hand", hand, HANDS)):
        if chosen not in known:
            raise click.BadParameter(f"{chosen!r} is not one of {', '.join(known)}", param_hint=name)
    numbers = {"mu_static": mu_static, "mu_kinetic": mu_kinetic}
    try:
        panel = dataclasses.replace(SURFACES[surface], **{k: v for k, v in numbers.items() if v is not None})
        front = GaugeFront(
            rate_hz=default_hz if rate_hz is None else rate_hz,
            resolution_n=default_n if resolution_n is None else resolution_n,
            noise_n=noise_n,
            zero_n=zero_n,
            drift_n_per_h=drift_n_per_h,
            filter=filter_,  # type: ignore[arg-type]  # the choices of the option
            filter_s=filter_s,
            range_n=range_n,
        )
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    rig = Rig(mass_kg=mass_g / 1000.0, spring_n_per_m=spring_n_per_m)

    def station(truth: "TruthFile") -> "Station":
        given: dict[str, Any] = {
            "speaks": common["speaks"], "surface": panel, "hand": HANDS[hand], "rig": rig, "front": front,
            "seed": common["seed"],
        }  # fmt: skip
        if common["speaks"] == "modbus-force":
            return ModbusForceStation(truth, unit=unit, **given)
        if common["speaks"] == "scpi-force":
            return ScpiForceStation(truth, serial_number=serial_number, **given)
        return ForceStation(truth, **given)

    _serve(station, **common)


@simulate.command()
@_common("gloss")
@click.option("--panel", default="20=85 60=93 85=97", show_default=True, help="Mean gloss in GU per angle.")
@click.option(
    "--tile", default="20=92.3 60=95.4 85=99.1", show_default=True, help="Assigned values of the tile."
)
@click.option(
    "--angle", type=click.Choice(["20", "60", "85"]), default="60", show_default=True, help="At power-up."
)
@_number("--scatter-gu", 0.4, "sd from spot to spot.")
@_number("--noise-gu", 0.05, "sd of the meter itself.")
@_number("--drift-gu-per-h", 0.0, "At full gloss.")
@_number("--warm-up-gu", 0.0, "Error at power-up.")
@_number("--warm-up-s", 600.0, "How fast it dies away.", type=ABOVE_ZERO)
def gloss(
    *, panel: str, tile: str, angle: str, scatter_gu: float, noise_gu: float, drift_gu_per_h: float,
    warm_up_gu: float, warm_up_s: float, **common: Any,
) -> None:  # fmt: skip
    """A glossmeter on a panel or on its tile.

    \b
    On stdin:
        press 10 angle=20       measure ten times; every_s=2 apart
        panel 20=88.4 60=91.0 scatter=0.3      put it on the panel
        tile                    put it on the tile
        drift gu=-0.8           shift it; gu_per_h=0.5 lets it drift

    Example: panelwright simulate gloss --speaks gloss-key --link gloss --panel "20=88.4 60=91.0"
    """
    from simulators.gloss import Drift, Glossmeter, Target
    from simulators.gloss_station import GlossStation

    try:
        on_panel = Target("panel", _angles(panel), scatter_gu)
        on_tile = Target("tile", _angles(tile))
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    drift = Drift(gu_per_h=drift_gu_per_h, warm_up_gu=warm_up_gu, warm_up_s=warm_up_s)
    meter = Glossmeter(Random(f"gloss {common['seed']}"), drift, noise_gu=noise_gu)

    def station(truth: "TruthFile") -> "Station":
        return GlossStation(
            truth, speaks=common["speaks"], meter=meter, panel=on_panel, tile=on_tile, angle_deg=int(angle)
        )

    _serve(station, **common)


def _angles(text: str) -> dict[int, float]:
    try:
        pairs = [part.split("=") for part in text.split()]
        return {int(angle): float(value) for angle, value in pairs}
    except ValueError as error:
        raise ValueError(f"{text!r} is not a list of angle=value; for example: 20=88.4 60=91.0") from error


@simulate.command()
@_common("wash")
@_number("--strokes-per-min", 37.0, "Pace.", type=click.FloatRange(1, 600))
@_number("--jitter", 0.02, "Relative sd of the time between strokes.", type=click.FloatRange(0, 0.3))
def wash(*, strokes_per_min: float, jitter: float, **common: Any) -> None:
    """The stroke counter of a wash machine.

    \b
    On stdin:
        strokes 50              wash
        pace 35                 strokes a minute
        reset                   switch off and on: the count starts anew

    A contact (contact-wash) is served on TCP only: a pseudo-terminal has no control lines to be switched.

    Example: panelwright simulate wash --speaks wash-stroke --link wash
    """
    from simulators.contact import ContactStation
    from simulators.wash import StrokeCounter
    from simulators.wash_station import WashStation

    counter = StrokeCounter(Random(f"wash {common['seed']}"), strokes_per_min, jitter)

    def station(truth: "TruthFile") -> "Station":
        if common["speaks"] == "contact-wash":
            return ContactStation(truth, counter=counter, rng=Random(f"bounce {common['seed']}"))
        return WashStation(truth, speaks=common["speaks"], counter=counter)

    if common["speaks"] == "contact-wash" and common["link"] is not None:
        raise click.UsageError("a pseudo-terminal has no control lines for a contact; use --tcp PORT")
    _serve(station, **common)


@simulate.command()
@_common("room")
@click.option("--unit", type=click.IntRange(1, 247), help="Modbus unit id.  [default: as described]")
def room(*, unit: int | None, **common: Any) -> None:
    """Room climate, panel temperature, a balance or a UV radiometer.

    \b
    On stdin:
        set temperature=26.5 humidity=61    what there is: temperature humidity (modbus-climate),
                                            panel-1 panel-2, mass, irradiance
        break humidity, mend humidity       its sensor
        refuse 4                            answer with that exception (Modbus); 0 ends it

    Example: panelwright simulate room --speaks modbus-climate --link climate
    """
    from simulators.room import RoomStation

    def station(truth: "TruthFile") -> "Station":
        rng = Random(f"room {common['seed']}")
        return RoomStation(truth, speaks=common["speaks"], rng=rng, unit=unit)

    _serve(station, **common)


@simulate.command()
@_common("bus")
def bus(**common: Any) -> None:
    """Several Modbus gauges on one line: a force transmitter (unit 1) and panel thermometers (unit 3).

    \b
    On stdin: as for force and room, to whichever knows the command (refuse: the force transmitter).

    Example: panelwright simulate bus --speaks modbus-bus --link bus
    """
    from simulators.asked_force import ModbusForceStation
    from simulators.force import HANDS, SURFACES, Rig
    from simulators.front import GaugeFront
    from simulators.room import BusStation, RoomStation

    rate_hz, step_n = FORCE_DEFAULTS["modbus-force"]

    def station(truth: "TruthFile") -> "Station":
        pulled = ModbusForceStation(
            truth, speaks="modbus-force", surface=SURFACES["treated"], hand=HANDS["clean"],
            rig=Rig(mass_kg=1.0), front=GaugeFront(rate_hz=rate_hz, resolution_n=step_n, noise_n=0.005),
            seed=common["seed"],
        )  # fmt: skip
        warmed = RoomStation(truth, speaks="modbus-panel", rng=Random(f"room {common['seed']}"))
        return BusStation(truth, [pulled, warmed])

    _serve(station, **common)


if __name__ == "__main__":
    simulate()
