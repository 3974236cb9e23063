"""What a person says of a gauge, checked and written down: it was dropped, or a doubt was none."""

from collections.abc import Sequence

from acquire.bench import Bench
from acquire.calibration.history import Incident, IncidentKind
from acquire.calibration.rules import rules_for
from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.journal import Draft, Journal
from acquire.known import amendments_of, check_named
from acquire.logger import Logger
from acquire.model import Amendment

KINDS: dict[str, IncidentKind] = {
    "dropped": "drop",
    "battery changed": "battery change",
    "adjusted": "adjustment",
    "re-plugged": "re-plug",
    "other": "other",
}
"""What a person calls it, and what the rules call it."""
_SAID = {"battery changed": "given a new battery"}


def report_incident(
    journal: Journal,
    bench: Bench,
    clock: Clock,
    gauge: str,
    what: str,
    *,
    note: str = "",
    harmless: bool = False,
    by: str = "",
) -> Incident:
    """Writes down what happened to a gauge. Its rules say whether it must be checked then.

    Args:
        what: one of `KINDS`. After "other" it must be checked, as the rules cannot know.
        harmless: after "other": it need not.

    Raises:
        ConfigError: there is no such gauge, or it is not said what happened.
    """
    rules, kind = rules_for(bench, gauge), KINDS[what]
    if kind == "other" and not note.strip():
        raise ConfigError("it is not said what happened", hint="say it with --note")
    if harmless and kind != "other":
        raise ConfigError(
            f"whether a gauge that was {what} must be checked is for its rules to say",
            hint=f"edit after = [...] in [gauges.{gauge}.rules] of bench.toml",
        )
    said = note if kind == "other" else f"{_SAID.get(what, what)}{f' ({note})' if note else ''}"
    incident = Incident(
        gauge=gauge,
        t_utc=clock.utc(),
        what=said,
        needs_check=not harmless if kind == "other" else kind in rules.after,
        kind=kind,
        by=by,
    )
    Logger(journal, bench, clock, lambda _: None).record_incident(incident)
    return incident


def clear_doubts(
    journal: Journal, clock: Clock, readings: Sequence[str], *, check: str | None, reason: str, by: str
) -> list[str]:
    """Takes back the doubt on readings, or on all that one check put in doubt.

    Args:
        check: its id, or its number in the journal.

    Returns:
        Ids of the readings whose doubt was taken back.

    Raises:
        ConfigError: none is named, one of them is not in doubt, or no reason is given.
    """
    if bool(readings) == bool(check):
        raise ConfigError("name readings, or the check that put them in doubt", hint="one of the two")
    if not reason.strip():
        raise ConfigError("to take a doubt back needs its reason", hint="say why; it is kept with it")
    named = check_named(journal, check) if check else None
    check = named.id if named else check
    cleared: list[str] = []

    def drafts() -> list[Draft]:
        doubts = _doubted_by(journal)
        cleared[:] = readings or [one for one, by_check in doubts.items() if by_check == check]
        if missing := [one for one in cleared if one not in doubts]:
            raise ConfigError(
                f"not in doubt: {', '.join(missing)}",
                hint="panelwright journal --kind amendment lists doubts",
            )
        if not cleared:
            raise ConfigError(
                f"no reading is in doubt by a check {check!r}",
                hint="panelwright journal --kind check lists the checks with their numbers",
            )
        said = (Amendment(reading=one, what="cleared", reason=reason, by=by, check=check) for one in cleared)
        return [Draft("amendment", one) for one in said]

    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return cleared


def _doubted_by(journal: Journal) -> dict[str, str | None]:
    """Readings in doubt, each with the check that put it there."""
    found: dict[str, str | None] = {}
    for reading, amendments in amendments_of(journal).items():
        for amendment in amendments:
            if amendment.what == "doubtful":
                found[reading] = amendment.check
            elif amendment.what == "cleared":
                found.pop(reading, None)
    return found
