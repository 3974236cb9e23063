"""The gauges' states for the bus: what the journal says of each, and what the service says right now."""

from dataclasses import dataclass, field

from acquire.calibration.checks import Check
from acquire.calibration.history import Incident
from acquire.chain import Event
from acquire.facts import read_fact
from acquire.journal import Journal
from acquire.live import GaugeSeen
from acquire.outputs.mqtt.messages import CheckSeen, GaugeMessage


@dataclass(slots=True)
class _Gauge:
    checks: dict[str | None, CheckSeen] = field(default_factory=dict)
    incident: Incident | None = None
    seen: GaugeSeen | None = None


class Gauges:
    """Keeps one message for each gauge; `changed` hands out those that differ from what was sent."""

    def __init__(self, bench: str) -> None:
        self._bench = bench
        self._gauges: dict[str, _Gauge] = {}
        self._sent: dict[str, GaugeMessage] = {}
        self._seq = 0

    def history(self, journal: Journal) -> None:
        """Takes all that the journal has of checks and incidents.

        Raises:
            JournalError: it cannot be read.
        """
        head, _ = journal.head()
        for kind in ("check", "incident"):
            for event in journal.events(kind, since=self._seq):
                self._take(event)
        self._seq = head

    def event(self, event: Event) -> None:
        """Takes one event, unless the history went further already."""
        if event.seq > self._seq:
            self._seq = event.seq
            self._take(event)

    def _take(self, event: Event) -> None:
        if event.kind == "check":
            check = read_fact(Check, event)
            self._gauge(check.gauge).checks[check.channel] = CheckSeen(
                id=event.id,
                channel=check.channel,
                reference=check.reference,
                t_utc=check.t_utc,
                verdict=check.verdict,
                deviation=check.deviation,
            )
        elif event.kind == "incident":
            incident = read_fact(Incident, event)
            self._gauge(incident.gauge).incident = incident

    def see(self, seen: GaugeSeen) -> None:
        """Takes what the service says."""
        self._gauge(seen.gauge).seen = seen

    def changed(self) -> list[GaugeMessage]:
        """The messages that differ from those handed out before."""
        now = {name: self._message(name, gauge) for name, gauge in self._gauges.items()}
        new = [message for name, message in now.items() if self._sent.get(name) != message]
        self._sent = now
        return new

    def forget_sent(self) -> None:
        """A broker that was started again may have nothing."""
        self._sent = {}

    def _gauge(self, name: str) -> _Gauge:
        return self._gauges.setdefault(name, _Gauge())

    def _message(self, name: str, gauge: _Gauge) -> GaugeMessage:
        seen, incident = gauge.seen, gauge.incident
        taken_n, wanted_n = (seen.progress if seen else None) or (None, None)
        return GaugeMessage(
            bench=self._bench,
            gauge=name,
            port=seen.port if seen else None,
            said=seen.said if seen else "",
            quantity=seen.quantity if seen else None,
            unit=seen.unit if seen else None,
            trial=seen.trial if seen else None,
            step=seen.step if seen else None,
            taken_n=taken_n,
            wanted_n=wanted_n,
            checks=tuple(gauge.checks.values()),
            incident=incident.what if incident else None,
            incident_t_utc=incident.t_utc if incident else None,
        )
