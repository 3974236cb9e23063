"""What the journal knows: of the gauges, and of the readings as stamped then and as known now.

"As known now" is what was logged, with every amendment and every closing check since applied in the order of
the journal; the same can be had for any event in between. Nothing here writes.
"""

from collections import deque
from collections.abc import Iterable, Mapping

from acquire.bench import Bench, parse_bench
from acquire.calibration.brackets import Confirmed, confirming_spans
from acquire.calibration.checks import Check
from acquire.calibration.correction import Correction
from acquire.calibration.history import Incident, Known, channel_of
from acquire.chain import Event
from acquire.facts import bodies, facts
from acquire.journal import Journal
from acquire.model import Amendment, BenchText, CalibrationState, Reading, Trial

WAITS = "not confirmed yet by a check behind it, as the rule after_trial asks"


class History:
    """What the journal knows of the gauges, read up to date at each use."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._checks: list[Known] = []
        self._incidents: list[Known] = []
        self._corrections: list[tuple[int, Correction]] = []
        self._bench: tuple[int, str] = (0, "")
        self._opened: dict[str, int] = {}

    def all(self) -> list[Known]:
        """Checks and incidents, in order."""
        self._read("check", Check, self._checks)
        self._read("incident", Incident, self._incidents)
        return sorted((*self._checks, *self._incidents), key=lambda known: known.seq)

    def _read(self, kind: str, model: type[Check] | type[Incident], known: list[Known]) -> None:
        since = known[-1].seq if known else 0
        for event, fact in facts(self._journal, kind, model, since=since):
            known.append(Known(event.seq, event.id, fact))

    def corrections(self) -> list[Correction]:
        """Corrections switched on and off, in order."""
        since = self._corrections[-1][0] if self._corrections else 0
        for event, correction in facts(self._journal, "correction", Correction, since=since):
            self._corrections.append((event.seq, correction))
        return [correction for _, correction in self._corrections]

    def bench_sha256(self) -> str:
        """Of the newest bench file; empty if there is none."""
        for event, noted in facts(self._journal, "bench", BenchText, since=self._bench[0]):
            self._bench = event.seq, noted.sha256
        return self._bench[1]

    def opened(self, trial: str) -> int | None:
        """Number of the event that opened a trial."""
        if trial not in self._opened:
            for event, begun in facts(self._journal, "trial", Trial):
                self._opened.setdefault(begun.id, event.seq)
        return self._opened.get(trial)


def bench_of(journal: Journal) -> Bench | None:
    """The bench as its file said when it was last used; None in journals of earlier versions.

    Raises:
        JournalError: the journal cannot be read.
        ConfigError: this version of the program cannot read that file.
    """
    noted = deque(facts(journal, "bench", BenchText), maxlen=1)
    return parse_bench(noted[0][1].text, f"bench file of event {noted[0][0].seq}") if noted else None


def check_named(journal: Journal, said: str) -> Event | None:
    """The event of a check, by its id or by its number in the journal; None if that is no check.

    Raises:
        JournalError: the journal cannot be read.
    """
    event = next(journal.events(since=int(said) - 1), None) if said.isdecimal() else journal.find(said)
    return event if event is not None and event.kind == "check" else None


def as_stamped(journal: Journal, trial: str | None = None) -> list[Reading]:
    """Readings as they were logged, in order; of one trial or of all.

    Raises:
        JournalError: the journal cannot be read.
    """
    return [reading for _, reading in bodies(journal, "reading", Reading, trial=trial)]


def readings(journal: Journal, trial: str | None = None) -> list[Reading]:
    """Readings as known now: as logged, with every amendment and closing check since applied in order.

    Args:
        journal: `Journal.as_of` gives one that ends earlier, for what was known then.
        trial: readings of one trial; of all if left out.

    Raises:
        JournalError: the journal cannot be read.
    """
    # Amendments last: one written meanwhile then finds its reading, or waits for the next call.
    logged = list(bodies(journal, "reading", Reading, trial=trial))
    confirmed = Confirmed(confirming_spans(History(journal).all()))
    amendments = amendments_of(journal)
    return [as_known(seq, reading, amendments, confirmed) for seq, reading in logged]


def amendments_of(journal: Journal) -> dict[str, list[Amendment]]:
    """What was learnt since, by the id of the reading, each in the journal's order."""
    found: dict[str, list[Amendment]] = {}
    for _, amendment in facts(journal, "amendment", Amendment):
        found.setdefault(amendment.reading, []).append(amendment)
    return found


def as_known(
    seq: int, reading: Reading, amendments: Mapping[str, list[Amendment]], confirmed: Confirmed
) -> Reading:
    """A reading, logged as event `seq`, with what was learnt since."""
    # A failed check may come behind a passed one; a passed one never reaches back behind a failed one.
    if confirmed.holds(seq, reading.gauge, channel_of(reading.details)):
        reading = reading.model_copy(update={"bracket": "confirmed"})
    now = amended(reading, amendments.get(reading.id, ()))
    if now.stamp.closing_due and now.bracket == "open":
        waits = f"{now.stamp.reason}; {WAITS}"
        return now.model_copy(update={"stamp": now.stamp.model_copy(update={"reason": waits})})
    return now


def amended(reading: Reading, amendments: Iterable[Amendment]) -> Reading:
    """A reading as its amendments, in the order they were written, make it."""
    now = reading
    for amendment in amendments:
        match amendment.what:
            case "doubtful":
                doubt = {"state": CalibrationState.DOUBTFUL, "reason": amendment.reason}
                doubted: dict[str, object] = {"stamp": reading.stamp.model_copy(update=doubt)}
                if amendment.check is not None:
                    doubted["bracket"] = "failed"
                now = now.model_copy(update=doubted)
            case "cleared":
                now = now.model_copy(update={"stamp": reading.stamp, "bracket": reading.bracket})
            case "flagged":
                now = now.model_copy(update={"flagged": amendment.reason})
            case "unflagged":
                now = now.model_copy(update={"flagged": None})
            case "ruling":
                now = now.model_copy(update={"counts": amendment.counts})
    return now
