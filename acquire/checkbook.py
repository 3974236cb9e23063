"""What the journal says of whether a gauge was right: checks, incidents, corrections, certificates, air."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from acquire.bench import Certificate, parse_bench
from acquire.calibration.brackets import Bracket
from acquire.calibration.checks import AbortedCheck, Check
from acquire.calibration.correction import Correction
from acquire.calibration.history import Incident, Known
from acquire.calibration.series import Series, series_of
from acquire.errors import ConfigError
from acquire.facts import facts, read_fact
from acquire.journal import Journal
from acquire.known import History
from acquire.model import BenchText, Climate

NEAR = timedelta(minutes=30)
"""A temperature this far from a check still is of its air."""


@dataclass(frozen=True, slots=True)
class CertificateSince:
    """A certificate as the bench file named it from some moment on; None: it named none."""

    t_utc: datetime
    certificate: Certificate | None


@dataclass(frozen=True, slots=True)
class Checkbook:
    """What the journal holds on one gauge, each in the journal's order."""

    gauge: str
    known: tuple[Known, ...]
    """Checks and incidents."""
    aborted: tuple[AbortedCheck, ...]
    corrections: tuple[Correction, ...]
    brackets: tuple[Bracket, ...]
    certificates: tuple[CertificateSince, ...]
    """One entry for each change; empty where the journal holds no bench file."""

    @property
    def checks(self) -> list[tuple[str, Check]]:
        """With the ids of their events."""
        return [(known.id, known.fact) for known in self.known if isinstance(known.fact, Check)]

    @property
    def incidents(self) -> list[Incident]:
        return [known.fact for known in self.known if isinstance(known.fact, Incident)]

    @property
    def series(self) -> list[Series]:
        return series_of((check for _, check in self.checks), self.gauge)

    @property
    def adjusted(self) -> datetime | None:
        """When the gauge last became another one: adjusted, or back with another certificate."""
        moments = [one.t_utc for one in self.incidents if one.kind == "adjustment"]
        moments += [one.t_utc for one in self.certificates[1:]]
        return max(moments, default=None)


def checkbook(journal: Journal, gauge: str) -> Checkbook:
    """Reads the checkbook of one gauge.

    Raises:
        JournalError: the journal cannot be read.
    """
    return Checkbook(
        gauge=gauge,
        known=tuple(known for known in History(journal).all() if known.fact.gauge == gauge),
        aborted=tuple(one for _, one in facts(journal, "check aborted", AbortedCheck) if one.gauge == gauge),
        corrections=tuple(one for _, one in facts(journal, "correction", Correction) if one.gauge == gauge),
        brackets=tuple(one for _, one in facts(journal, "bracket", Bracket) if one.gauge == gauge),
        certificates=tuple(_certificates(journal, gauge)),
    )


def _certificates(journal: Journal, gauge: str) -> list[CertificateSince]:
    found: list[CertificateSince] = []
    for event, noted in facts(journal, "bench", BenchText):
        try:
            bench = parse_bench(noted.text, f"bench file of event {event.seq}")
        except ConfigError:
            continue  # written for another version of the program; the next one tells again
        if gauge in bench.gauges:
            certificate = bench.gauges[gauge].certificate
            if not found or found[-1].certificate != certificate:
                found.append(CertificateSince(event.t_utc, certificate))
    return found


def room_temperatures(journal: Journal, since: datetime, until: datetime) -> list[Climate]:
    """Air temperatures of the room within a time, in order of time.

    Raises:
        JournalError: the journal cannot be read.
    """
    found = []
    for event in journal.events("climate"):
        # A room sensor writes each minute for years: only what may be wanted is read closely.
        if event.body.get("quantity") == "temperature" and event.body.get("where") == "room":
            climate = read_fact(Climate, event)
            if since <= climate.t_utc <= until:
                found.append(climate)
    return sorted(found, key=lambda one: one.t_utc)


def temperature_at(temperatures: Sequence[Climate], t_utc: datetime) -> Climate | None:
    """The nearest in time, if it is near enough."""
    nearest = min(temperatures, key=lambda one: abs(one.t_utc - t_utc), default=None)
    return nearest if nearest is not None and abs(nearest.t_utc - t_utc) <= NEAR else None
