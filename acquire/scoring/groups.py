"""Groups of figures that cannot be told apart, as letters: two figures share a letter exactly if they cannot.

"Cannot be told apart" is not passed on: a may be level with b, and b with c, and a differ from c. Hence a
figure may carry several letters. Finding the smallest number of letters is hard in general (Gramm and others
2007, Comput. Stat. Data Anal. 52:725); this takes groups greedily, each as large as it can be, and drops
those that turn out to say nothing new. For figures of one size of uncertainty that is the smallest number.
"""

from itertools import product

import numpy as np
from numpy.typing import NDArray

from acquire.scoring.compare import Marks

ALPHABET = "abcdefghijklmnopqrstuvwxyz"


def letters(alike: Marks) -> list[tuple[str, ...]]:
    """Letters of each figure.

    Args:
        alike: symmetric, shape (figures, figures): true where two figures cannot be told apart. What it says
            on the diagonal does not matter. In order of place, so that "a" begins with the best.

    Returns:
        For each figure at least one letter, ascending; after "z" follow "aa", "ab", ...
    """
    groups = _without_needless(_groups(alike), len(alike))
    names = _names(len(groups))
    return [
        tuple(name for name, group in zip(names, groups, strict=True) if row in group)
        for row in range(len(alike))
    ]


def _groups(alike: Marks) -> list[frozenset[int]]:
    level = alike | np.eye(len(alike), dtype=np.bool_)
    open_pairs = np.triu(level)
    found: list[frozenset[int]] = []
    for row in range(len(level)):
        while open_pairs[row].any():
            # From the furthest pair inwards, so that a run of neighbours becomes one group at once.
            furthest = int(np.flatnonzero(open_pairs[row])[-1])
            members = _grown(level, row, furthest)
            open_pairs[np.ix_(members, members)] = False
            found.append(frozenset(members))
    return found


def _grown(level: Marks, one: int, other: int) -> list[int]:
    members = {one, other}
    candidates = level[one] & level[other]
    for row in np.flatnonzero(candidates):
        if candidates[row]:
            members.add(int(row))
            candidates &= level[row]
    return sorted(members)


def _without_needless(groups: list[frozenset[int]], count: int) -> list[frozenset[int]]:
    """Drops each group all of whose pairs, a figure with itself included, lie in others too."""
    times: NDArray[np.int64] = np.zeros((count, count), dtype=np.int64)
    for group in groups:
        times[np.ix_(sorted(group), sorted(group))] += 1
    kept: list[frozenset[int]] = []
    for group in groups:
        block = np.ix_(sorted(group), sorted(group))
        if (times[block] > 1).all():
            times[block] -= 1
        else:
            kept.append(group)
    return sorted(kept, key=sorted)


def _names(count: int) -> list[str]:
    names = list(ALPHABET)
    length = 2
    while len(names) < count:
        names += ("".join(some) for some in product(ALPHABET, repeat=length))
        length += 1
    return names[:count]
