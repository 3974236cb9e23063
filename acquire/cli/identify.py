"""`panelwright identify`: finds out how a gauge speaks and writes a description of it."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.cli.options import echo_json, home_option, json_option

if TYPE_CHECKING:
    from acquire.identify import Heard, Understood
    from acquire.identify.ask import Requests
    from acquire.identify.registers import OtherFamily
    from acquire.identify.session import Session
    from drivers.description import GaugeDescription

SHOWN_N = 5


@click.command(epilog="Example:  panelwright identify serial:/dev/ttyUSB0 --home my-bench")
@click.argument("port")
@click.option("--listen-only", is_flag=True, help="Send nothing at all, even if the gauge stays silent.")
@click.option("--serial", "setting", help="Serial setting if you know it, such as 9600-8N1 or 19200-7E1.")
@click.option("--name", help="Name of the new description; asked for if left out.")
@click.option("--yes", is_flag=True, help="Ask no questions: take what was found, and let it be asked.")
@home_option
@json_option
def identify(
    port: str, listen_only: bool, setting: str | None, name: str | None, yes: bool, home: Path, as_json: bool
) -> None:
    """Find out how the gauge at PORT speaks, and write a description of it for you to confirm.

    It listens first, at each usual speed. Only if nothing is heard, and only after naming each request, it
    asks for a value. Nothing is sent that could zero, set or switch a gauge; but at a wrong speed a request
    arrives as other bytes, so ask only where no machine could be set in motion by a stray byte.
    """
    from acquire.identify.ask import load_requests
    from acquire.identify.heard import CannotTell

    def tell(text: str) -> None:
        click.echo(text, err=as_json)

    if name is not None:
        _refuse_taken(name, home)
    session = _session(port, setting, tell, lambda found: _may_ask(found, tell, listen_only, yes))
    try:
        heard = session.listen()
        if heard is None:
            requests = load_requests()
            answer = session.ask(requests)
            if answer is None:
                raise CannotTell("the gauge says nothing" if listen_only else "the gauge does not answer")
            if answer.request.kind != "line":
                from acquire.identify.registers import look_closer

                _other(look_closer(session.open_, session.clock, answer, requests.scpi), as_json)
                return
            heard = session.poll(answer)
        _understand(heard, port, name, yes, home, as_json)
    except CannotTell as error:
        hint = "Is it switched on, and is its cable the right one? panelwright watch shows its bare bytes."
        raise click.ClickException(f"{port}: {error}\n  {hint}") from error
    except KeyboardInterrupt:
        raise click.ClickException("stopped; nothing was written") from None


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
    for request in found.all():
        tell(f"  {request.send!r:40} {request.why}")
    return yes or click.confirm("Send them, one after the other, until it answers?", err=True)


def _other(found: "OtherFamily", as_json: bool) -> None:
    if as_json:
        echo_json({"family": found.family, "found": list(found.lines), "description": found.text or None})
        return
    for line in found.lines:
        click.echo(line)
    if found.text:
        click.echo(f"\nA description to begin with:\n\n{found.text}")


def _understand(heard: "Heard", port: str, name: str | None, yes: bool, home: Path, as_json: bool) -> None:
    from acquire.identify import CannotTell, describe, infer, prove
    from drivers.description import DescriptionError, parse_description

    understood = infer(heard)
    if not yes and not as_json:
        _show_first(understood)
        understood = _ask_tension(_ask_unit(understood))
    found = understood.measured
    chosen = name or _free_name(_default_name(understood), home)
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
    _write(text, chosen, port=port, ask=not (yes or as_json), home=home, as_json=as_json)


def _default_name(understood: "Understood") -> str:
    found = understood.measured
    mode = understood.rhythm.mode.replace(" ", "-")
    unit = "".join(one for one in found.unit.lower() if one.isalnum())
    return f"{found.quantity}-{mode}-{unit}" if found.quantity != "count" else f"count-{mode}"


def _free_name(name: str, home: Path) -> str:
    from acquire.home import Home

    taken = {path.stem for path in Home(home).gauges.glob("*.toml")}
    names = [name, *(f"{name}-{number}" for number in range(2, 100))]
    return next((one for one in names if one not in taken), name)


def _refuse_taken(name: str, home: Path) -> None:
    """Before minutes of listening, not after."""
    from acquire.home import Home

    path = Home(home).gauges / f"{Path(name).name}.toml"
    if path.exists():
        raise click.ClickException(f"{path} exists already; choose another --name")


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


def _write(text: str, name: str, *, port: str, ask: bool, home: Path, as_json: bool) -> None:
    from acquire.address import parse_address
    from acquire.home import Home

    if ask:
        name = click.prompt("Name of the description", default=name)
    path = Home(home).gauges / f"{Path(name).name}.toml"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # Never over an existing file: somebody may have mended it by hand.
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise click.ClickException(f"{path} exists already; choose another --name") from error
    except OSError as error:
        raise click.ClickException(f"{path} cannot be written: {error.strerror}") from error
    address = parse_address(port)
    click.echo(f"\nwrote {path}. Read it, then put into {Home(home).bench_file}:", err=as_json)
    click.echo(f'\n[gauges.my-gauge]\ndescription = "{path.stem}"\nport = "{address}"', err=as_json)
    click.echo("tolerance = { absolute = ... }  # in the unit of the gauge", err=as_json)
