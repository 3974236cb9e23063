"""What takes part in the standings: one trial each, or all trials of a product as one."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from acquire.errors import MethodError
from acquire.model import Test
from acquire.scoring.combine import Combined, combine
from acquire.scoring.correlated import Correlated, correlate
from acquire.scoring.results import Points, Scorecard, TotalStatus


@dataclass(frozen=True, slots=True)
class Entry:
    """A row before it has a place."""

    name: str
    product: str
    control: bool
    trials: tuple[str, ...]
    left_out: tuple[str, ...]
    """Trials of the product that lack what the ranking goes by."""
    status: TotalStatus
    missing: tuple[Test, ...]
    total: Combined | None
    by_test: Mapping[Test, Combined | None]
    test: Test | None
    """What it is ranked by; None: the total."""
    lower_limit: bool
    """What it is ranked by is only known to be at least that much."""

    @property
    def figure(self) -> Combined | None:
        """What it is ranked by; None: it is not ranked."""
        if self.control:
            return None
        if self.test is not None:
            return self.by_test[self.test]
        return None if self.status == "incomplete" else self.total


def entry_of(card: Scorecard, product: str, test: Test | None) -> Entry:
    """A trial as a row of its own."""
    return _entry(card.trial, product, [card], (), test, frozenset())


def entries_by_product(
    scorecards: Sequence[Scorecard], products: Mapping[str, str], test: Test | None
) -> list[Entry]:
    """Products as rows; an untreated control is a row of its own whatever its product is called.

    Args:
        products: by trial.
        test: what is ranked by; a trial without it is left out of its product, unless none has it.

    Raises:
        MethodError: the product of a trial is not known.
    """
    unknown = sorted(card.trial for card in scorecards if card.trial not in products)
    if unknown:
        raise MethodError(
            f"no product is known for {', '.join(unknown)}", hint="hand over the trials of the scorecards"
        )
    groups: dict[tuple[str, bool], list[Scorecard]] = defaultdict(list)
    for card in scorecards:
        groups[products[card.trial], card.control].append(card)
    usable = [[card for card in cards if _fits(card, test)] or cards for cards in groups.values()]
    counted = Counter(key for cards in usable for key in _keys(cards))
    across = frozenset(key for key, count in counted.items() if count > 1)
    return [
        _entry(product, product, used, _left_out(cards, used), test, across)
        for ((product, _), cards), used in zip(groups.items(), usable, strict=True)
    ]


def side_by_side(entries: Sequence[Entry]) -> Correlated:
    """What the entries are ranked by; all of them must have it."""
    return correlate([points_of(entry) for entry in entries])


def points_of(entry: Entry) -> Points:
    """What a ranked entry is ranked by.

    Raises:
        ValueError: it is not ranked.
    """
    if entry.figure is None:
        raise ValueError(f"{entry.name} is not ranked")
    return entry.figure.points


def _left_out(cards: Sequence[Scorecard], used: Sequence[Scorecard]) -> tuple[str, ...]:
    kept = {card.trial for card in used}
    return tuple(card.trial for card in cards if card.trial not in kept)


def _fits(card: Scorecard, test: Test | None) -> bool:
    if test is None:
        return card.total.status != "incomplete"
    score = card.score(test)
    return score is not None and score.points is not None


def _keys(cards: Sequence[Scorecard]) -> frozenset[str]:
    """Keys of all sources of some trials' totals, which hold those of their tests."""
    return frozenset(
        line.key
        for card in cards
        if card.total.points is not None
        for line in card.total.points.budget
        if line.key
    )


def _entry(
    name: str,
    product: str,
    cards: Sequence[Scorecard],
    left_out: tuple[str, ...],
    test: Test | None,
    elsewhere: frozenset[str],
) -> Entry:
    first = cards[0]
    statuses = {card.total.status for card in cards}
    missing = {lack for card in cards for lack in card.total.missing}
    given = [card.score(test) for card in cards] if test is not None else []
    whole: TotalStatus = "at least" if "at least" in statuses else "complete"
    status: TotalStatus = "incomplete" if "incomplete" in statuses else whole
    by_test = {
        score.test: _together([_points(card, score.test) for card in cards], elsewhere)
        for score in first.scores
    }
    return Entry(
        name=name,
        product=product,
        control=first.control,
        trials=tuple(card.trial for card in cards),
        left_out=left_out,
        status=status,
        missing=tuple(lack for lack in Test if lack in missing),
        # Parts of totals that lack different tests have no mean that means anything.
        total=None
        if status == "incomplete" and len(cards) > 1
        else _together([card.total.points for card in cards], elsewhere),
        by_test=by_test,
        test=test,
        lower_limit=any(one is not None and one.status == "at least" for one in given)
        if test is not None
        else status == "at least",
    )


def _points(card: Scorecard, test: Test) -> Points | None:
    score = card.score(test)
    return None if score is None else score.points


def _together(
    points: Sequence[Points | None], elsewhere: frozenset[str] | tuple[str, ...]
) -> Combined | None:
    """All of them as one; None if one of them has none."""
    given = [one for one in points if one is not None]
    return combine(given, elsewhere) if len(given) == len(points) else None
