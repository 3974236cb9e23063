"""Published figures held against the same figures worked out again; says exactly which differ, and how."""

from collections.abc import Iterator, Sequence
from math import isclose

from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings

CLOSE = 1e-9
"""Relative: what another machine's arithmetic may make of the same formula."""
SIMULATED_WITHIN = 6.0
"""Standard errors: what another generator of random numbers may make of a simulated probability."""

_WORDING = frozenset({"assumptions", "note", "notes", "problem", "reason", "reasons", "why"})
"""May be put more plainly by another version of the program."""
_NAMED_BY = ("test", "trial", "panel", "id", "key", "source")
_MOST_TOLD = 5


def count_figures(cards: Sequence[Scorecard], ranked: Standings) -> int:
    """How many published figures there are: points, totals and places."""
    points_n = sum(score.points is not None for card in cards for score in card.scores)
    totals_n = sum(card.total.points is not None for card in cards)
    return points_n + totals_n + sum(row.place is not None for row in ranked.rows)


def card_differences(published: Scorecard, again: Scorecard, *, same_program: bool) -> Iterator[str]:
    """One line for each value of a scorecard that came out otherwise, the first few of them.

    Args:
        same_program: they were made by the same version of the program, so wording is compared too.
    """
    found = _differ(
        published.model_dump(mode="json"), again.model_dump(mode="json"), (), not same_program, 0.0
    )
    yield from _told(f"scorecard of {published.trial}", found)


def standings_differences(published: Standings, again: Standings, *, same_program: bool) -> Iterator[str]:
    """One line for each value of standings that came out otherwise, the first few of them.

    Args:
        same_program: as for `card_differences`.
    """
    slack = SIMULATED_WITHIN * again.draws_standard_error
    found = _differ(
        published.model_dump(mode="json"), again.model_dump(mode="json"), (), not same_program, slack
    )
    yield from _told("standings", found)


_Path = tuple[str, ...]
_Difference = tuple[_Path, object, object]
_SIMULATED = frozenset({"chances", "draws_standard_error"})


def _told(what: str, found: Iterator[_Difference]) -> Iterator[str]:
    differences = list(found)
    for path, before, after in differences[:_MOST_TOLD]:
        yield f"{what}, {', '.join(path)}: published {before!r}, worked out again {after!r}"
    if len(differences) > _MOST_TOLD:
        yield f"{what}: and {len(differences) - _MOST_TOLD} more differences"


def _differ(before: object, after: object, path: _Path, loose: bool, slack: float) -> Iterator[_Difference]:
    if isinstance(before, dict) and isinstance(after, dict):
        for name in before | after:
            if not (loose and name in _WORDING):
                yield from _differ(before.get(name), after.get(name), (*path, str(name)), loose, slack)
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for index, (one, other) in enumerate(zip(before, after, strict=True)):
            yield from _differ(one, other, (*path, _name(one, index)), loose, slack)
    elif not _same(before, after, slack if _SIMULATED.intersection(path) else 0.0):
        yield path, before, after


def _name(item: object, index: int) -> str:
    """What a person calls one of a list: the test or trial it is of, else its number."""
    named = item if isinstance(item, dict) else {}
    return next((str(named[name]) for name in _NAMED_BY if named.get(name)), str(index + 1))


def _same(before: object, after: object, within: float) -> bool:
    if isinstance(before, bool) or isinstance(after, bool):
        return before is after
    if isinstance(before, int | float) and isinstance(after, int | float):
        return isclose(before, after, rel_tol=CLOSE, abs_tol=max(within, CLOSE))
    # A place that came up in no draw is not listed.
    if within and None in (before, after):
        return abs(float(str(before or after or 0.0))) <= within
    return before == after
