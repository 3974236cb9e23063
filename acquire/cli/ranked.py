"""Standings as text for a terminal of 80 columns or more."""

from collections.abc import Iterable

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from acquire.outputs.places import all_letters, level_letters
from acquire.outputs.words import plus_minus, total_of, with_uncertainty
from acquire.scoring.lifetime import lifetime_in_words
from acquire.scoring.results import Points
from acquire.scoring.standings import Standing, Standings

MOST_IN_WORDS = 12
"""Ranked rows up to which each says in words what it cannot be told from; beyond, the letters do."""
LEAST_CHANCE = 0.005


def print_ranked(ranked: Standings) -> None:
    """Prints standings: points above, expanded uncertainty below."""
    console = Console(highlight=False)
    tests = list(ranked.rows[0].by_test)
    order = all_letters(ranked)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 1, 0))
    table.add_column("place", justify="right")
    table.add_column(ranked.by, overflow="fold", max_width=18)
    if order:
        table.add_column("level", overflow="fold", max_width=5)
    table.add_column("total", justify="right", style="bold" if ranked.test is None else "")
    for test in tests:
        style = "bold" if test is ranked.test else ""
        table.add_column(test.value.replace(" ", "\n"), justify="right", style=style)
    for row in ranked.rows:
        table.add_row(
            _place_cell(row),
            _name_cell(row, ranked),
            *([level_letters(row.letters, order)] if order else []),
            _total_cell(row),
            *(_cell(row.by_test[test]) for test in tests),
        )
    console.print()
    by_test = "" if ranked.test is None else f" by {ranked.test.value}"
    console.rule(Text(f"Standings{by_test}", style="bold"), align="left", characters="─")
    console.print(table)
    for line in _words(ranked):
        _say(console, line)
    _say(console, f"method: {ranked.method_title}, sha256 {ranked.method_sha256[:16]}…")


def _say(console: Console, text: str) -> None:
    console.print(Padding(Text(text), (0, 0, 0, 2)))


def _place_cell(row: Standing) -> str:
    if row.place is None:
        return "–"
    if row.places is None:
        return str(row.place)
    best, worst = row.places
    return f"{row.place}\n" + (f"({best})" if best == worst else f"({best}–{worst})")


def _name_cell(row: Standing, ranked: Standings) -> Text:
    below = f"{len(row.trials)} trials" if len(row.trials) > 1 else ", ".join(row.trials)
    if ranked.by == "trial":
        below = row.product
    return Text.assemble(row.trial, (f"\n{below}", "dim")) if below else Text(row.trial)


def _cell(points: Points | None) -> str:
    return with_uncertainty(points).replace(" ± ", "\n±")


def _total_cell(row: Standing) -> str:
    shown = total_of(row.total, row.by_test.values(), row.status)
    return f"{shown}{plus_minus(row.total)}".replace(" ± ", "\n±")


def _words(ranked: Standings) -> Iterable[str]:
    placed = [row for row in ranked.rows if row.place is not None]
    for row in ranked.rows:
        yield from _row_words(row, ranked, in_words=len(placed) <= MOST_IN_WORDS)
    if len(placed) > MOST_IN_WORDS:
        yield "rows that have a letter in common cannot be told apart"
    first = [(row, row.chances.get(1, 0.0)) for row in placed]
    likely = [f"{row.trial} {100 * chance:.0f} %" for row, chance in first if chance >= LEAST_CHANCE]
    if likely:
        yield f"chance of first place: {', '.join(likely)}"
    with_total = next((row.total for row in ranked.rows if row.total is not None), None)
    if with_total is not None:
        coverage = f"{100 * with_total.coverage:g} %"
        yield f"± is expanded uncertainty at {coverage} coverage; in brackets the places it leaves open"
    yield ranked.note


def _row_words(row: Standing, ranked: Standings, *, in_words: bool) -> Iterable[str]:
    if row.level_with and in_words:
        yield f"{row.trial} cannot be told from {', '.join(row.level_with)}"
    if row.between_sd is not None and row.place is not None:
        scatter = (
            f"scatter by {row.between_sd:.2g} points more than" if row.between_sd else "scatter no more than"
        )
        yield f"{row.trial}: {', '.join(row.trials)} {scatter} their uncertainties explain"
    if row.life is not None:
        yield f"{row.trial} washed: {lifetime_in_words(row.life)}"
    if row.left_out:
        yield f"{row.trial}: without {', '.join(row.left_out)}, not complete"
    if row.control:
        yield f"{row.trial} is not ranked: untreated control"
    elif row.place is None and ranked.test is not None:
        yield f"{row.trial} is not ranked, for want of {ranked.test.value}"
    elif row.missing and ranked.test is None:
        yield f"{row.trial} is not ranked, for want of {', '.join(test.value for test in row.missing)}"
