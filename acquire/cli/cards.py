"""Scorecards, standings and events as text for a terminal of 80 columns or more."""

from collections.abc import Iterable

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from acquire.chain import Event
from acquire.outputs.words import (
    coverage_of,
    expanded,
    figure_words,
    gathered,
    in_words,
    marked,
    other_notes,
    plus_minus,
    points_of,
    readings_used,
    set_place,
    set_words,
    total_of,
    with_uncertainty,
)
from acquire.scoring.results import PanelResult, Points, Score, Scorecard
from acquire.scoring.standings import Standing, Standings

MOST_IDS = 3


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
            console.print(Padding(_budget_table(score.points), (0, 0, 0, 2)))
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
    console.print(Text(score.test.value.capitalize(), style="bold"))
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


def _budget_table(points: Points) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("source", overflow="fold")
    table.add_column("standard u", justify="right")
    table.add_column("degrees", justify="right")
    table.add_column("points", justify="right")
    for line in points.budget:
        freedom = "∞" if line.degrees_of_freedom is None else f"{line.degrees_of_freedom:g}"
        unit = "" if line.unit == "1" else f" {line.unit}"
        table.add_row(
            line.source, f"{line.standard_uncertainty:.2g}{unit}", freedom, f"{line.contribution:.2g}"
        )
    return table


def _say(console: Console, text: str) -> None:
    console.print(Padding(Text(text), (0, 0, 0, 2)))


def print_ranked(ranked: Standings) -> None:
    """Prints standings: points above, expanded uncertainty below."""
    console = Console(highlight=False)
    tests = list(ranked.rows[0].by_test)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 1, 0))
    table.add_column("place", justify="right")
    table.add_column("trial", overflow="fold", max_width=18)
    table.add_column("total", justify="right", style="bold")
    for test in tests:
        table.add_column(test.value.replace(" ", "\n"), justify="right")
    for row in ranked.rows:
        table.add_row(
            "–" if row.place is None else str(row.place),
            row.trial,
            _total_cell(row),
            *(_cell(row.by_test[test]) for test in tests),
        )
    console.print()
    console.rule(Text("Standings", style="bold"), align="left", characters="─")
    console.print(table)
    for row in ranked.rows:
        _print_row_words(console, row)
    with_total = next((row.total for row in ranked.rows if row.total is not None), None)
    if with_total is not None:
        _say(console, f"± is expanded uncertainty at {100 * with_total.coverage:g} % coverage")
    _say(console, ranked.note)
    _say(console, f"method: {ranked.method_title}, sha256 {ranked.method_sha256[:16]}…")


def _cell(points: Points | None) -> str:
    return with_uncertainty(points).replace(" ± ", "\n±")


def _total_cell(row: Standing) -> str:
    shown = total_of(row.total, row.by_test.values(), row.status)
    return f"{shown}{plus_minus(row.total)}".replace(" ± ", "\n±")


def _print_row_words(console: Console, row: Standing) -> None:
    if row.level_with:
        _say(console, f"{row.trial} cannot be told from {', '.join(row.level_with)}")
    if row.control:
        _say(console, f"{row.trial} is not ranked: untreated control")
    elif row.missing:
        _say(
            console, f"{row.trial} is not ranked, for want of {', '.join(test.value for test in row.missing)}"
        )


def print_event(event: Event) -> None:
    """Prints one event: number, time, what happened."""
    console = Console(highlight=False)
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(justify="right", min_width=5)
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(str(event.seq), f"{event.t_utc:%Y-%m-%d %H:%M:%S}Z", Text(in_words(event)))
    console.print(grid)
