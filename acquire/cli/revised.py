"""A revision as text for a terminal of 80 columns or more."""

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from acquire.model import Test
from acquire.outputs import revision_words as words
from acquire.revision import Revision, TrialMove

MOST_ROWS = 40
MOST_DIFFERENCES = 20


def print_revision(revision: Revision) -> None:
    """Prints what changed in the method, then old points above new ones, then why."""
    console = Console(highlight=False)
    console.print()
    console.rule(Text("Another method", style="bold"), align="left", characters="─")
    _say(console, f"old  {revision.old_title}, sha256 {words.hash_of(revision.old_sha256)}")
    _say(console, f"new  {revision.new_title}, sha256 {words.hash_of(revision.new_sha256)}")
    console.print(_changes(revision))
    console.rule(Text("What it makes of every trial", style="bold"), align="left", characters="─")
    shown = [move for move in revision.trials if move.moved] or list(revision.trials)
    console.print(_table(revision, shown[:MOST_ROWS]))
    if len(shown) > MOST_ROWS:
        _say(console, f"and {len(shown) - MOST_ROWS:,} more trials; --out and --json list all of them")
    console.rule(Text("Why", style="bold"), align="left", characters="─")
    for move, figures in words.whys(shown[:MOST_ROWS]):
        for figure in figures:
            old, new = words.points(figure.old), words.points(figure.new)
            _say(console, f"{move.trial}, {figure.name}: {old} → {new}: {words.why(figure)}")
    _captured(console, revision)
    for line in [*words.summary(revision), *_captured_words(revision)]:
        _say(console, line)


def _changes(revision: Revision) -> Table | Padding:
    if not revision.changes:
        return Padding("no key differs", (0, 0, 1, 2))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("key", overflow="fold", max_width=38)
    table.add_column("old", overflow="fold")
    table.add_column("new", overflow="fold")
    for change in revision.changes:
        table.add_row(change.key, Text(change.old), Text(change.new, style="bold"))
    return Padding(table, (1, 0, 1, 2))


def _table(revision: Revision, moves: list[TrialMove]) -> Table:
    tests = words.tests_of(revision)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 1, 0))
    table.add_column("place", justify="right", no_wrap=True)
    table.add_column("trial", overflow="fold", max_width=18)
    table.add_column("total", justify="right")
    for test in tests:
        table.add_column(test.value.replace(" ", "\n"), justify="right")
    for move in moves:
        below = Text(f"\n{move.product}", style="dim")
        table.add_row(
            words.places(move),
            Text.assemble(move.trial, below),
            *(_cell(move, test) for test in (None, *tests)),
        )
    return table


def _cell(move: TrialMove, test: Test | None) -> Text:
    figure = words.figure_of(move, test)
    if figure is None:
        return Text("–")
    if not figure.moved:
        return Text(words.points(figure.new))
    return Text.assemble((words.points(figure.old), "dim"), "\n", (words.points(figure.new), "bold"))


def _captured(console: Console, revision: Revision) -> None:
    if revision.captured is None:
        return
    found = revision.captured.differences
    for one in found[:MOST_DIFFERENCES]:
        _say(console, f"{one.trial}, {one.step}: {one.id}: {words.difference_words(one)}")
    if len(found) > MOST_DIFFERENCES:
        _say(console, f"and {len(found) - MOST_DIFFERENCES:,} more values; --out and --json list them")


def _captured_words(revision: Revision) -> list[str]:
    return words.captured_words(revision.captured) if revision.captured else []


def _say(console: Console, text: str) -> None:
    console.print(Padding(Text(text), (0, 0, 0, 2)))
