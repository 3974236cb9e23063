"""A journal trial by trial, for working out many trials in a memory that does not grow with them.

    journal ──shares──> share of one trial, as soon as its last event is read

Only the trials that were open at the same time are held together. What is read this way is the same as
`acquire.known` and `acquire.results.gather` read of the whole.
"""

from collections.abc import Iterator
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


def shares(journal: Journal, *, as_stamped: bool = False) -> Iterator[Share]:
    """Every trial with what it gave, in the order in which they ended; those that gave nothing come last.

    Args:
        as_stamped: readings as they were logged, without anything learnt since.

    Raises:
        JournalError: the journal cannot be read.
    """
    journal = journal.as_of(journal.head()[0])
    last = journal.last_of_trials(("reading", "rating", "inspection"))
    trials, void = trials_of(journal), withdrawn(journal)
    amendments = {} if as_stamped else amendments_of(journal)
    confirmed = Confirmed([] if as_stamped else confirming_spans(History(journal).all()))
    begun: dict[str, Share] = {}
    by_kind: list[Iterator[tuple[int, _Item]]] = [
        bodies(journal, "reading", Reading),
        bodies(journal, "rating", Rating),
        bodies(journal, "inspection", Inspection),
    ]
    for seq, item in merge(*by_kind, key=itemgetter(0)):
        if item.trial not in trials:
            continue
        share = begun.get(item.trial)
        if share is None:
            share = begun[item.trial] = Share(trials[item.trial])
        if isinstance(item, Reading):
            share.readings.append(item if as_stamped else as_known(seq, item, amendments, confirmed))
        elif item.id in void:
            pass
        elif isinstance(item, Rating):
            share.ratings.append(item)
        else:
            share.inspections.append(item)
        if seq == last[item.trial]:
            yield begun.pop(item.trial)
    yield from (Share(trial) for id_, trial in trials.items() if id_ not in last)
