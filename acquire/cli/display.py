"""Shows notes while capturing: a line for each, and a bar for how far the step is."""

from types import TracebackType
from typing import Self

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from acquire.calibration.checks import Check
from acquire.cli.options import echo_json
from acquire.notes import Note

MARKS = {
    "reading": "taken",
    "extra": "extra",
    "refused": "REFUSED",
    "full": "FULL",
    "check": "check",
    "amended": "noted",
    "waiting": "now",
    "port": "port",
    "lost": "LOST",
    "trouble": "LOOK",
    "climate": "climate",
    "strokes": "strokes",
}


class Display:
    """A context manager; `show` takes notes. One plain line for each where the output is no terminal."""

    def __init__(self, title: str, *, as_json: bool = False) -> None:
        self._title = title
        self._as_json = as_json
        self._console = Console(highlight=False)
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=16),
            TextColumn("{task.completed:.0f}/{task.total:.0f}"),
            TimeElapsedColumn(),
            console=self._console,
            disable=as_json or not self._console.is_terminal,
        )
        self._task: TaskID | None = None
        self._begun = False
        self.check: Check | None = None
        """The newest check that was shown."""

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def show(self, note: Note) -> None:
        """Shows one note."""
        if isinstance(note.about, Check):
            self.check = note.about
        if self._as_json:
            about = None if note.about is None else note.about.model_dump(mode="json")
            said = {"kind": note.kind, "gauge": note.gauge, "text": note.text, "about": about}
            echo_json(said, indent=None)
            return
        if not self._begun:
            # Not before there is something to show: a command that cannot begin says only why.
            self._begun = True
            self._console.print(Text(self._title, style="bold"), soft_wrap=True)
        self._move(note)
        mark, text = MARKS[note.kind], f"{note.gauge}: {note.text}" if note.gauge else note.text
        if not self._console.is_terminal:
            click.echo(f"{mark:>8}  {text}")
        elif note.kind != "strokes":  # those the bar shows
            line = Table.grid(padding=(0, 2, 0, 0))
            line.add_column(justify="right", min_width=8)
            line.add_column(overflow="fold")
            line.add_row(mark, Text(text))
            self._console.print(line)

    def _move(self, note: Note) -> None:
        if note.progress is None:
            return
        done, wanted = note.progress
        if self._task is None:
            self._task = self._bar.add_task(self._title, total=wanted)
        self._bar.update(self._task, completed=done, total=wanted)
