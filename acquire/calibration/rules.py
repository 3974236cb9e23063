"""When a gauge must be checked: the bench file's rules for it, ready for the stamp."""

from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from acquire.bench import Bench, Tolerance
from acquire.calibration.history import IncidentKind
from acquire.tables import GaugeRules


@dataclass(frozen=True, slots=True)
class Rules:
    """What holds for one gauge."""

    check_valid_h: float
    zone: tzinfo
    tolerance: Tolerance
    certificate_due: date | None = None
    """Last day of the gauge's certificate; None: it has none."""
    certificate_standard_uncertainty: float = 0.0
    certificate: str = ""
    """Its number."""
    at_start_of_day: bool = True
    """A check holds no longer than the day it was made on."""
    after: tuple[IncidentKind, ...] = GaugeRules().after
    """What takes the proof from the checks before it."""
    before_trial: bool = False
    """A check must have passed since the trial was opened."""
    after_trial: bool = False
    """Readings wait for a check after them that passes."""
    drift_per_h: float | None = None
    """The gauge drifts by no more than this in an hour, to either side; None: not known."""

    def day(self, t_utc: datetime) -> date:
        """The bench's calendar day at a moment."""
        return t_utc.astimezone(self.zone).date()

    def local(self, t_utc: datetime) -> str:
        """A moment as the bench's clock on the wall shows it."""
        return t_utc.astimezone(self.zone).strftime("%Y-%m-%d %H:%M")


def rules_for(bench: Bench, gauge: str) -> Rules:
    """The rules of one gauge of a bench.

    Raises:
        ConfigError: the bench has no such gauge.
    """
    entry = bench.gauge(gauge)
    certificate, asked = entry.certificate, entry.rules
    return Rules(
        check_valid_h=entry.holds_h,
        zone=bench.zone,
        tolerance=entry.tolerance,
        certificate_due=certificate.due if certificate else None,
        certificate_standard_uncertainty=certificate.standard_uncertainty if certificate else 0.0,
        certificate=certificate.number if certificate else "",
        at_start_of_day=asked.at_start_of_day,
        after=asked.after,
        before_trial=asked.before_trial,
        after_trial=asked.after_trial,
        drift_per_h=entry.drift_per_h,
    )
