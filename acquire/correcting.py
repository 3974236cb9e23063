"""Corrections of a gauge as a person switches them on and off: checked, then written to the journal."""

from acquire.calibration.checks import Check
from acquire.calibration.correction import Correction, active_correction, fit_correction
from acquire.chain import Event, utc_text
from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.facts import facts, read_fact
from acquire.journal import Journal
from acquire.known import check_named
from drivers.keys import one_line

LATEST = "latest"


def switch_on(
    journal: Journal, clock: Clock, gauge: str, from_check: str, *, by: str, reason: str
) -> Correction:
    """Fits a correction to a check at several loads, and uses it from here on.

    Args:
        from_check: id or number of the check's event, or "latest" for the newest one at several loads.

    Raises:
        ConfigError: there is no such check of that gauge, or it was at one value only.
        JournalError: nothing was written.
    """
    event, check = _check(journal, gauge, from_check)
    now = clock.utc()
    correction = fit_correction(
        check,
        id=_id(gauge, check.channel, utc_text(now)),
        from_check=event.id,
        by=_said(by, "by"),
        reason=_said(reason, "reason"),
        t_utc=now,
    )
    _write(journal, clock, correction)
    return correction


def switch_off(
    journal: Journal, clock: Clock, gauge: str, *, by: str, reason: str, channel: str | None = None
) -> Correction:
    """From here on the gauge is used as it shows.

    Raises:
        ConfigError: no correction of it is in use.
        JournalError: nothing was written.
    """
    used = correction_in_use(journal, gauge, channel)
    if used is None:
        raise ConfigError(
            f"no correction of {gauge} is in use",
            hint=f"switch one on with: panelwright correct {gauge} --from {LATEST} --by NAME --reason TEXT",
        )
    now = clock.utc()
    correction = Correction(
        id=_id(gauge, channel, utc_text(now)),
        gauge=gauge,
        channel=channel,
        on=False,
        unit=used.unit,
        by=_said(by, "by"),
        reason=_said(reason, "reason"),
        t_utc=now,
    )
    _write(journal, clock, correction)
    return correction


def correction_in_use(journal: Journal, gauge: str, channel: str | None = None) -> Correction | None:
    """The correction of a gauge that is switched on now.

    Raises:
        JournalError: the journal cannot be read.
    """
    return active_correction((fact for _, fact in facts(journal, "correction", Correction)), gauge, channel)


def _id(gauge: str, channel: str | None, at: str) -> str:
    return f"correction.{gauge}.{channel or 'all'}.{at}"


def _check(journal: Journal, gauge: str, from_check: str) -> tuple[Event, Check]:
    if from_check != LATEST:
        event = check_named(journal, from_check)
        if event is None:
            raise ConfigError(
                f"the journal has no check {from_check!r}",
                hint=f"give the number of one, or {LATEST!r}: panelwright journal --kind check lists them",
            )
        check = read_fact(Check, event)
        if check.gauge != gauge:
            raise ConfigError(
                f"{from_check} is a check of {check.gauge}, not of {gauge}", hint=f"name {check.gauge}"
            )
        return event, check
    newest = None
    for event, check in facts(journal, "check", Check):
        if check.gauge == gauge and check.points:
            newest = event, check
    if newest is None:
        raise ConfigError(
            f"{gauge} has no check at several loads yet",
            hint=f"make one with: panelwright check {gauge} --against WEIGHT,WEIGHT,WEIGHT",
        )
    return newest


def _said(text: str, option: str) -> str:
    try:
        return one_line(text)
    except ValueError as error:
        raise ConfigError(f"--{option} {error}", hint="say it in one line") from error


def _write(journal: Journal, clock: Clock, correction: Correction) -> None:
    journal.append(
        "correction",
        correction,
        t_utc=clock.utc(),
        t_mono_ns=clock.monotonic_ns(),
        event_id=correction.id,
    )
