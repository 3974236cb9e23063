"""An archive scored on several processors at once; each process reads its own part of the journal."""

import gc
import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from typing import TypeVar

from acquire.archive import Archive, Part
from acquire.bench import Bench
from acquire.journal import Journal
from acquire.model import Trial
from acquire.results import View, scored_views
from acquire.scoring.method import LocalGravity, Method
from acquire.scoring.results import Scorecard

_T = TypeVar("_T")

PART_TRIALS_N = 200
"""To a process at a time: some tenths of a second of work."""
FEW_TRIALS_N = 1000
"""Up to here, further processes take longer to start than they save."""

Make = Callable[[Trial, list[Scorecard]], _T]


@dataclass(frozen=True, slots=True)
class _Work:
    archive: Archive
    gravity: LocalGravity
    views: tuple[View, ...]


def rescored_at_once(
    journal: Journal,
    bench: Bench,
    method: Method,
    make: Callable[[Scorecard], _T],
    *,
    as_stamped: bool = False,
    processes: int | None = None,
) -> Iterator[_T]:
    """What `make` makes of the cards of `acquire.results.rescored`, in their order, by several processes.

    Arguments and errors are those of `seen_at_once`.
    """
    only = partial(_of_only, make)
    return seen_at_once(journal, bench, [View(method)], only, as_stamped=as_stamped, processes=processes)


def _of_only(make: Callable[[Scorecard], _T], trial: Trial, cards: list[Scorecard]) -> _T:
    return make(cards[0])


def seen_at_once(
    journal: Journal,
    bench: Bench,
    views: Sequence[View],
    make: Make[_T],
    *,
    as_stamped: bool = False,
    processes: int | None = None,
) -> Iterator[_T]:
    """What `make` makes of each trial and its cards, one for each view, in the order in which trials ended.

    Args:
        make: a function of a module, called where the cards are; what it returns is sent between processes,
            so the less it is the quicker.
        as_stamped: readings as they were logged, without anything learnt since.
        processes: how many; None: one for each processor. Few trials are scored in this process.

    Raises:
        JournalError: the journal cannot be read.
        MethodError: something would count twice.
    """
    processes = processes or os.cpu_count() or 1
    archive, gravity = Archive(journal, as_stamped=as_stamped), bench.gravity()
    parts = archive.parts(PART_TRIALS_N)
    if processes == 1 or len(parts) * PART_TRIALS_N <= FEW_TRIALS_N:
        for part in parts:
            for trial, cards in scored_views(archive, part, gravity, views):
                yield make(trial, cards)
        return
    begun = (str(journal.path), archive.until, as_stamped, gravity, tuple(views))
    with ProcessPoolExecutor(processes, get_context("spawn"), _begin, begun) as pool:
        waiting: deque[Future[list[_T]]] = deque()
        for part in parts:
            waiting.append(pool.submit(_score, part, make))
            # No more than this ahead, or a slow reader would find the whole archive in memory.
            if len(waiting) > 2 * processes:
                yield from waiting.popleft().result()
        while waiting:
            yield from waiting.popleft().result()


_work: list[_Work] = []
"""What this process works on; empty in the one that began the others."""


def _begin(path: str, until: int, as_stamped: bool, gravity: LocalGravity, views: tuple[View, ...]) -> None:
    archive = Archive(Journal.open(path, readonly=True), until=until, as_stamped=as_stamped)
    _work.append(_Work(archive, gravity, views))
    # Nothing here is kept in circles: the collector would only walk through what was just read.
    gc.disable()


def _score(part: Part, make: Make[_T]) -> list[_T]:
    work = _work[0]
    return [make(trial, cards) for trial, cards in scored_views(work.archive, part, work.gravity, work.views)]
