"""What checks say of the readings before them, derived again beside what the journal says.

readings, checks, amendments, brackets, in the journal's order ──> doubts and brackets that do not follow
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence

from acquire.calibration.brackets import KNOWN_BAD, Bracket, span_of
from acquire.calibration.history import Known, channel_of
from acquire.model import Amendment, CalibrationState, Reading

_COMPARED = ("gauge", "channel", "opening", "verdict", "first", "last", "n")


class Aftermath:
    """Told of each event in the journal's order; keeps no more of a reading than its place and state."""

    def __init__(self) -> None:
        self._places: dict[tuple[str, str | None], list[tuple[int, str]]] = defaultdict(list)
        self._logged: dict[str, CalibrationState] = {}
        self._now: dict[str, CalibrationState] = {}
        self._due: dict[str, tuple[set[str], Bracket | None]] = {}
        """By the id of each check that is derived again: whom it puts in doubt, and its bracket."""
        self._doubted: dict[str, set[str]] = defaultdict(set)
        self._brackets: dict[str, list[Bracket]] = defaultdict(list)

    def reading(self, seq: int, reading: Reading) -> None:
        """A reading was logged as event `seq`."""
        self._places[reading.gauge, channel_of(reading.details)].append((seq, reading.id))
        self._logged[reading.id] = self._now[reading.id] = reading.stamp.state

    def check(self, closing: Known, history: Sequence[Known]) -> None:
        """A check was written; `history` is what was known of its gauge before it."""
        span = span_of(closing, history)
        places = self._places[span.gauge, span.channel]
        ids = [id_ for _, id_ in places[bisect_right(places, (span.since, "\uffff")) :]]
        failed = span.verdict == "failed"
        doubts = {id_ for id_ in ids if self._now[id_] not in KNOWN_BAD} if failed else set()
        closes = bool(ids) and (failed or span.opening is not None)
        self._due[closing.id] = doubts, span.bracket(ids) if closes else None

    def amendment(self, amendment: Amendment) -> None:
        """Something was learnt of a reading."""
        id_ = amendment.reading
        if amendment.what == "doubtful":
            self._now[id_] = CalibrationState.DOUBTFUL
            if amendment.check is not None:
                self._doubted[amendment.check].add(id_)
        elif amendment.what == "cleared" and id_ in self._logged:
            self._now[id_] = self._logged[id_]

    def bracket(self, bracket: Bracket) -> None:
        """A bracket was written."""
        self._brackets[bracket.closing].append(bracket)

    def differs(self) -> Iterator[str]:
        """What does not follow, a sentence each, when all was told."""
        for check, (due, bracket) in self._due.items():
            for id_ in sorted(due - self._doubted[check]):
                yield f"{id_} is not said to be doubtful, although the failed check {check} puts it in doubt"
            for id_ in sorted(self._doubted[check] - due):
                yield f"{id_} is said to be doubtful by the check {check}, which does not reach it"
            kept = [_compared(one) for one in self._brackets[check]]
            if kept != ([] if bracket is None else [_compared(bracket)]):
                yield f"the bracket that the check {check} closes does not follow from what was before it"


def _compared(bracket: Bracket) -> tuple[object, ...]:
    return tuple(getattr(bracket, name) for name in _COMPARED)
