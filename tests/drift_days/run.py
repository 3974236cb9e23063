"""Looks at simulated days as the bench does, after every check, and counts what is seen."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC

import numpy as np

from acquire.calibration.checks import Check
from acquire.calibration.day import HORIZON_H
from acquire.calibration.drift import CLEAR, Judgement, Shape, judge
from acquire.calibration.forecast import forecast
from acquire.calibration.series import noise_of, series_of
from tests.drift_days.days import Gauge, Kind, day_and_level, past

HISTORY_DAYS = 5
LIMIT_SIGMA = 12.0
"""What drifts are foretold to reach."""
FRESH_EVERY = 10
"""A history serves so many days."""


@dataclass(slots=True)
class Tally:
    """What came of the days of one kind."""

    days: int = 0
    alarms: int = 0
    """Days on which a movement was told at any look."""
    early: int = 0
    """Days with an alarm before anything had moved."""
    checks_until: list[int] = field(default_factory=list)
    """Checks after the onset until it was seen; one is the fewest."""
    hours_until: list[float] = field(default_factory=list)
    named: Counter[Shape] = field(default_factory=Counter)
    """Shape told at the end of the day."""
    clear: Counter[Shape] = field(default_factory=Counter)
    """The same where it was told without reserve."""
    forecasts: int = 0
    """Looks at a drift that foretold when `LIMIT_SIGMA` is reached."""
    in_time: int = 0
    """Of these, told a time that was not too late."""
    misses_h: list[float] = field(default_factory=list)
    """Expected minus true time, where that is still to come."""

    def add(self, other: "Tally") -> None:
        self.days += other.days
        self.alarms += other.alarms
        self.early += other.early
        self.checks_until += other.checks_until
        self.hours_until += other.hours_until
        self.named += other.named
        self.clear += other.clear
        self.forecasts += other.forecasts
        self.in_time += other.in_time
        self.misses_h += other.misses_h


def looks(checks: Sequence[Check], history: Sequence[Check]) -> list[tuple[float, Judgement]]:
    """What is judged after each check from the second on, with the time of that check in hours."""
    series = series_of(checks, checks[0].gauge)[0]
    hours, values = series.hours(), series.deviations
    found = []
    for n in range(2, len(checks) + 1):
        noise = noise_of(history, checks[:n], UTC)
        found.append((float(hours[n - 1]), judge(hours[:n], values[:n], noise)))
    return found


def run(gauge: Gauge, kind: Kind, days_n: int, history_days: int = HISTORY_DAYS, *, seed: int = 1) -> Tally:
    """Simulates days of one kind and tells what was seen of them."""
    rng = np.random.default_rng([seed, days_n, history_days])
    tally, history = Tally(), list[Check]()
    for number in range(days_n):
        if number % FRESH_EVERY == 0:
            history = past(gauge, history_days, rng)
        checks, level = day_and_level(gauge, kind, rng)
        found = looks(checks, history)
        tally.days += 1
        if kind.shape == "linear drift":
            limit = LIMIT_SIGMA * gauge.sigma
            _note_forecasts(tally, found, limit, (limit - level) / (kind.size * gauge.sigma))
        _note(tally, kind, found, [(c.t_utc - checks[0].t_utc).total_seconds() / 3600 for c in checks])
    return tally


def _note(tally: Tally, kind: Kind, found: list[tuple[float, Judgement]], hours: list[float]) -> None:
    last = found[-1][1]
    tally.named[last.shape] += 1
    if last.moved and last.weights[last.shape] >= CLEAR:
        tally.clear[last.shape] += 1
    seen_h = next((at_h for at_h, one in found if one.moved), None)
    if seen_h is None:
        return
    tally.alarms += 1
    if seen_h <= kind.onset_h:
        tally.early += 1
        return
    tally.checks_until.append(sum(kind.onset_h <= at_h <= seen_h for at_h in hours))
    tally.hours_until.append(seen_h - kind.onset_h)


def _note_forecasts(tally: Tally, found: list[tuple[float, Judgement]], limit: float, true_h: float) -> None:
    for at_h, one in found:
        if one.shape != "linear drift" or one.line is None:
            continue
        told = forecast(one.line, limit, after_h=at_h, horizon_h=HORIZON_H)
        if told.earliest_h is not None:
            tally.forecasts += 1
            # "Now" is the soonest that can be told.
            tally.in_time += told.earliest_h <= max(true_h, at_h)
        if told.expected_h is not None and true_h > at_h:
            tally.misses_h.append(told.expected_h - true_h)


def total(tallies: Iterable[Tally]) -> Tally:
    whole = Tally()
    for tally in tallies:
        whole.add(tally)
    return whole
