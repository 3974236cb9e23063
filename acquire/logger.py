"""The only way into the journal for a reading.

    taken ──stamp──> reading ──recording synced, event committed──> announced

The order is the promise: whatever is announced (a tone, the screen, MQTT) is on disk already, bytes first.
Nothing logged is changed afterwards; what is learnt later is an amendment, and a reading can be had both
"as stamped then" and "as known now", or as known at any event in between.

Whatever is judged by the bench file (a stamp, a check, what an incident asks for) stands behind an event with
that file's text, so that it can be judged again.
"""

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from typing import Literal, TypeVar

from acquire.bench import Bench
from acquire.calibration.brackets import Bracket, doubtful_readings, span_of
from acquire.calibration.checks import AbortedCheck, Check
from acquire.calibration.history import Incident, Known, channel_of
from acquire.calibration.rules import rules_for
from acquire.calibration.stamp import corrected_stamp
from acquire.capture.taken import Taken
from acquire.chain import Event, utc_text
from acquire.clock import Clock
from acquire.errors import JournalError
from acquire.facts import read_fact
from acquire.journal import Draft, Journal
from acquire.known import History, amended, amendments_of, as_stamped, readings
from acquire.model import (
    Amendment,
    BenchText,
    Details,
    RawRef,
    Reading,
    Refusal,
    Step,
)

__all__ = [
    "Announcement",
    "Fact",
    "Logger",
    "Source",
    "TimeSource",
    "amended",
    "as_stamped",
    "place_of",
    "plain_details",
    "readings",
]

Fact = Reading | Refusal | Check | AbortedCheck | Incident | Amendment | Bracket
TimeSource = Literal["device", "line position", "host read", "typed in"]

_Item = TypeVar("_Item", Reading, Refusal)


@dataclass(frozen=True, slots=True)
class Source:
    """The recording that a taken value comes from."""

    recording: str
    """File name inside the bench's recordings folder."""
    start_utc: datetime
    """Its first moment, as its header says."""


@dataclass(frozen=True, slots=True)
class Announcement:
    """Something that is on disk and may now be told."""

    event: Event
    fact: Fact


class Logger:
    """Stamps readings and writes them down, for one bench. Its methods may be called from any thread.

    `announce` is called after the commit, by the thread that logged; what it raises reaches the caller, and
    the event stands all the same.
    """

    def __init__(
        self, journal: Journal, bench: Bench, clock: Clock, announce: Callable[[Announcement], None]
    ) -> None:
        self._journal = journal
        self._bench = bench
        self._clock = clock
        self._announce = announce
        self._history = History(journal)

    def log(
        self,
        taken: Taken,
        *,
        source: Source,
        gauge: str,
        trial: str,
        step: Step,
        sync_recording: Callable[[], None],
        extra: bool = False,
        t_source: TimeSource = "host read",
    ) -> Reading:
        """Logs an accepted value as a reading of one step of a trial.

        The reading's id follows from its recording and its place in it. A second call with the same content,
        such as after a crash, when a recording is gone through again, writes and announces nothing and
        returns the reading as it was stamped the first time; so a retry can neither fail nor count twice.

        Args:
            sync_recording: puts the recording on disk (fsync), so that no reading outlives its bytes.
            extra: offered beyond the number that the method asks for.

        Raises:
            JournalError: nothing was written or announced; also where the id stands for other content.
            ConfigError: the bench has no such gauge.
            ValueError: capture refused the value.
        """
        if taken.verdict != "accepted":
            raise ValueError(f"item {taken.ordinal} of {source.recording} was refused; it is no reading")
        rules = rules_for(self._bench, gauge)
        at, raw = place_of(taken, source)
        details = plain_details(taken.details)
        _sync(sync_recording, source)

        def make() -> Reading:
            made, correction = corrected_stamp(
                gauge,
                at,
                self._history.all(),
                self._history.corrections(),
                rules,
                channel=channel_of(details),
                value=taken.value,
                trial=trial,
                trial_opened=self._history.opened(trial) if rules.before_trial else None,
            )
            return Reading(
                id=_item_id(raw),
                trial=trial,
                step=step,
                quantity=taken.quantity,
                value=taken.value,
                unit=taken.unit,
                resolution=taken.resolution,
                under_read=taken.under_read,
                gauge=gauge,
                t_utc=at,
                t_mono_ns=taken.t_us * 1000,
                t_source=t_source,
                raw=raw,
                details=details,
                extra=extra,
                correction=correction,
                stamp=made,
            )

        return self._write_item("reading", make)

    def refuse(
        self,
        taken: Taken,
        *,
        source: Source,
        gauge: str,
        sync_recording: Callable[[], None],
        trial: str | None = None,
        step: Step | None = None,
    ) -> Refusal:
        """Keeps a refused value with its reasons. Ids and retries are as for `log`.

        Raises:
            JournalError: nothing was written or announced.
            ValueError: capture accepted the value.
        """
        if taken.verdict != "refused":
            raise ValueError(f"item {taken.ordinal} of {source.recording} was accepted; log it")
        at, raw = place_of(taken, source)
        refusal = Refusal(
            id=_item_id(raw),
            trial=trial,
            step=step,
            quantity=taken.quantity,
            value=taken.value if isfinite(taken.value) else None,
            unit=taken.unit,
            gauge=gauge,
            t_utc=at,
            t_mono_ns=taken.t_us * 1000,
            raw=raw,
            reasons=taken.reasons,
            details=plain_details(taken.details),
        )
        _sync(sync_recording, source)
        return self._write_item("refusal", lambda: refusal)

    def _write_item(self, kind: str, make: Callable[[], _Item]) -> _Item:
        """Writes and announces what `make` gives, or returns what stands there already.

        From stamp to commit it is this writer's turn: a failed check must not slip in between, from here or
        from another program, and miss the reading.
        """
        items: list[_Item] = []

        def drafts() -> list[Draft]:
            item = make()
            earlier = self._earlier(item, kind)
            items.append(earlier or item)
            return [] if earlier else [*self._bench_drafts(), Draft(kind, item, item.id)]

        events = self._append(drafts)
        if events:
            self._tell(events[-1:], items)
        return items[0]

    def record_check(self, check: Check, *, sync_recording: Callable[[], None]) -> Event:
        """Writes a check and what it says of the readings since the one before, all at once.

        That is one event for their bracket, if there are any, and where the check failed the doubt on every
        reading that it puts in doubt.

        Returns:
            The event of the check.

        Raises:
            JournalError: nothing was written or announced.
        """
        _sync(sync_recording, check.gauge)
        event_id = f"check.{check.gauge}.{check.channel or 'all'}.{utc_text(check.t_utc)}"
        told: list[Fact] = []

        def drafts() -> list[Draft]:
            bench = self._bench_drafts()
            closing = Known(self._journal.head()[0] + 1 + len(bench), event_id, check)
            follows = self._consequences(closing)
            told.extend([check, *(fact for _, fact in follows)])
            return [*bench, Draft("check", check, event_id), *(Draft(kind, fact) for kind, fact in follows)]

        events = self._append(drafts)[-len(told) :]
        self._tell(events, told)
        return events[0]

    def _consequences(self, closing: Known) -> list[tuple[str, Amendment | Bracket]]:
        history = self._history.all()
        span = span_of(closing, history)
        bracketed = [
            event
            for event in self._journal.events("reading", since=span.since)
            if event.seq < span.until
            and (event.body.get("gauge"), channel_of(event.body.get("details") or {}))
            == (span.gauge, span.channel)
        ]
        found: list[tuple[str, Amendment | Bracket]] = []
        if span.verdict == "failed":
            found += [("amendment", doubt) for doubt in self._doubts(closing, bracketed)]
        if bracketed and (span.opening or span.verdict == "failed"):
            found.append(("bracket", span.bracket([event.id for event in bracketed])))
        return found

    def record_aborted_check(self, aborted: AbortedCheck, *, sync_recording: Callable[[], None]) -> Event:
        """Writes down what a check had measured when it was given up. It proves nothing about the gauge.

        Raises:
            JournalError: nothing was written or announced.
        """
        _sync(sync_recording, aborted.gauge)
        events = self._append([Draft("check aborted", aborted)])
        self._tell(events, [aborted])
        return events[0]

    def record_incident(self, incident: Incident) -> Event:
        """Writes down what happened to a gauge, in order with its readings and checks.

        Raises:
            JournalError: nothing was written or announced.
        """
        events = self._append(lambda: [*self._bench_drafts(), Draft("incident", incident)])[-1:]
        self._tell(events, [incident])
        return events[0]

    def amend(self, amendment: Amendment) -> Event:
        """Writes later knowledge about a reading: a flag, a doubt, a person's ruling.

        Raises:
            JournalError: there is no such reading, or it could not be written.
        """
        found = self._journal.find(amendment.reading)
        if found is None or found.kind != "reading":
            raise JournalError(
                f"the journal has no reading {amendment.reading!r}", hint="give the id of a logged reading"
            )
        events = self._append([Draft("amendment", amendment)])
        self._tell(events, [amendment])
        return events[0]

    def _earlier(self, item: _Item, kind: str) -> _Item | None:
        """What stands under the item's id already, if it is the same but for its stamp and correction.

        These may differ, because the gauge's history has grown since.
        """
        found = self._journal.find(item.id)
        if found is None:
            return None
        said = item.model_dump(mode="json", exclude={"stamp", "correction", "bracket"})
        differs = [key for key, value in said.items() if found.body.get(key) != value]
        if found.kind == kind and not differs:
            return read_fact(type(item), found)
        raise JournalError(
            f"event {found.seq} holds {item.id!r} as a {found.kind} that differs in {', '.join(differs)}",
            hint="the same bytes gave another result: verify the journal against its recordings",
        )

    def _doubts(self, failed: Known, bracketed: Sequence[Event]) -> list[Amendment]:
        check = failed.fact
        assert isinstance(check, Check), "only a check fails"
        amendments = amendments_of(self._journal)
        logged = [
            (event.seq, amended(read_fact(Reading, event), amendments.get(event.id, ())))
            for event in bracketed
        ]
        reason = f"{check.gauge} failed against {check.reference} afterwards: {check.reason}"
        return [
            Amendment(reading=one, what="doubtful", reason=reason, check=failed.id)
            for one in doubtful_readings(failed, self._history.all(), logged)
        ]

    def _bench_drafts(self) -> list[Draft]:
        """The bench file that is judged by, if it is not the one that the journal knows."""
        text = self._bench.text
        sha256 = hashlib.sha256(text.encode()).hexdigest()
        if not text or sha256 == self._history.bench_sha256():
            return []
        return [Draft("bench", BenchText(text=text, sha256=sha256))]

    def _append(self, drafts: Sequence[Draft] | Callable[[], Sequence[Draft]]) -> list[Event]:
        return self._journal.append_all(drafts, t_utc=self._clock.utc(), t_mono_ns=self._clock.monotonic_ns())

    def _tell(self, events: Iterable[Event], facts: Iterable[Fact]) -> None:
        for event, fact in zip(events, facts, strict=True):
            self._announce(Announcement(event, fact))


def place_of(taken: Taken, source: Source) -> tuple[datetime, RawRef]:
    """When a value was taken, and where its bytes are."""
    raw = RawRef(
        recording=source.recording,
        opening=taken.opening,
        first_byte=taken.first_byte,
        last_byte=taken.last_byte,
        ordinal=taken.ordinal,
    )
    return source.start_utc + timedelta(microseconds=taken.t_us), raw


def _item_id(raw: RawRef) -> str:
    return f"{raw.recording}#{raw.ordinal}"


def plain_details(details: Details) -> Details:
    """What has no number is null in the journal: JSON knows neither infinity nor not-a-number."""
    return {
        key: None if isinstance(value, float) and not isfinite(value) else value
        for key, value in details.items()
    }


def _sync(sync_recording: Callable[[], None], source: Source | str) -> None:
    try:
        sync_recording()
    except OSError as error:
        name = source.recording if isinstance(source, Source) else f"of {source}"
        raise JournalError(
            f"the recording {name} could not be put on disk: {error.strerror}; nothing was logged",
            hint="check the disk's health and free space",
        ) from error
