"""The panels of a bench: colour, zones and history, worked out from the journal.

A panel need not be listed to be used; what is listed is known by its colour, may have an untreated control
zone, and remembers how often it was polished. Bare values belong to a panel as it is: polishing ends them.
"""

from dataclasses import dataclass, replace
from datetime import datetime

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.journal import Journal
from acquire.protocol_events import PanelEvent
from drivers.keys import nearest, one_line

CONTROL = "control"
"""The zone that stays untreated."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel as the journal knows it now."""

    name: str
    colour: str
    zones: tuple[str, ...]
    added_utc: datetime
    polished_n: int = 0
    polished_utc: datetime | None = None
    polished_seq: int = 0
    """Place in the journal of the newest polishing; 0: never."""
    retired: str | None = None
    """Why it is no longer used."""

    @property
    def has_control(self) -> bool:
        return CONTROL in self.zones

    @property
    def polished(self) -> str:
        """How often, in words; only what this journal knows."""
        if self.polished_n < 2:
            return "polished once" if self.polished_n else "not polished yet"
        return f"polished {self.polished_n} times"


def panels_of_bench(journal: Journal) -> dict[str, Panel]:
    """Every listed panel by its name, in the order they were listed."""
    known: dict[str, Panel] = {}
    for event, one in facts(journal, "panel", PanelEvent):
        before = known.get(one.panel)
        if one.what == "added":
            known[one.panel] = Panel(one.panel, one.colour, one.zones, one.t_utc)
        elif before is not None and one.what == "polished":
            known[one.panel] = replace(
                before, polished_n=before.polished_n + 1, polished_utc=one.t_utc, polished_seq=event.seq
            )
        elif before is not None:
            known[one.panel] = replace(before, retired=one.reason or "retired")
    return known


def panel_named(journal: Journal, name: str) -> Panel:
    """Raises ConfigError with the nearest known name."""
    known = panels_of_bench(journal)
    if name not in known:
        there = nearest(name, list(known)) if known else "none is listed yet"
        raise ConfigError(
            f"there is no panel {name!r} in the journal; {there}",
            hint=f"list it: panelwright panel add {name} --colour COLOUR",
        )
    return known[name]


def add_panel(
    journal: Journal, clock: Clock, name: str, *, colour: str, zones: tuple[str, ...] = ()
) -> PanelEvent:
    """Lists a panel.

    Raises:
        ConfigError: it is listed already, or a name is none.
    """
    for what, text in (("a panel", name), ("a colour", colour), *(("a zone", zone) for zone in zones)):
        try:
            one_line(text)
        except ValueError as error:
            raise ConfigError(f"the name of {what} {error}", hint="choose another name") from error
    if len(set(zones)) != len(zones):
        raise ConfigError("a zone is named twice", hint="name each zone once")
    if name in panels_of_bench(journal):
        raise ConfigError(
            f"there is a panel {name!r} already", hint="panelwright panel list shows what is known of it"
        )
    return _write(
        journal, clock, PanelEvent(panel=name, what="added", colour=colour, zones=zones, t_utc=clock.utc())
    )


def retire_panel(journal: Journal, clock: Clock, name: str, *, reason: str) -> PanelEvent:
    """Takes a panel out of use.

    Raises:
        ConfigError: it is not listed, retired already, or no reason is given.
    """
    usable(journal, name)
    if not reason.strip():
        raise ConfigError("retiring a panel needs its reason", hint="say why; it stays with the panel")
    return _write(journal, clock, PanelEvent(panel=name, what="retired", reason=reason, t_utc=clock.utc()))


def usable(journal: Journal, name: str) -> Panel:
    """The panel of that name.

    Raises:
        ConfigError: it is not listed, or was retired.
    """
    panel = panel_named(journal, name)
    if panel.retired is not None:
        raise ConfigError(f"panel {name!r} was retired: {panel.retired}", hint="take another panel")
    return panel


def _write(journal: Journal, clock: Clock, event: PanelEvent) -> PanelEvent:
    journal.append("panel", event, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return event
