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
    gathered,
    in_words,
    points_of,
    readings_used,
    with_uncertainty,
)
from acquire.scoring.results import PanelResult, Points, Score, Scorecard, SetResult
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
        points_of(total.points, total.status),
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
        for line in _panel_lines(panel):
            _say(console, line)
    for why, ids in gathered(score.left_out):
        _say(console, f"left out: {_ids(ids)}: {why}")
    for flag in score.flags:
        _say(console, f"stands out, {'counted' if flag.counted else 'not counted'}: {flag.id}: {flag.why}")
    for (state, reason), ids in _marks(score).items():
        _say(console, f"marked, {state}: {_ids(ids)}: {reason}")
    for note in score.notes:
        if not note.partition(": ")[2].startswith("outlier"):
            _say(console, f"note: {note}")


def _panel_lines(panel: PanelResult) -> Iterable[str]:
    for found in panel.sets:
        yield f"{panel.panel}, {found.phase}: {_set_words(found)}"
    if panel.sets and panel.figure is not None:
        unit = "" if panel.figure.unit == "1" else f" {panel.figure.unit}"
        sign = "lower by" if panel.figure.unit == "1" else "changed by"
        yield f"{panel.panel}: {sign} {panel.figure.text}{unit}"
    elif not panel.sets and panel.figure is not None:
        stages = ""
        if panel.highest_passed is not None or panel.first_failed is not None:
            stages = f" (passed {panel.highest_passed or 'no stage'}, failed {panel.first_failed or 'none'})"
        yield f"{panel.panel}: {panel.figure.text}{' points' if panel.figure.unit == 'points' else ''}{stages}"


def _set_words(found: SetResult) -> str:
    if found.mean is None or found.result is None:
        return found.problem or "no mean"
    counted = f"{len(found.used)} of {found.taken} taken"
    mean = f"{found.mean.text} {found.mean.unit}, sd {found.sd or 0.0:.2g}, {counted}"
    return mean if found.result.unit == found.mean.unit else f"friction {found.result.text} from {mean}"


def _marks(score: Score) -> dict[tuple[str, str], list[str]]:
    found: dict[tuple[str, str], list[str]] = {}
    for mark in score.marks:
        found.setdefault((mark.state.value, mark.reason), []).append(mark.id)
    return found


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
            _cell(row.total, row.status),
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


def _cell(points: Points | None, status: str = "given") -> str:
    return "–" if points is None else with_uncertainty(points, status).replace(" ± ", "\n±")


def _print_row_words(console: Console, row: Standing) -> None:
    if row.level_with:
        _say(console, f"{row.trial} cannot be told from {', '.join(row.level_with)}")
    if row.missing:
        _say(console, f"{row.trial} is not ranked: no {', '.join(test.value for test in row.missing)} yet")


def print_event(event: Event) -> None:
    """Prints one event: number, time, what happened."""
    console = Console(highlight=False)
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(justify="right", min_width=5)
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(str(event.seq), f"{event.t_utc:%Y-%m-%d %H:%M:%S}Z", Text(in_words(event)))
    console.print(grid)
