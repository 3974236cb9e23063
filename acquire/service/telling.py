"""Tells, and writes down, what becomes of a gauge's port and what is wrong with what comes through it."""

from acquire.calibration.stamp import Incident
from acquire.logger import Logger
from acquire.notes import Note, Tell
from acquire.ports import PortEvent
from acquire.service.opening import OpenGauge

UNHEARD = ("silent", "no reply")
"""How the watch over a port begins when nothing comes through a port that is open."""


class PortNews:
    """Each piece of news is told once."""

    def __init__(self, logger: Logger, tell: Tell) -> None:
        self._logger, self._tell = logger, tell

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
            Incident(gauge=gauge, t_utc=one.recorder.utc_at(now_us), what=what, needs_check=False)
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
                Incident(gauge=gauge, t_utc=event.t_utc, what=f"lost: {event.note}", needs_check=False)
            )
            trying = "trying to get it back" if one.opened else "waiting for it"
            if unheard and not one.line.stream.samples:
                trying += "; it has not sent a value yet: is it on, are its speed and description right?"
            self._tell(Note("lost", f"{event.note}; {trying}", gauge))
            return
        again = "back" if one.opened else "open"
        one.opened, one.lost = True, ""
        one.device = event.note
        if not one.unheard:
            self._tell(Note("port", f"{again} on {event.note}", gauge))

    def heard(self, one: OpenGauge) -> None:
        """Bytes came."""
        if one.unheard:
            one.unheard = False
            self._tell(Note("port", f"back on {one.device}", one.line.gauge))
