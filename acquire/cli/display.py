"""Shows notes while capturing: a line for each, and a bar for how far the step is."""

import json
import re
from types import TracebackType
from typing import Self

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from acquire.notes import Note

MARKS = {
    "reading": "taken",
    "extra": "extra",
    "refused": "REFUSED",
    "full": "FULL",
    "check": "check",
    "amended": "noted",
    "waiting": "",
    "port": "port",
    "lost": "LOST",
    "strokes": "strokes",
}
_PROGRESS = re.compile(r"(\d+) of (\d+)")


class Display:
    """A context manager; `show` takes notes. Plain lines where the output is no terminal."""

    def __init__(self, title: str, *, as_json: bool = False) -> None:
        self._title = title
        self._as_json = as_json
        self._console = Console(highlight=False)
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.completed:.0f}/{task.total:.0f}"),
            TimeElapsedColumn(),
            console=self._console,
            disable=as_json or not self._console.is_terminal,
        )
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        if not self._as_json:
            self._console.print(f"[bold]{self._title}[/bold]")
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def show(self, note: Note) -> None:
        """Shows one note."""
        if self._as_json:
            about = None if note.about is None else note.about.model_dump(mode="json")
            click.echo(
                json.dumps({"kind": note.kind, "gauge": note.gauge, "text": note.text, "about": about})
            )
            return
        self._move(note)
        if note.kind == "strokes" and self._console.is_terminal:
            return  # the bar shows them
        mark = MARKS[note.kind]
        self._console.print(f"{mark:>8}  {note.gauge + ': ' if note.gauge else ''}{note.text}", markup=False)

    def _move(self, note: Note) -> None:
        found = _PROGRESS.match(note.text) if note.kind in ("reading", "strokes") else None
        if found is None:
            return
        done, wanted = int(found[1]), int(found[2])
        if self._task is None:
            self._task = self._bar.add_task(self._title, total=wanted)
        self._bar.update(self._task, completed=done)
