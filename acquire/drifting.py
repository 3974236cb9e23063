"""Which stretch of which checks is looked at, for the drift of a gauge."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from acquire.bench import Bench
from acquire.calibration.day import Study, study
from acquire.calibration.series import Series
from acquire.checkbook import NEAR, Checkbook, checkbook, room_temperatures
from acquire.errors import ConfigError
from acquire.journal import Journal
from acquire.model import Climate
from drivers.keys import nearest

_BACK = {"h": 3600.0, "d": 86400.0}


@dataclass(frozen=True, slots=True)
class Drift:
    """One series of a gauge's checks as it is told, with the temperature of the air beside it."""

    gauge: str
    study: Study
    temperatures: tuple[Climate, ...]


def drifts(
    journal: Journal, bench: Bench, gauge: str, *, since: str | None = None, reference: str | None = None
) -> list[Drift]:
    """Studies a gauge's checks, a series for each reference and angle, the newest first.

    Args:
        since: when to begin, as `moment` reads it; each series' newest day with a check if left out.
        reference: only checks against this one.

    Raises:
        ConfigError: no such gauge or reference, or no check to look at.
        JournalError: the journal cannot be read.
    """
    bench.gauge(gauge)
    found = []
    for series in _wanted(checkbook(journal, gauge), reference):
        begin = _begin(series, since, bench.zone)
        earlier, stretch = series.split(begin)
        if stretch.checks:
            times = stretch.checks[0].t_utc - NEAR, stretch.checks[-1].t_utc + NEAR
            air = tuple(room_temperatures(journal, *times))
            found.append(Drift(gauge, study(stretch, earlier, bench.zone), air))
    if not found:
        raise ConfigError(
            f"{gauge} has not been checked since {since}", hint="look further back with --since"
        )
    return found


def _wanted(book: Checkbook, reference: str | None) -> Sequence[Series]:
    every = book.series
    if not every:
        raise ConfigError(
            f"{book.gauge} has not been checked yet",
            hint=f"check it with: panelwright check {book.gauge} --against REFERENCE",
        )
    wanted = [one for one in every if reference in (None, one.reference)]
    if not wanted:
        known = sorted({one.reference for one in every})
        raise ConfigError(
            f"{book.gauge} has not been checked against {reference!r}", hint=nearest(str(reference), known)
        )
    return wanted


def _begin(series: Series, since: str | None, zone: tzinfo) -> datetime:
    newest = series.checks[-1].t_utc
    if since is None:
        return newest.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    return moment(since, newest, zone)


def moment(text: str, newest: datetime, zone: tzinfo) -> datetime:
    """A moment as a person writes it: "2031-05-04", "2031-05-04 08:00" (on the bench's clock), "8h", "30d".

    Args:
        newest: hours and days count back from here.

    Raises:
        ConfigError: it is none of these.
    """
    unit = _BACK.get(text[-1:])
    try:
        if unit is not None:
            return newest - timedelta(seconds=unit * float(text[:-1]))
        given = datetime.fromisoformat(text)
    except (ValueError, OverflowError) as error:
        raise ConfigError(
            f"{text!r} is no time",
            hint='write "2031-05-04", "2031-05-04 08:00", or how far back: "8h", "30d"',
        ) from error
    return given if given.tzinfo is not None else given.replace(tzinfo=zone)
