"""What a check says of the readings before it.

    opening check (passed) ──readings──> closing check: passed confirms them, failed makes them doubtful

Pure functions of the gauge's history, in the order of the journal.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from acquire.calibration.checks import Check
from acquire.calibration.history import Checked, Incident, Known, channel_of, covers, decided, own_of
from acquire.model import CalibrationState, Model, Reading

BracketVerdict = Literal["confirmed", "failed", "undecided"]
_VERDICTS: dict[str, BracketVerdict] = {"pass": "confirmed", "fail": "failed", "undecided": "undecided"}
_MENDS = ("adjustment", "battery change")
KNOWN_BAD = (CalibrationState.OUT_OF_TOLERANCE, CalibrationState.DOUBTFUL)
"""Readings in these states cannot become more doubtful."""


class Bracket(Model):
    """What one check says of the readings since the check that opened their bracket (kind "bracket")."""

    gauge: str
    channel: str | None = None
    reference: str
    opening: str | None
    """Id of the event of the opening check; None: no check had passed before."""
    closing: str
    verdict: BracketVerdict
    """`undecided` neither confirms nor doubts."""
    first: str | None = None
    """Ids of the first and last reading in it."""
    last: str | None = None
    n: int
    t_utc: datetime


@dataclass(frozen=True, slots=True)
class Span:
    """Where in the journal a closing check's readings lie: behind `since`, before the check itself."""

    gauge: str
    channel: str | None
    opening: Checked | None
    closing: Checked

    @property
    def since(self) -> int:
        return self.opening[0].seq if self.opening else 0

    @property
    def until(self) -> int:
        return self.closing[0].seq

    @property
    def verdict(self) -> BracketVerdict:
        return _VERDICTS[self.closing[1].verdict]

    def holds(self, seq: int, gauge: str, channel: str | None) -> bool:
        """Whether a reading of that place in the journal lies in it."""
        return self.since < seq < self.until and (gauge, channel) == (self.gauge, self.channel)

    def bracket(self, readings: Sequence[str]) -> Bracket:
        """For the journal.

        Args:
            readings: ids of the readings in it, in order.
        """
        known, check = self.closing
        return Bracket(
            gauge=self.gauge,
            channel=self.channel,
            reference=check.reference,
            opening=self.opening[0].id if self.opening else None,
            closing=known.id,
            verdict=self.verdict,
            first=readings[0] if readings else None,
            last=readings[-1] if readings else None,
            n=len(readings),
            t_utc=check.t_utc,
        )


def span_of(closing: Known, history: Iterable[Known]) -> Span:
    """The bracket that a check closes.

    It was opened by the newest pass against the same references; if there is none, by the newest pass at all.
    What lies before a failed check is settled: for a check that does not fail, only passes after that count.
    Nor can a check that passes speak for readings before an adjustment or a new battery, which may have
    mended what was wrong then; one that fails still puts them in doubt.

    Raises:
        ValueError: `closing` is not a check.
    """
    check = closing.fact
    if not isinstance(check, Check):
        raise ValueError(f"event {closing.id} is not a check")
    own = [known for known in own_of(history, check.gauge, check.channel) if known.seq < closing.seq]
    if check.verdict != "fail":
        settled = max((known.seq for known in own if _settles(known)), default=0)
        own = [known for known in own if known.seq > settled]
    passes = [pair for pair in decided(own) if pair[1].verdict == "pass"]
    return Span(check.gauge, check.channel, _opening(passes, check), (closing, check))


def _opening(passes: Sequence[Checked], check: Check) -> Checked | None:
    same = (pair for pair in reversed(passes) if covers(pair[1], check))
    return next(same, passes[-1] if passes else None)


def _settles(known: Known) -> bool:
    fact = known.fact
    return fact.verdict == "fail" if isinstance(fact, Check) else fact.kind in _MENDS


def confirming_spans(history: Iterable[Known]) -> list[Span]:
    """All brackets that a passing check has closed, in the journal's order; each is what `span_of` gives."""
    found: list[Span] = []
    passes: dict[tuple[str, str | None], list[Checked]] = {}
    for known in history:
        fact = known.fact
        if _settles(known):
            for place, earlier in passes.items():
                if place[0] == fact.gauge and (isinstance(fact, Incident) or place[1] == fact.channel):
                    earlier.clear()
        elif isinstance(fact, Check) and fact.verdict == "pass":
            earlier = passes.setdefault((fact.gauge, fact.channel), [])
            if earlier:
                found.append(Span(fact.gauge, fact.channel, _opening(earlier, fact), (known, fact)))
            earlier.append((known, fact))
    return found


class Confirmed:
    """Where in the journal readings are confirmed, for many questions."""

    def __init__(self, spans: Iterable[Span]) -> None:
        # Merged where they overlap, so that one look at the nearest answers.
        self._runs: dict[tuple[str, str | None], list[tuple[int, int]]] = {}
        for span in sorted(spans, key=lambda span: span.since):
            runs = self._runs.setdefault((span.gauge, span.channel), [])
            if runs and span.since < runs[-1][1]:
                runs[-1] = runs[-1][0], max(runs[-1][1], span.until)
            else:
                runs.append((span.since, span.until))

    def holds(self, seq: int, gauge: str, channel: str | None) -> bool:
        """Whether a reading of that place in the journal is confirmed."""
        runs = self._runs.get((gauge, channel), [])
        index = bisect_left(runs, (seq,)) - 1
        return index >= 0 and runs[index][0] < seq < runs[index][1]


def doubtful_readings(
    failed: Known, history: Sequence[Known], readings: Iterable[tuple[int, Reading]]
) -> list[str]:
    """Ids of the readings that a failed check puts in doubt.

    These are the gauge's readings since it last passed against the same references; if it never did, since it
    last passed at all. Readings that were doubtful or out of tolerance already are left out.

    Args:
        failed: the failed check.
        history: what the journal knows of the gauge.
        readings: (place in the journal, reading), in any order.

    Raises:
        ValueError: `failed` is not a failed check.
    """
    if not (isinstance(failed.fact, Check) and failed.fact.verdict == "fail"):
        raise ValueError(f"event {failed.id} is not a failed check")
    span = span_of(failed, history)
    return [
        reading.id
        for seq, reading in readings
        if span.holds(seq, reading.gauge, channel_of(reading.details))
        and reading.stamp.state not in KNOWN_BAD
    ]
