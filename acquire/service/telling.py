"""Tells, and writes down, what becomes of a gauge's port and what is wrong with what comes through it."""

from collections.abc import Callable, Sequence

from acquire.calibration.brackets import Bracket
from acquire.calibration.history import Incident, IncidentKind
from acquire.journal import Journal
from acquire.logger import Logger
from acquire.model import Amendment
from acquire.notes import Note, Tell
from acquire.ports import PortEvent
from acquire.publications import resting_on
from acquire.service.opening import OpenGauge

UNHEARD = ("silent", "no reply")
"""How the watch over a port begins when nothing comes through a port that is open."""


BATTERY_LOW = "low battery"
MOST_FIGURES = 4
"""So many published figures are named in one note; the rest are counted."""


class PortNews:
    """Each piece of news is told once.

    Args:
        after: what takes the proof from the checks of a gauge, by its rules.
    """

    def __init__(self, logger: Logger, tell: Tell, after: Callable[[str], Sequence[str]]) -> None:
        self._logger, self._tell, self._after = logger, tell, after

    def complain(self, one: OpenGauge) -> None:
        """Another gauge than expected, one that does not answer, or bytes that make no sense: told once."""
        refused = one.line.stream.complaint
        expecting = one.task is not None and not one.task.done
        now_us = one.recorder.now_us()
        complaint = one.health.trouble(now_us, expecting=expecting)
        # Another gauge at the plug is worse news than what it sends; no reply while bytes arrive is not.
        if refused and not (complaint and refused.startswith(UNHEARD)):
            complaint = refused
        # A port that was only just opened again has proved nothing yet.
        if complaint == one.complaint or (complaint is None and not one.health.well):
            return
        one.complaint = complaint
        gauge = one.line.gauge
        if complaint is None:
            self._tell(Note("port", "answers as it should again", gauge))
            return
        is_refused = complaint == refused
        what = f"{'refused' if is_refused else 'in doubt'}: {complaint}"
        self._logger.record_incident(
            Incident(
                gauge=gauge, t_utc=one.recorder.utc_at(now_us), what=what, needs_check=False, kind="trouble"
            )
        )
        self._tell(Note("lost" if is_refused else "trouble", complaint, gauge))

    def port(self, one: OpenGauge, event: PortEvent) -> None:
        """The port was opened or lost."""
        gauge = one.line.gauge
        if event.kind == "lost":
            one.lost = event.note
            unheard = event.note.startswith(UNHEARD)
            # A port that opens and stays silent is lost again and again; that is told once.
            if unheard and one.unheard:
                return
            one.unheard = unheard
            self._logger.record_incident(
                Incident(
                    gauge=gauge,
                    t_utc=event.t_utc,
                    what=f"lost: {event.note}",
                    needs_check=False,
                    kind="port",
                )
            )
            trying = "trying to get it back" if one.opened else "waiting for it"
            if unheard and not one.line.stream.samples:
                trying += "; it has not sent a value yet: is it on, are its speed and description right?"
            self._tell(Note("lost", f"{event.note}; {trying}", gauge))
            return
        again = "back" if one.opened else "open"
        back = one.opened and bool(one.lost)
        one.opened, one.lost = True, ""
        one.device = event.note
        if not one.unheard:
            self._tell(Note("port", f"{again} on {event.note}", gauge))
            if back:
                self._replugged(one, event, "plugged in again")

    def heard(self, one: OpenGauge, event: PortEvent) -> None:
        """Bytes came."""
        if one.unheard:
            one.unheard = False
            self._tell(Note("port", f"back on {one.device}", one.line.gauge))
            # Whether it was frozen or switched off, nobody can tell from here.
            self._replugged(one, event, "silent, and came back")
        self._look_at_battery(one, event)

    def _replugged(self, one: OpenGauge, event: PortEvent, what: str) -> None:
        """Where the gauge's rules ask for a check after it, the checks before no longer count."""
        gauge = one.line.gauge
        if "re-plug" in self._after(gauge):
            self._note(gauge, event, what, "re-plug", needs_check=True)
            self._tell(Note("trouble", f"was {what}: by its rules it needs a check before it counts", gauge))

    def _look_at_battery(self, one: OpenGauge, event: PortEvent) -> None:
        latest = one.line.stream.latest
        if latest is None or not len(latest):
            return
        low = BATTERY_LOW in latest.kinds[int(latest.kind_index[-1])].flags
        if low and not one.battery_low:
            gauge = one.line.gauge
            self._note(gauge, event, "running on a low battery", "battery low", needs_check=False)
            self._tell(Note("trouble", "says that its battery is low", gauge))
        one.battery_low = low

    def _note(
        self, gauge: str, event: PortEvent, what: str, kind: IncidentKind, *, needs_check: bool
    ) -> None:
        self._logger.record_incident(
            Incident(gauge=gauge, t_utc=event.t_utc, what=what, needs_check=needs_check, kind=kind)
        )


def bracket_in_words(bracket: Bracket) -> str:
    """What a check that did not fail says of the readings before it."""
    one = bracket.n == 1
    named = bracket.first if one else f"{bracket.first} to {bracket.last}"
    which = f"{bracket.n} reading{'' if one else 's'} since the check before ({named})"
    if bracket.verdict == "confirmed":
        return f"{which}: confirmed"
    return f"{which}: neither confirmed nor in doubt, as this check could not decide"


def doubts_in_words(journal: Journal, doubts: Sequence[Amendment]) -> str:
    """All that one failed check puts in doubt, and the published figures that rest on it."""
    named = doubts[0].reading if len(doubts) == 1 else f"{doubts[0].reading} to {doubts[-1].reading}"
    noun = "reading is" if len(doubts) == 1 else "readings are"
    said = f"{len(doubts)} earlier {noun} doubtful now ({named}): {doubts[0].reason}"
    figures = resting_on(journal, {doubt.reading for doubt in doubts})
    if not figures:
        return said
    names = [f"{figure.name} of {trial} in {publication.where}" for publication, trial, figure in figures]
    more = f" and {len(names) - MOST_FIGURES} more" if len(names) > MOST_FIGURES else ""
    listed = "; ".join(names[:MOST_FIGURES]) + more
    return f"{said}. Published figures touched: {listed}. See: panelwright touched"
