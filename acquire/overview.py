"""What a tester looks at in the morning: is each gauge right, and when must it be checked or sent away."""

from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any

from acquire.bench import Bench
from acquire.calibration.checks import Check
from acquire.calibration.correction import active_correction
from acquire.calibration.day import Study, accepted_by, forecast_in_words, in_words, study
from acquire.calibration.history import channel_of
from acquire.calibration.longrun import LongRun, interval_in_words, long_run
from acquire.calibration.rules import Rules, rules_for
from acquire.calibration.series import Series
from acquire.calibration.stamp import stamp
from acquire.checkbook import Checkbook, checkbook
from acquire.facts import facts
from acquire.home import Home
from acquire.journal import Journal
from acquire.known import readings
from acquire.model import CalibrationState, Stamp, Trial

_SCORED = ("force", "gloss", "count")


@dataclass(frozen=True, slots=True)
class GaugeState:
    """One gauge (at one angle, if it has several) at one moment."""

    gauge: str
    channel: str | None
    stamp: Stamp
    """As a reading taken now for the newest trial would get it."""
    last: Check | None
    due: datetime | None
    """The newest pass holds until then by the gauge's rules; None: nothing has passed."""
    day: Study | None
    """The newest day of the series with the newest check."""
    run: LongRun | None
    rules: Rules
    unit: str
    at: datetime
    corrected: bool = False
    waiting_n: int = 0
    """Readings that a check behind them must confirm, by the rule `after_trial`."""

    @property
    def lines(self) -> list[str]:
        """For a person, a sentence or two each."""
        return list(_lines(self))

    @property
    def title(self) -> str:
        return self.gauge if self.channel is None else f"{self.gauge} at {self.channel}°"

    @property
    def state(self) -> CalibrationState:
        return self.stamp.state

    @property
    def check_before(self) -> datetime | None:
        """The rule's time or the drift's, whichever is sooner."""
        foretold = self.day.check_before if self.day and self.due else None
        return min((one for one in (self.due, foretold) if one is not None), default=None)

    def as_data(self) -> dict[str, Any]:
        """For another program; times in UTC, values in the gauge's unit."""
        return {
            "gauge": self.gauge,
            "channel": self.channel,
            "state": self.state.value,
            "reason": self.stamp.reason,
            "last_check_utc": _iso(self.last.t_utc if self.last else None),
            "last_verdict": self.last.verdict if self.last else None,
            "last_reference": self.last.worst_reference if self.last else None,
            "age_s": (self.at - self.last.t_utc).total_seconds() if self.last else None,
            "deviation": self.last.deviation if self.last else None,
            "deviation_as_used": self.last.remaining if self.last else None,
            "expanded_uncertainty": self.last.expanded_uncertainty if self.last else None,
            "tolerance": self.last.tolerance if self.last else None,
            "unit": self.unit,
            "due_by_rule_utc": _iso(self.due),
            "check_before_utc": _iso(self.check_before),
            "corrected": self.corrected,
            "readings_waiting_for_a_check": self.waiting_n,
            "certificate": self.rules.certificate or None,
            "certificate_due": _iso(self.rules.certificate_due),
            "drift": None if self.day is None else self.day.judgement.shape,
            "trend_per_day": None if self.run is None else self.run.line.slope_per_h,
            "trend_days": None if self.run is None else len(self.run.days),
            "limit_earliest": _iso(self.run.earliest if self.run else None),
            "limit_expected": _iso(self.run.expected if self.run else None),
            "said": self.lines,
        }


def overview(journal: Journal, home: Home, at: datetime) -> list[GaugeState]:
    """The state of every gauge that readings are scored from, in the order of the bench file.

    Raises:
        JournalError: the journal cannot be read.
        ConfigError: bench file or gauge descriptions are missing or faulty.
    """
    bench = home.bench()
    scored = [
        name
        for name, gauge in bench.gauges.items()
        if home.description(gauge.description).quantity in _SCORED
    ]
    newest = deque(facts(journal, "trial", Trial), maxlen=1)
    opened = newest[0][0].seq if newest else None
    waiting = _waiting(journal, bench, scored)
    return [one for name in scored for one in _states(checkbook(journal, name), bench, at, opened, waiting)]


def _waiting(journal: Journal, bench: Bench, gauges: list[str]) -> Counter[tuple[str, str | None]]:
    """How many readings of each gauge and angle wait for a check behind them."""
    if not any(bench.gauge(name).rules.after_trial for name in gauges):
        return Counter()
    return Counter(
        (reading.gauge, channel_of(reading.details))
        for reading in readings(journal)
        if reading.stamp.closing_due and reading.bracket == "open"
    )


def _states(
    book: Checkbook,
    bench: Bench,
    at: datetime,
    opened: int | None,
    waiting: Counter[tuple[str, str | None]],
) -> Iterator[GaugeState]:
    channels = sorted({check.channel for _, check in book.checks}, key=str) or [None]
    for channel in channels:
        waiting_n = waiting[book.gauge, channel]
        yield replace(_state(book, bench, at, channel, opened), waiting_n=waiting_n)


def _state(
    book: Checkbook, bench: Bench, at: datetime, channel: str | None, opened: int | None
) -> GaugeState:
    rules = rules_for(bench, book.gauge)
    rows = [one for one in book.series if one.channel == channel]
    newest = rows[0] if rows else None
    checks = [check for _, check in book.checks if check.channel == channel]
    last = checks[-1] if checks else None
    correction = active_correction(book.corrections, book.gauge, channel)
    return GaugeState(
        gauge=book.gauge,
        channel=channel,
        stamp=stamp(
            book.gauge, at, book.known, rules, channel=channel, correction=correction, trial_opened=opened
        ),
        last=last,
        due=_due([check for check in checks if check.verdict == "pass"], rules),
        day=None if newest is None else _newest_day(newest, rules),
        run=None if newest is None else _run(book, newest, rules),
        rules=rules,
        unit="" if last is None else ("strokes" if last.unit == "1" else last.unit),
        at=at,
        corrected=correction is not None,
    )


def _due(passes: list[Check], rules: Rules) -> datetime | None:
    if not passes:
        return None
    passed = passes[-1].t_utc
    held = passed + timedelta(hours=rules.check_valid_h)
    if not rules.at_start_of_day:
        return held
    tomorrow = rules.day(passed) + timedelta(days=1)
    return min(held, datetime.combine(tomorrow, time(), rules.zone))


def _newest_day(series: Series, rules: Rules) -> Study:
    day = rules.day(series.checks[-1].t_utc)
    earlier, stretch = series.split(datetime.combine(day, time(), rules.zone))
    return study(stretch, earlier, rules.zone)


def _run(book: Checkbook, series: Series, rules: Rules) -> LongRun | None:
    return long_run(series.checks, accepted_by(series.checks[-1]), rules.zone, since=book.adjusted)


def _lines(one: GaugeState) -> Iterator[str]:
    yield f"{one.stamp.reason[:1].upper()}{one.stamp.reason[1:]}."
    if one.last is not None:
        yield _last_check(one, one.last)
    yield from _next_check(one)
    if one.day is not None and one.day.judgement.moved:
        yield in_words(one.day)
    if one.waiting_n:
        wait = "1 reading waits" if one.waiting_n == 1 else f"{one.waiting_n} readings wait"
        yield f"{wait} for a check that passes, as the rule after_trial asks: check it before you publish."
    if one.corrected:
        yield "A correction is in use."
    if one.rules.certificate_due is not None:
        days = (one.rules.certificate_due - one.rules.day(one.at)).days
        told = f"in {days} days" if days > 0 else "today" if days == 0 else f"{-days} days AGO"
        yield f"Certificate {one.rules.certificate}: due {one.rules.certificate_due}, {told}."
    if one.run is not None:
        yield interval_in_words(one.run, one.rules.certificate_due, one.unit)


def _last_check(one: GaugeState, check: Check) -> str:
    hours = (one.at - check.t_utc).total_seconds() / 3600
    age = f"{hours:.1f} h ago" if hours < 48 else f"{hours / 24:.0f} days ago"
    if hours < 0:
        age = "later than this computer's clock"
    verdict = {"pass": "passed", "fail": "failed", "undecided": "could not tell"}[check.verdict]
    found = f"{check.remaining:+.3g} ± {check.expanded_uncertainty:.2g} {one.unit}"
    if check.correction is not None:
        found += f" as corrected ({check.deviation:+.3g} {one.unit} as shown)"
    when = f"{one.rules.local(check.t_utc)} ({age})"
    return f"Last check {when} against {check.worst_reference}: {verdict}, {found}."


def _next_check(one: GaugeState) -> Iterator[str]:
    if one.due is None or one.state is CalibrationState.OUT_OF_TOLERANCE:
        yield "Check it now."
    elif one.due <= one.at or one.state is not CalibrationState.IN_TOLERANCE:
        yield "Check it before the next reading."
    elif one.check_before is not None and one.check_before < one.due and one.day is not None:
        yield forecast_in_words(one.day)
    else:
        yield f"Next check due by its rule: {one.rules.local(one.due)}."


def _iso(moment: Any) -> str | None:
    return None if moment is None else str(moment.isoformat())
