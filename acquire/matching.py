"""Which value that capture found is which reading or refusal of the journal: by the bytes they come from."""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from acquire.capture.taken import Taken
from acquire.model import Reading, Refusal

Item = Reading | Refusal


@dataclass(frozen=True, slots=True)
class Match:
    """What the journal has and what capture found there; one of them may be missing."""

    item: Item | None
    taken: Taken | None


def match(items: Sequence[Item], taken: Iterable[Taken]) -> list[Match]:
    """Matches all of one recording: first by where their bytes end, then by the most bytes in common.

    Args:
        items: of the journal, in any order.
        taken: in the recording's order.
    """
    waiting = {(item.raw.opening, item.raw.last_byte): item for item in items}
    found: list[Match] = []
    left: list[Taken] = []
    for one in taken:
        item = waiting.pop((one.opening, one.last_byte), None)
        if item is None:
            left.append(one)
        else:
            found.append(Match(item, one))
    shared = sorted(_overlaps(waiting.values(), left), key=lambda pair: -pair[0])
    for _, item, one in shared:
        place = item.raw.opening, item.raw.last_byte
        if place in waiting and one in left:
            left.remove(one)
            found.append(Match(waiting.pop(place), one))
    found += (Match(item, None) for item in waiting.values())
    found += (Match(None, one) for one in left)
    return found


def _overlaps(items: Iterable[Item], taken: Sequence[Taken]) -> Iterator[tuple[int, Item, Taken]]:
    ends = [(one.opening, one.last_byte) for one in taken]
    for item in items:
        raw = item.raw
        for one in taken[bisect_right(ends, (raw.opening, raw.first_byte)) :]:
            common = min(one.last_byte, raw.last_byte) - max(one.first_byte, raw.first_byte)
            if one.opening != raw.opening or common <= 0:
                break
            yield common, item, one


class Among:
    """Between which readings and refusals of a recording a value lies."""

    def __init__(self, items: Iterable[Item]) -> None:
        self._items = sorted(items, key=_place)
        self._places = [_place(item) for item in self._items]

    def neighbours(self, taken: Taken) -> tuple[Item, Item] | None:
        """The item before and the one behind, of the same opening of the port; None where one is missing."""
        index = bisect_right(self._places, (taken.opening, taken.last_byte))
        if not 0 < index < len(self._items):
            return None
        before, behind = self._items[index - 1], self._items[index]
        return (before, behind) if before.raw.opening == behind.raw.opening == taken.opening else None


def _place(item: Item) -> tuple[int, int]:
    return item.raw.opening, item.raw.last_byte
