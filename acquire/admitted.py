"""The calibration state of readings that were never logged, as the events around their place tell it.

For a value that was refused when it was taken and that other rules would have accepted: it is stamped from
what the journal knew at that place, then learns what came after it.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from functools import cached_property

from acquire.bench import Bench, parse_bench
from acquire.calibration.brackets import Confirmed, confirming_spans, span_of
from acquire.calibration.checks import Check
from acquire.calibration.correction import Correction
from acquire.calibration.history import Known, channel_of
from acquire.calibration.rules import rules_for
from acquire.calibration.stamp import corrected_stamp
from acquire.facts import facts
from acquire.journal import Journal
from acquire.known import History, as_known
from acquire.model import AppliedCorrection, BenchText, CalibrationState, Reading, Stamp


class Admission:
    """What a journal knows of its gauges, to be asked for the state at any place in it.

    Args:
        bench: its rules hold where the journal does not tell of the bench file.
    """

    def __init__(self, journal: Journal, bench: Bench) -> None:
        self._journal, self._bench = journal, bench
        self._history = History(journal)
        self._parsed: dict[str, Bench] = {}

    def admitted(self, seq: int, reading: Reading) -> Reading:
        """A reading as it would be known now, had it been logged as event `seq`; its own stamp is not looked
        at.

        Raises:
            ConfigError: the bench of then had no such gauge.
        """
        stamp, correction = self.stamped(seq, reading)
        made = reading.model_copy(update={"stamp": stamp, "correction": correction})
        doubt = self._doubt(seq, made)
        if doubt is not None:
            in_doubt = stamp.model_copy(update={"state": CalibrationState.DOUBTFUL, "reason": doubt})
            return made.model_copy(update={"stamp": in_doubt, "bracket": "failed"})
        return as_known(seq, made, {}, self._confirmed)

    def stamped(self, seq: int, reading: Reading) -> tuple[Stamp, AppliedCorrection | None]:
        """The stamp and the correction that its value would have been logged with as event `seq`.

        Raises:
            ConfigError: the bench of then had no such gauge.
        """
        rules = rules_for(self._bench_at(seq), reading.gauge)
        return corrected_stamp(
            reading.gauge,
            reading.t_utc,
            self._before(seq),
            [correction for at, correction in self._corrections if at < seq],
            rules,
            channel=channel_of(reading.details),
            value=reading.value,
            trial=reading.trial,
            trial_opened=self._history.opened(reading.trial) if rules.before_trial else None,
        )

    def _doubt(self, seq: int, reading: Reading) -> str | None:
        """Why a check behind it puts it in doubt, as the journal says of the readings beside it."""
        if reading.stamp.state is CalibrationState.OUT_OF_TOLERANCE:
            return None
        channel = channel_of(reading.details)
        for known in self._behind(seq):
            check = known.fact
            if not isinstance(check, Check) or check.verdict != "fail" or check.gauge != reading.gauge:
                continue
            if span_of(known, self._known).holds(seq, reading.gauge, channel):
                return f"a later check failed: {check.reason}"
        return None

    @cached_property
    def _known(self) -> list[Known]:
        return self._history.all()

    @cached_property
    def _confirmed(self) -> Confirmed:
        return Confirmed(confirming_spans(self._known))

    @cached_property
    def _corrections(self) -> list[tuple[int, Correction]]:
        return [(event.seq, one) for event, one in facts(self._journal, "correction", Correction)]

    @cached_property
    def _texts(self) -> list[tuple[int, BenchText]]:
        return [(event.seq, text) for event, text in facts(self._journal, "bench", BenchText)]

    def _before(self, seq: int) -> Sequence[Known]:
        return self._known[: bisect_left(self._known, seq, key=lambda known: known.seq)]

    def _behind(self, seq: int) -> Iterable[Known]:
        return self._known[bisect_left(self._known, seq, key=lambda known: known.seq) :]

    def _bench_at(self, seq: int) -> Bench:
        noted = [text for at, text in self._texts if at < seq]
        if not noted:
            return self._bench
        newest = noted[-1]
        if newest.sha256 not in self._parsed:
            self._parsed[newest.sha256] = parse_bench(newest.text, "the bench file kept in the journal")
        return self._parsed[newest.sha256]
