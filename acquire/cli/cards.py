"""Scorecards and events as text for a terminal of 80 columns or more."""

from collections.abc import Iterable
from dataclasses import astuple

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from acquire.chain import Event
from acquire.outputs.budgets import COLUMNS, combined, rows
from acquire.outputs.words import (
    coverage_of,
    expanded,
    figure_words,
    gathered,
    in_words,
    marked,
    other_notes,
    points_of,
    readings_used,
    set_place,
    set_words,
    title_of,
    total_of,
)
from acquire.scoring.results import BudgetLine, PanelResult, Points, Score, Scorecard

MOST_IDS = 3
BUDGET_WIDTH = 110
"""Columns of a terminal from which on a budget's sources and numbers fit side by side."""
_NUMBERS = "{:>9}  {:>13}  {:<12}  {:>11}  {:>12}  {:>7}"


def print_card(card: Scorecard, *, budget: bool) -> None:
    """Prints one scorecard."""
    console = Console(highlight=False)
    total = card.total
    console.print()
    console.rule(Text(f"Trial {card.trial}", style="bold"), align="left", characters="─")
    console.print(_points_table(card))
    if total.points is not None:
        _say(console, f"± is expanded uncertainty: {coverage_of(total.points)} (total)")
    if total.missing:
        _say(console, f"total lacks: {', '.join(test.value for test in total.missing)}")
    for score in card.scores:
        _print_score(console, score)
        if budget and score.points is not None and score.points.budget:
            _print_budget(console, score.points)
        if budget and score.screening is not None and score.screening.budget:
            _print_lines(console, score.screening.budget)
    if budget and total.points is not None and total.points.budget:
        console.print(Text("Total", style="bold"))
        _print_budget(console, total.points)
    console.print(Text("Rests on", style="bold"))
    for assumption in card.assumptions:
        _say(console, assumption)
    _say(console, f"method: {card.method_title}, sha256 {card.method_sha256[:16]}…")


def _points_table(card: Scorecard) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    table.add_column("", style="bold")
    for title in ("points", "±"):
        table.add_column(title, justify="right")
    table.add_column("unrounded", justify="right", style="dim")
    table.add_column("used", justify="right")
    table.add_column("status")
    for score in card.scores:
        table.add_row(
            score.test.value,
            points_of(score.points, score.status),
            "" if score.points is None else expanded(score.points),
            "" if score.points is None else f"{score.points.unrounded:.4g}",
            readings_used(score),
            score.status,
        )
    total = card.total
    table.add_row(
        "total",
        total_of(total.points, [score.points for score in card.scores], total.status),
        "" if total.points is None else expanded(total.points),
        "" if total.points is None else f"{total.points.unrounded:.4g}",
        "",
        total.status,
        style="bold",
    )
    return table


def _print_score(console: Console, score: Score) -> None:
    console.print(Text(title_of(score.test), style="bold"))
    for reason in score.reasons:
        _say(console, f"{'not given' if score.points is None else 'at least'}: {reason}")
    for panel in score.panels:
        for line in _panel_lines(panel, score):
            _say(console, line)
    for why, ids in gathered(score.left_out):
        _say(console, f"left out: {_ids(ids)}: {why}")
    for flag in score.flags:
        _say(console, f"stands out, {'counted' if flag.counted else 'not counted'}: {flag.id}: {flag.why}")
    for state, reason, ids in marked(score):
        _say(console, f"marked, {state}: {_ids(ids)}: {reason}")
    for note in other_notes(score):
        _say(console, f"note: {note}")


def _panel_lines(panel: PanelResult, score: Score) -> Iterable[str]:
    for found in panel.sets:
        yield f"{panel.panel}, {set_place(found)}: {set_words(found, score)}"
    if panel.figure is not None:
        yield f"{panel.panel}: {figure_words(panel, score)}"


def _ids(ids: list[str]) -> str:
    if len(ids) <= MOST_IDS:
        return ", ".join(ids)
    return f"{len(ids)} readings, {ids[0]} to {ids[-1]}"


def _print_budget(console: Console, points: Points) -> None:
    _print_lines(console, points.budget)
    _say(console, combined(points))


def _print_lines(console: Console, lines: Iterable[BudgetLine]) -> None:
    """A budget as a table; where that would be too narrow to read, each source stands above its numbers."""
    if console.width < BUDGET_WIDTH:
        _say(console, _NUMBERS.format(*COLUMNS[1:]))
        for row in rows(lines):
            source, *numbers = astuple(row)
            _say(console, source)
            _say(console, _NUMBERS.format(*numbers))
        return
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in COLUMNS:
        left = heading in ("source", "distribution")
        table.add_column(heading, justify="left" if left else "right", no_wrap=heading != "source")
    for row in rows(lines):
        table.add_row(*(Text(cell) for cell in astuple(row)))
    console.print(Padding(table, (0, 0, 0, 2)))


def _say(console: Console, text: str) -> None:
    console.print(Padding(Text(text), (0, 0, 0, 2)))


def print_event(event: Event) -> None:
    """Prints one event: number, time, what happened."""
    console = Console(highlight=False)
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(justify="right", min_width=5)
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(str(event.seq), f"{event.t_utc:%Y-%m-%d %H:%M:%S}Z", Text(in_words(event)))
    console.print(grid)
