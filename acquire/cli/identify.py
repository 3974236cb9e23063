"""`panelwright identify`: finds out how a gauge speaks and writes a description of it."""

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.cli.identify_said import RANGE, REGISTERS, UNIT, UNITS_ON_LINE, Said
from acquire.cli.identify_write import free_name, refuse_taken, write
from acquire.cli.options import echo_json, home_option, json_option

if TYPE_CHECKING:
    from acquire.identify import Heard, Understood
    from acquire.identify.ask import Answer, Requests
    from acquire.identify.session import Session
    from drivers.description import GaugeDescription

SHOWN_N = 5


@click.command(epilog="Example:  panelwright identify serial:/dev/ttyUSB0 --home my-bench")
@click.argument("port")
@click.option("--listen-only", is_flag=True, help="Send nothing at all, even if the gauge stays silent.")
@click.option("--serial", "setting", help="Serial setting if you know it, such as 9600-8N1 or 19200-7E1.")
@click.option("--name", help="Name of the new description; asked for if left out.")
@click.option("--yes", is_flag=True, help="Ask no questions: take what was found, and let it be asked.")
@click.option("--unit", type=UNIT, help="Unit of the value, if the gauge does not print it.")
@click.option("--range", "range_", type=RANGE, help="Lowest and highest value, in its unit.")
@click.option("--resolution", type=click.FloatRange(0, min_open=True), help="Its step, in its unit.")
@click.option(
    "--ask-measure",
    is_flag=True,
    help="SCPI: also ask MEAS queries, which may set a meter up anew. --yes does not imply this.",
)
@click.option("--units", type=UNITS_ON_LINE, help="Modbus: ask only these unit ids.  [default: 1-10]")
@click.option("--registers", type=REGISTERS, help="Modbus: read these registers.  [default: 0-31]")
@click.option(
    "--register",
    "chosen",
    multiple=True,
    metavar="ADDRESS:TYPE",
    help="Modbus: this is the value, such as 10:float32:CDAB or 0:int16*0.1=degC,-40..85. Can be repeated.",
)
@home_option
@json_option
def identify(
    *, port: str, listen_only: bool, setting: str | None, name: str | None, yes: bool, unit: str | None,
    range_: tuple[float, float] | None, resolution: float | None, ask_measure: bool, units: list[int] | None,
    registers: list[int] | None, chosen: tuple[str, ...], home: Path, as_json: bool,
) -> None:  # fmt: skip
    """Find out how the gauge at PORT speaks, and write a description of it for you to confirm.

    It listens first, at each usual speed. Only if nothing is heard, and only after naming each request, it
    asks for a value. Nothing is sent that could zero, set or switch a gauge; but at a wrong speed a request
    arrives as other bytes, so ask only where no machine could be set in motion by a stray byte.
    """
    from acquire.identify.heard import CannotTell

    def tell(text: str) -> None:
        click.echo(text, err=as_json)

    if name is not None:
        refuse_taken(name, home)
    said = Said(not (yes or as_json), unit, range_, resolution, chosen, ask_measure)
    session = _session(port, setting, tell, lambda found: _may_ask(found, tell, listen_only, yes))
    try:
        heard = session.listen()
        if heard is None:
            requests = _requests(units, registers)
            answer = session.ask(requests)
            if answer is None:
                raise CannotTell("the gauge says nothing" if listen_only else "the gauge does not answer")
            if answer.request.kind != "line":
                _asked(session, answer, requests, said, port, name, home, as_json)
                return
            heard = session.poll(answer)
        _understand(heard, port, name, said, home, as_json)
    except CannotTell as error:
        raise click.ClickException(f"{port}: {error}\n  {error.hint or _LOOK}") from error
    except KeyboardInterrupt:
        raise click.ClickException("stopped; nothing was written") from None


_LOOK = (
    "Is it switched on, and is its cable the right one? panelwright watch shows its bare bytes. A dry "
    "contact on a control line sends none: copy contact-wash.toml from the shipped gauges."
)


def _requests(units: list[int] | None, registers: list[int] | None) -> "Requests":
    from acquire.identify.ask import load_requests

    requests = load_requests()
    if registers is not None:
        requests = requests.reading(registers[0], registers[-1])
    return requests if units is None else requests.only_modbus(units)


def _asked(
    session: "Session", answer: "Answer", requests: "Requests", said: Said, port: str, name: str | None,
    home: Path, as_json: bool,
) -> None:  # fmt: skip
    from acquire.cli.identify_asked import make, show

    made = make(session, answer, requests, said)
    found = made.description
    if as_json:
        echo_json(made.as_data())
        if name is None:
            return
    else:
        show(made)
    unit = "".join(one for one in found.unit.lower() if one.isalnum())
    default = "-".join(part for part in (found.quantity, made.family, unit) if part)
    write(
        found.text, name or free_name(default, home), port=port, ask=said.ask and name is None, home=home,
        as_json=as_json,
    )  # fmt: skip


def _session(
    port: str, setting: str | None, tell: Callable[[str], None], may_ask: "Callable[[Requests], bool]"
) -> "Session":
    from acquire.address import parse_address
    from acquire.clock import SystemClock
    from acquire.identify.session import Session, parse_setting, speed_matters
    from acquire.ports.owner import connect_to

    try:
        fixed = None if setting is None else parse_setting(setting)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--serial") from error
    address = parse_address(port)
    clock = SystemClock()
    return Session(
        open_=lambda settings: connect_to(address, settings)(clock.sleep),
        clock=clock,
        tell=tell,
        may_ask=may_ask,
        fixed=fixed,
        has_speed=speed_matters(address, os.path.realpath),
    )


def _may_ask(found: "Requests", tell: Callable[[str], None], listen_only: bool, yes: bool) -> bool:
    if listen_only:
        return False
    tell("It can be asked. Each of these only asks for something; none sets, zeroes or switches anything:")
    for row in found.in_words():
        tell(f"  {row}")
    return yes or click.confirm("Send them, one after the other, until it answers?", err=True)


def _understand(heard: "Heard", port: str, name: str | None, said: Said, home: Path, as_json: bool) -> None:
    from acquire.identify import CannotTell, describe, infer, prove
    from drivers.description import DescriptionError, parse_description

    understood = _with_said(infer(heard), said)
    if said.ask:
        _show_first(understood)
        understood = _ask_tension(understood if said.unit else _ask_unit(understood))
    found = understood.measured
    chosen = name or free_name(_default_name(understood), home)
    text = describe(understood, f"{found.quantity.capitalize()} gauge, found by listening")
    try:
        description = parse_description(text.encode(), chosen)
    except DescriptionError as error:
        raise CannotTell(f"what was understood makes no usable description: {error.faults[0]}") from error
    proof = prove(description, heard)
    if not proof.holds:
        raise CannotTell(
            f"the pattern that was found reads {len(proof.samples)} values and calls "
            f"{len(proof.damaged)} lines damaged, so it is wrong: {proof.damaged[:1]}"
        )
    if as_json:
        echo_json(_as_data(understood, text, proof.samples, len(proof.damaged)))
        if name is None:
            return
    else:
        _show(understood, description)
    write(text, chosen, port=port, ask=said.ask, home=home, as_json=as_json)


def _with_said(understood: "Understood", said: Said) -> "Understood":
    """A unit, range or step that a person gave; one that contradicts the gauge's own word is refused."""
    from acquire.identify import CannotTell, with_unit
    from acquire.identify.facts import quantity_of

    found = understood.measured
    if said.unit is not None:
        units = [unit for _, unit in found.meanings]
        if units and said.unit not in units:
            raise CannotTell(
                f"the gauge prints {found.unit_word!r}, which is not {said.unit}", "Leave --unit out."
            )
        understood = with_unit(understood, quantity_of(said.unit), said.unit)
    low, high = said.range or (found.low, found.high)
    told = replace(understood.measured, low=low, high=high, resolution=said.resolution or found.resolution)
    return replace(understood, measured=told)


def _default_name(understood: "Understood") -> str:
    found = understood.measured
    mode = understood.rhythm.mode.replace(" ", "-")
    unit = "".join(one for one in found.unit.lower() if one.isalnum())
    return f"{found.quantity}-{mode}-{unit}" if found.quantity != "count" else f"count-{mode}"


def _as_data(understood: "Understood", text: str, samples: Any, damaged_n: int) -> dict[str, Any]:
    found = understood.measured
    values = [None if one.value != one.value else one.value for one in samples[-SHOWN_N:]]
    return {
        "quantity": found.quantity,
        "unit": found.unit,
        "mode": understood.rhythm.mode,
        "rate_hz": understood.rhythm.rate_hz,
        "resolution": found.resolution,
        "range": [found.low, found.high],
        "to_confirm": list(understood.asks),
        "notes": list(understood.notes),
        "last_values": values,
        "samples": len(samples),
        "damaged": damaged_n,
        "description": text,
    }


def _show_first(understood: "Understood") -> None:
    click.echo("\nLast lines heard:")
    for _, line in understood.frames.lines[-SHOWN_N:]:
        click.echo(f"  {line.encode('latin-1')!r}"[:100])


def _ask_unit(understood: "Understood") -> "Understood":
    from acquire.identify import with_unit
    from drivers.description import UNITS

    found = understood.measured
    if found.unit_word and len(found.meanings) < 2:
        return understood
    choices = {f"{kind} {unit}": (kind, unit) for kind, unit in found.meanings} or {
        f"{kind} {unit}": (kind, unit) for kind, units in UNITS.items() for unit in units
    }
    said = f"The gauge prints {found.unit_word!r}" if found.unit_word else "The gauge prints no unit"
    answer = click.prompt(
        f"{said}. What does it measure, and in what",
        type=click.Choice(list(choices), case_sensitive=False),
        default=f"{found.quantity} {found.unit}",
    )
    return with_unit(understood, *choices[answer])


def _ask_tension(understood: "Understood") -> "Understood":
    from acquire.identify import with_tension

    found = understood.measured
    if found.quantity != "force" or not found.may_be_negative:
        return understood
    negative = click.confirm("Pull the hook a little. Does the shown value become negative?", default=False)
    return with_tension(understood, "negative" if negative else "positive")


def _show(understood: "Understood", description: "GaugeDescription") -> None:
    from acquire.identify.describe import whole_pattern
    from acquire.identify.show import marked

    found, rhythm = understood.measured, understood.rhythm
    rate = f" at {rhythm.rate_hz:g} lines/s" if rhythm.rate_hz else ""
    click.echo(f"\nUnderstood: {found.quantity} in {found.unit}, {rhythm.mode}{rate}")
    click.echo(f"  steps of {found.resolution:g}, range {found.low:.10g} to {found.high:.10g} {found.unit}")
    click.echo(f"  pattern  {whole_pattern(understood)}")
    for row in marked(understood, description, SHOWN_N):
        click.echo(f"  {row}")
    for ask in understood.asks:
        click.echo(f"  confirm: {ask}")
    for note in understood.notes:
        click.echo(f"  note: {note}")
