"""A journal trial by trial, for working out many trials in a memory that does not grow with them.

    journal ──parts──> part: some trials and where their events lie ──shares──> share of one trial

Only trials that were open at the same time are held together. What is read this way is the same as
`acquire.known` and `acquire.results.gather` read of the whole.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from heapq import merge
from operator import itemgetter

from acquire.calibration.brackets import Confirmed, confirming_spans
from acquire.facts import bodies
from acquire.journal import Journal
from acquire.known import History, amendments_of, as_known
from acquire.model import Inspection, Rating, Reading, Trial
from acquire.trials import trials_of, withdrawn

_Item = Reading | Rating | Inspection


@dataclass(frozen=True, slots=True)
class Share:
    """What one trial gave, each in the journal's order."""

    trial: Trial
    readings: list[Reading] = field(default_factory=list)
    ratings: list[Rating] = field(default_factory=list)
    """All but those withdrawn: the newest of each step counts."""
    inspections: list[Inspection] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Part:
    """Some trials of a journal, by name."""

    spans: Mapping[str, tuple[int, int]]
    """Numbers of the first and the last event of each trial that gave something."""
    silent: tuple[str, ...] = ()
    """Trials that gave nothing so far."""


class Archive:
    """A journal up to one of its events, to be read while it is open."""

    def __init__(self, journal: Journal, *, until: int | None = None, as_stamped: bool = False) -> None:
        """
        Args:
            until: number of the last event that counts; None: the newest there is now.
            as_stamped: readings as they were logged, without anything learnt since.

        Raises:
            JournalError: the journal cannot be read.
        """
        self.until = journal.head()[0] if until is None else until
        self._journal = journal.as_of(self.until)
        self._as_stamped = as_stamped
        self._trials, self._void = trials_of(self._journal), withdrawn(self._journal)
        known = History(self._journal).all() if not as_stamped else ()
        self._confirmed = Confirmed(confirming_spans(known))
        self._amendments = {} if as_stamped else amendments_of(self._journal)

    def parts(self, trials_n: int | None = None) -> list[Part]:
        """All trials, `trials_n` to a part, in the order in which they ended; None: all in one part.

        Raises:
            JournalError: the journal cannot be read.
        """
        spans = self._journal.spans_of_trials(("reading", "rating", "inspection"))
        ended = sorted((name for name in spans if name in self._trials), key=lambda name: spans[name][1])
        size = trials_n or len(ended) or 1
        parts = [
            Part({name: spans[name] for name in ended[first : first + size]})
            for first in range(0, len(ended), size)
        ]
        silent = tuple(name for name in self._trials if name not in spans)
        return [*parts, Part({}, silent)] if silent else parts

    def shares(self, part: Part) -> Iterator[Share]:
        """Every trial of a part with what it gave, as soon as its last event is read.

        Raises:
            JournalError: the journal cannot be read.
        """
        begun: dict[str, Share] = {}
        for seq, item in self._items(part):
            if item.trial not in part.spans:
                continue
            share = begun.get(item.trial)
            if share is None:
                share = begun[item.trial] = Share(self._trials[item.trial])
            self._put(share, seq, item)
            if seq == part.spans[item.trial][1]:
                yield begun.pop(item.trial)
        yield from (Share(self._trials[name]) for name in part.silent)

    def _items(self, part: Part) -> Iterator[tuple[int, _Item]]:
        if not part.spans:
            return iter(())
        since = min(first for first, _ in part.spans.values()) - 1
        journal = self._journal.as_of(max(last for _, last in part.spans.values()))
        kinds: list[Iterator[tuple[int, _Item]]] = [
            bodies(journal, "reading", Reading, since=since),
            bodies(journal, "rating", Rating, since=since),
            bodies(journal, "inspection", Inspection, since=since),
        ]
        return merge(*kinds, key=itemgetter(0))

    def _put(self, share: Share, seq: int, item: _Item) -> None:
        if isinstance(item, Reading):
            now = item if self._as_stamped else as_known(seq, item, self._amendments, self._confirmed)
            share.readings.append(now)
        elif item.id in self._void:
            return
        elif isinstance(item, Rating):
            share.ratings.append(item)
        else:
            share.inspections.append(item)
