from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from acquire.calibration.checks import Check
from acquire.calibration.history import Incident
from acquire.chain import Event
from acquire.errors import ConfigError, JournalError
from acquire.journal import Draft, Journal
from acquire.logger import Announcement, Logger, Source, as_stamped, readings
from acquire.model import Amendment, CalibrationState, Reading
from tests.bench_tools import NOON, STEP, after, check, make_bench, taken
from tests.manual_clock import ManualClock

SOURCE = Source("force-1.rec", NOON)


@dataclass
class Desk:
    """A logger on a real journal, with everything that happens noted in order."""

    journal: Journal
    logger: Logger
    clock: ManualClock
    steps: list[str] = field(default_factory=list)
    announced: list[Announcement] = field(default_factory=list)

    def sync(self) -> None:
        self.steps.append("synced")

    def log(self, ordinal: int = 0, **changes: object) -> Reading:
        return self.logger.log(
            taken(ordinal, **changes),
            source=SOURCE,
            gauge="force",
            trial="t",
            step=STEP,
            sync_recording=self.sync,
        )

    def check(self, made: Check) -> Event:
        return self.logger.record_check(made, sync_recording=self.sync)


class WatchedJournal(Journal):
    """Notes each append, and fails when told to."""

    steps: list[str]
    fails = False

    def append_all(
        self, drafts: Sequence[Draft] | Callable[[], Sequence[Draft]], *, t_utc: datetime, t_mono_ns: int
    ) -> list[Event]:
        if self.fails:
            raise JournalError("the disk is full", hint="free space")
        events = super().append_all(drafts, t_utc=t_utc, t_mono_ns=t_mono_ns)
        if events:
            self.steps.append("appended")
        return events


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with WatchedJournal.open(tmp_path / "journal.sqlite") as journal:
        clock = ManualClock()

        def announce(announcement: Announcement) -> None:
            assert journal.find(announcement.event.id) == announcement.event
            made.steps.append("announced")
            made.announced.append(announcement)

        made = Desk(journal, Logger(journal, make_bench(tmp_path), clock, announce), clock)
        journal.steps = made.steps
        yield made


def test_bytes_first_then_the_event_then_the_announcement(desk: Desk) -> None:
    reading = desk.log()
    assert desk.steps == ["synced", "appended", "announced"]
    assert [announcement.fact for announcement in desk.announced] == [reading]


def test_a_reading_holds_what_was_taken_and_where_from(desk: Desk) -> None:
    reading = desk.log(7)
    assert reading.id == "force-1.rec#7"
    assert (reading.value, reading.unit, reading.resolution, reading.under_read) == (1.25, "N", 0.01, 0.002)
    assert reading.t_utc == NOON + timedelta(microseconds=2_500_007)
    assert reading.t_mono_ns == 2_500_007_000
    assert (reading.raw.recording, reading.raw.first_byte, reading.raw.last_byte) == ("force-1.rec", 700, 790)
    assert reading.details == {"contact_s": 0.8, "sliding_n": 1.0}
    assert as_stamped(desk.journal) == readings(desk.journal) == [reading]
    event = desk.journal.find(reading.id)
    assert event is not None
    assert (event.kind, event.t_utc) == ("reading", desk.clock.utc())


def fail_to_append(desk: Desk) -> None:
    assert isinstance(desk.journal, WatchedJournal)
    desk.journal.fails = True


def fail_to_sync(desk: Desk) -> None:
    def sync() -> None:
        raise OSError(28, "No space left on device")

    desk.sync = sync  # type: ignore[method-assign]


@pytest.mark.parametrize("fail", [fail_to_append, fail_to_sync])
def test_what_is_not_on_disk_is_not_announced(desk: Desk, fail: Callable[[Desk], None]) -> None:
    fail(desk)
    with pytest.raises(JournalError):
        desk.log()
    with pytest.raises(JournalError):
        desk.check(check("fail"))
    with pytest.raises(JournalError):
        desk.logger.refuse(taken(verdict="refused"), source=SOURCE, gauge="force", sync_recording=desk.sync)
    assert "announced" not in desk.steps
    assert desk.journal.head()[0] == 0


def test_a_failing_announcement_does_not_undo_the_reading(tmp_path: Path) -> None:
    def announce(_: Announcement) -> None:
        raise RuntimeError("no loudspeaker")

    with Journal.open(tmp_path / "journal.sqlite") as journal:
        logger = Logger(journal, make_bench(tmp_path), ManualClock(), announce)
        with pytest.raises(RuntimeError, match="no loudspeaker"):
            logger.log(
                taken(), source=SOURCE, gauge="force", trial="t", step=STEP, sync_recording=lambda: None
            )
        assert len(readings(journal)) == 1


def test_logging_again_gives_the_first_reading_and_counts_once(desk: Desk) -> None:
    first = desk.log()
    desk.check(check())
    desk.steps.clear()
    again = desk.log()
    assert again == first
    assert again.stamp.state is CalibrationState.UNCHECKED
    assert desk.steps == ["synced"]
    assert len(readings(desk.journal)) == 1


def test_the_same_place_with_another_value_is_an_error(desk: Desk) -> None:
    desk.log()
    with pytest.raises(
        JournalError, match=r"holds 'force-1\.rec#0' as a reading that differs in value"
    ) as caught:
        desk.log(value=1.26)
    assert "verify" in caught.value.hint
    with pytest.raises(JournalError, match="as a reading that differs in"):
        desk.logger.refuse(taken(verdict="refused"), source=SOURCE, gauge="force", sync_recording=desk.sync)
    assert len(readings(desk.journal)) == 1


def test_the_stamp_is_of_the_moment(desk: Desk) -> None:
    states = [desk.log(0).stamp.state]
    passed = desk.check(check())
    stamped = desk.log(1)
    states.append(stamped.stamp.state)
    desk.logger.record_incident(Incident(gauge="force", t_utc=NOON, what="re-plugged", needs_check=True))
    states.append(desk.log(2).stamp.state)
    desk.check(check("fail", at=NOON + timedelta(milliseconds=1)))
    states.append(desk.log(3).stamp.state)
    desk.check(check(at=NOON + timedelta(seconds=1)))
    states.append(desk.log(4).stamp.state)
    assert states == [
        "unchecked today",
        "in tolerance",
        "unchecked today",
        "out of tolerance",
        "in tolerance",
    ]
    assert stamped.stamp.check == passed.id


def test_a_new_logger_knows_the_checks_of_the_one_before(desk: Desk, tmp_path: Path) -> None:
    desk.check(check())
    later = Logger(desk.journal, make_bench(tmp_path), desk.clock, lambda _: None)
    reading = later.log(
        taken(), source=SOURCE, gauge="force", trial="t", step=STEP, sync_recording=lambda: None
    )
    assert reading.stamp.state is CalibrationState.IN_TOLERANCE


def test_a_failed_check_puts_readings_in_doubt_and_they_stay_as_logged(desk: Desk) -> None:
    desk.log(0)
    desk.check(check())
    logged = desk.log(1)
    desk.announced.clear()
    failed = desk.check(check("fail", at=after(1)))
    desk.log(2)
    assert [reading.stamp.state for reading in as_stamped(desk.journal)] == [
        "unchecked today",
        "in tolerance",
        "out of tolerance",
    ]
    assert [reading.stamp.state for reading in readings(desk.journal)] == [
        "unchecked today",
        "doubtful",
        "out of tolerance",
    ]
    doubted = readings(desk.journal)[1]
    assert "force failed against weight-200g afterwards" in doubted.stamp.reason
    assert doubted.stamp.check == logged.stamp.check
    doubt = desk.announced[1].fact
    assert isinstance(doubt, Amendment)
    assert (doubt.reading, doubt.check) == (logged.id, failed.id)

    desk.check(check("fail", at=after(2)))
    assert len(list(desk.journal.events("amendment"))) == 1, "doubted once is enough"

    desk.logger.amend(
        Amendment(reading=logged.id, what="cleared", reason="the wrong weight was hung", by="K.")
    )
    assert readings(desk.journal)[1] == logged


def test_one_moment_holds_one_check_of_a_gauge(desk: Desk) -> None:
    desk.check(check())
    with pytest.raises(JournalError, match=r"already holds 'check\.force\.all\.2031-05-04T12:00:00"):
        desk.check(check())


def test_a_gloss_reading_is_stamped_by_the_check_at_its_angle(desk: Desk) -> None:
    desk.check(check(gauge="gloss", channel="60", unit="GU", reference="tile"))
    states = [
        desk.logger.log(
            taken(ordinal, quantity="gloss", value=90.0, unit="GU", details={"channel": angle}),
            source=SOURCE,
            gauge="gloss",
            trial="t",
            step=STEP,
            sync_recording=desk.sync,
        ).stamp.state
        for ordinal, angle in enumerate(("60", "20"))
    ]
    assert states == ["in tolerance", "unchecked today"]


def test_amendments_apply_in_order(desk: Desk) -> None:
    logged = desk.log()
    for what, reason, counts in [
        ("flagged", "Grubbs, 5 %", None),
        ("ruling", "block was bumped", False),
        ("ruling", "seen again on video, was not", True),
    ]:
        desk.logger.amend(
            Amendment.model_validate({"reading": logged.id, "what": what, "reason": reason, "counts": counts})
        )
    (now,) = readings(desk.journal)
    assert (now.flagged, now.counts) == ("Grubbs, 5 %", True)
    desk.logger.amend(Amendment(reading=logged.id, what="unflagged", reason="more readings came"))
    desk.logger.amend(Amendment(reading=logged.id, what="ruling", reason="leave it to the method"))
    assert readings(desk.journal) == as_stamped(desk.journal) == [logged]


def test_only_a_logged_reading_can_be_amended(desk: Desk) -> None:
    event = desk.check(check())
    for wrong in ("force-1.rec#99", event.id):
        with pytest.raises(JournalError, match="has no reading"):
            desk.logger.amend(Amendment(reading=wrong, what="ruling", reason="no", counts=False))


def test_a_refusal_is_kept_with_its_reasons(desk: Desk) -> None:
    refused = taken(
        3, verdict="refused", value=float("nan"), reasons=("saturated",), details={"sliding_n": float("nan")}
    )
    for _ in range(2):
        refusal = desk.logger.refuse(
            refused, source=SOURCE, gauge="force", trial="t", step=STEP, sync_recording=desk.sync
        )
        assert (refusal.id, refusal.value, refusal.reasons) == ("force-1.rec#3", None, ("saturated",))
        assert refusal.details == {"sliding_n": None}
    assert desk.steps == ["synced", "appended", "announced", "synced"]
    assert readings(desk.journal) == []


def test_log_and_refuse_keep_to_capture_s_verdict(desk: Desk) -> None:
    with pytest.raises(ValueError, match="was refused; it is no reading"):
        desk.log(verdict="refused")
    with pytest.raises(ValueError, match="was accepted; log it"):
        desk.logger.refuse(taken(), source=SOURCE, gauge="force", sync_recording=desk.sync)


def test_a_value_that_is_no_number_is_no_reading(desk: Desk) -> None:
    with pytest.raises(JournalError, match=r"body\.value is nan"):
        desk.log(value=float("nan"))
    assert desk.announced == []


def test_an_unknown_gauge_is_refused_before_anything_happens(desk: Desk) -> None:
    with pytest.raises(ConfigError, match="did you mean 'force'"):
        desk.logger.log(taken(), source=SOURCE, gauge="forse", trial="t", step=STEP, sync_recording=desk.sync)
    assert desk.steps == []


def test_readings_of_one_trial(desk: Desk) -> None:
    desk.log(0)
    desk.logger.log(
        taken(1), source=SOURCE, gauge="force", trial="u", step=STEP, sync_recording=desk.sync, extra=True
    )
    assert [reading.extra for reading in readings(desk.journal, "u")] == [True]
    assert [reading.id for reading in as_stamped(desk.journal, "t")] == ["force-1.rec#0"]


def test_an_event_that_does_not_fit_is_one_clear_error(desk: Desk) -> None:
    desk.journal.append("reading", {"value": 1.0}, t_utc=NOON, t_mono_ns=0)
    with pytest.raises(JournalError, match=r"event 1 \(reading\) does not say what a reading must"):
        readings(desk.journal)
