"""How sure a place is, as people read it: the letters of rows that cannot be told apart."""

from collections.abc import Sequence

from acquire.scoring.standings import Standings

RUN = 4
"""So many letters in a row are written as from and to."""


def all_letters(ranked: Standings) -> list[str]:
    """Every letter that some row has, in order: a to z, then those of two."""
    return sorted({name for row in ranked.rows for name in row.letters}, key=lambda name: (len(name), name))


def level_letters(names: Sequence[str], order: Sequence[str]) -> str:
    """Letters of one row; a longer run of neighbours as from and to.

    Args:
        order: from `all_letters`.
    """
    runs: list[list[str]] = []
    for name in names:
        if runs and order.index(name) == order.index(runs[-1][-1]) + 1:
            runs[-1].append(name)
        else:
            runs.append([name])
    parts = [[f"{run[0]}–{run[-1]}"] if len(run) >= RUN else run for run in runs]
    plain = [name for part in parts for name in part]
    return ("" if all(len(name) == 1 for name in plain) else " ").join(plain)
