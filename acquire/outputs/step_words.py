"""What happened to panels, steps and blind products, as people read it."""

from acquire.notebook import WrittenNote
from acquire.protocol_events import (
    Application,
    Imported,
    KeptProtocol,
    PanelEvent,
    Sealed,
    StepEvent,
    Unsealed,
)


def step(event: StepEvent) -> str:
    """One sentence for an event of its kind, like every function here."""
    early = " early" if event.early else ""
    by = f", says {event.by}" if event.by else ""
    return f"{event.trial}: {event.step} {event.what}{early}{by}" + (
        f": {event.reason}" if event.reason else ""
    )


def application(one: Application) -> str:
    used = [
        f"{value:g} {unit}"
        for value, unit in (
            (one.sprays, "sprays"),
            (one.mass_g, "g"),
            (one.panel_temperature_degc, "°C panel"),
            (one.air_temperature_degc, "°C air"),
            (one.humidity_percent, "% humidity"),
            (one.wipe_off_min, "min until wiped off"),
        )
        if value is not None
    ]
    note = f" ({one.note})" if one.note else ""
    return f"{one.trial}: product applied on {one.panel}: {', '.join(used)}{note}"


def panel(event: PanelEvent) -> str:
    if event.what == "added":
        zones = f", zones {', '.join(event.zones)}" if event.zones else ""
        return f"panel {event.panel} listed: {event.colour}{zones}"
    return f"panel {event.panel} {event.what}" + (f": {event.reason}" if event.reason else "")


def protocol(kept: KeptProtocol) -> str:
    return f"protocol in use from here on, sha256 {kept.sha256[:12]}"


def sealed(one: Sealed) -> str:
    letters = ", ".join(f"{letter} in {trial}" for letter, trial in one.trials.items())
    return f"{one.id}: {len(one.products)} products sealed under code letters: {letters}"


def unsealed(one: Unsealed) -> str:
    pairs = ", ".join(f"{letter} was {product}" for letter, product in sorted(one.mapping.items()))
    return f"{one.id} unsealed{' early: ' + one.early if one.early else ''}: {pairs}"


def imported(one: Imported) -> str:
    return f"{one.rows_n} earlier results typed in from {one.recording}, sha256 {one.sha256[:12]}"


def note(one: WrittenNote) -> str:
    about = f"{one.trial}, {one.step}" if one.step else one.trial
    by = f", by {one.by}" if one.by else ""
    photo = f" [photograph {one.photo.name}]" if one.photo is not None else ""
    return f"{about}: noted{by}: {one.text}{photo}"
