"""An archive scored on several processors at once; each process reads its own part of the journal."""

import gc
import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

from acquire.archive import Archive, Part
from acquire.bench import Bench
from acquire.journal import Journal
from acquire.results import scored_part
from acquire.scoring.method import LocalGravity, Method
from acquire.scoring.results import Scorecard

PART_TRIALS_N = 200
"""To a process at a time: some tenths of a second of work, and some megabytes of scorecards."""
FEW_TRIALS_N = 1000
"""Up to here, further processes take longer to start than they save."""


@dataclass(frozen=True, slots=True)
class _Work:
    archive: Archive
    gravity: LocalGravity
    method: Method


def rescored_at_once(
    journal: Journal, bench: Bench, method: Method, *, as_stamped: bool = False, processes: int | None = None
) -> Iterator[Scorecard]:
    """The scorecards of `acquire.results.rescored`, in their order, by several processes if there are many.

    Args:
        as_stamped: readings as they were logged, without anything learnt since.
        processes: how many; None: one for each processor.

    Raises:
        JournalError: the journal cannot be read.
        MethodError: something would count twice.
    """
    processes = processes or os.cpu_count() or 1
    archive = Archive(journal, as_stamped=as_stamped)
    parts = archive.parts(PART_TRIALS_N)
    if processes == 1 or len(parts) * PART_TRIALS_N <= FEW_TRIALS_N:
        for part in parts:
            yield from scored_part(archive, part, bench.gravity(), method)
        return
    begun = (str(journal.path), archive.until, as_stamped, bench.gravity(), method)
    with ProcessPoolExecutor(processes, get_context("spawn"), _begin, begun) as pool:
        waiting: deque[Future[list[str]]] = deque()
        for part in parts:
            waiting.append(pool.submit(_score, part))
            # No more than this ahead, or a slow reader would find the whole archive in memory.
            if len(waiting) > 2 * processes:
                yield from _cards(waiting.popleft())
        while waiting:
            yield from _cards(waiting.popleft())


def _cards(done: Future[list[str]]) -> Iterator[Scorecard]:
    return (Scorecard.model_validate_json(text) for text in done.result())


_work: list[_Work] = []
"""What this process works on; empty in the one that began the others."""


def _begin(path: str, until: int, as_stamped: bool, gravity: LocalGravity, method: Method) -> None:
    archive = Archive(Journal.open(path, readonly=True), until=until, as_stamped=as_stamped)
    _work.append(_Work(archive, gravity, method))
    # Nothing here is kept in circles: the collector would only walk through what was just read.
    gc.disable()


def _score(part: Part) -> list[str]:
    work = _work[0]
    cards = scored_part(work.archive, part, work.gravity, work.method)
    # As text, which is quicker to send than the objects are.
    return [card.model_dump_json() for card in cards]
