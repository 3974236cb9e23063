"""A revision in words: the same on the terminal and on paper."""

from collections import Counter
from collections.abc import Iterable

from acquire.model import Test
from acquire.outputs.words import of_unit
from acquire.recapture import Difference
from acquire.revision import Captured, FigureMove, Revision, TrialMove, Value


def points(value: Value | None) -> str:
    """Points as printed; a lower limit is shown as one."""
    if value is None:
        return "–"
    return f"≥ {value.text}" if value.status == "at least" else value.text


def expanded(value: Value | None) -> str:
    """What is written behind the points: " ± 0.47"; nothing where there is no uncertainty."""
    if value is None or not value.expanded_uncertainty:
        return ""
    return f" ± {value.expanded_uncertainty:#.2g}".removesuffix(".")


def place(number: int | None) -> str:
    """A place, or that there is none."""
    return "–" if number is None else str(number)


def places(move: TrialMove) -> str:
    """Old and new place: "3 → 1"; one alone where it stays."""
    if move.old_place == move.new_place:
        return place(move.new_place)
    return f"{place(move.old_place)} → {place(move.new_place)}"


def why(figure: FigureMove) -> str:
    """What moved a figure, each with what it makes: "slip.points_per_unit +1.2"."""
    said = [
        cause.name if cause.difference is None else f"{cause.name} {_signed(cause.difference)}"
        for cause in figure.causes
    ]
    return "; ".join(said)


def _signed(difference: float) -> str:
    return f"{difference:+.4g}".replace("-", "−")


def figure_of(move: TrialMove, test: Test | None) -> FigureMove | None:
    """The total or the points of one test of a trial."""
    return next((figure for figure in move.figures if figure.test is test), None)


def moved_figures(move: TrialMove) -> list[FigureMove]:
    """Figures that moved, tests before the total, which follows from them."""
    moved = [figure for figure in move.figures if figure.moved]
    return [figure for figure in moved if figure.test is not None] or moved


def tests_of(revision: Revision) -> list[Test]:
    """Tests that have points by either method."""
    given = {figure.test for move in revision.trials for figure in move.figures}
    return [test for test in Test if test in given]


def summary(revision: Revision) -> list[str]:
    """What came of it, one sentence each."""
    moves = revision.trials
    moved = [move for move in moves if any(figure.moved for figure in move.figures)]
    ranks = Counter(
        "up" if move.new_place < move.old_place else "down"
        for move in moves
        if move.old_place is not None and move.new_place is not None and move.old_place != move.new_place
    )
    said = [
        f"{len(moved)} of {_count(len(moves), 'trial')} {'has' if len(moved) == 1 else 'have'} other points; "
        f"{ranks['up']} up, {ranks['down']} down in place."
    ]
    doubts_n = sum(_only_doubts(move) for move in moves)
    if doubts_n:
        said.append(f"{_count(doubts_n, 'trial')} of the others: the same points with another uncertainty.")
    if revision.where is None:
        said.append("Nothing was published: the old figures are those of the bench's method now.")
    else:
        said.append(f"Held against what was published as {revision.where}, which stays as it is.")
    if revision.unheeded:
        keys = ", ".join(change.key for change in revision.unheeded)
        said.append(
            f"{keys}: what is accepted was decided when it was captured; --from-bytes captures anew by it."
        )
    return said


def _only_doubts(move: TrialMove) -> bool:
    return not any(figure.moved for figure in move.figures) and any(
        figure.old is not None and figure.new is not None and expanded(figure.old) != expanded(figure.new)
        for figure in move.figures
    )


def captured_words(found: Captured) -> list[str]:
    """What came of capturing anew, one sentence each."""
    kinds = Counter(one.what for one in found.differences)
    came = ", ".join(f"{count} {what}" for what, count in kinds.items()) or "every one came out the same"
    said = [
        f"Captured anew: {_count(found.readings_n, 'reading')} from "
        f"{_count(found.recordings_n, 'recording')}: {came}."
    ]
    if kinds["found anew"]:
        said.append("What was found anew counts for nothing: nobody said what it was.")
    return said + [f"Not captured anew, so its readings stand: {problem}" for problem in found.problems]


def difference_words(one: Difference) -> str:
    """One value that came out otherwise."""
    old, new = of_unit(one.old, one.unit), of_unit(one.new, one.unit)
    shown = {
        "now accepted": new,
        "found anew": new,
        "now refused": old,
        "no longer found": old,
        "other value": f"{old}, now {new}",
    }[one.what]
    because = "; ".join(reason.partition(":")[0] for reason in one.reasons)
    was = "refused then" if one.what == "now accepted" else "refused"
    return f"{one.what}: {shown}" + (f" ({was}: {because})" if because else "")


def hash_of(sha256: str) -> str:
    """As much of a fingerprint as tells methods apart."""
    return f"{sha256[:16]}…"


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def whys(moves: Iterable[TrialMove]) -> list[tuple[TrialMove, list[FigureMove]]]:
    """Trials that moved, each with its figures that did."""
    return [(move, moved_figures(move)) for move in moves if moved_figures(move)]
