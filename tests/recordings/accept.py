"""Rewrites one expectation and shows what changed: `python -m tests.recordings.accept force-stream-n/steady`.

Alone in its commit, from a green base, the diff read and the reason written: so it refuses on a dirty tree.
"""

import subprocess
import sys
from difflib import unified_diff

from tests.recordings import pairs


def changed_files() -> str:
    """Tracked files that differ from the last commit, one a line."""
    command = ["git", "status", "--porcelain", "--untracked-files=no"]
    done = subprocess.run(command, cwd=pairs.FOLDER, capture_output=True, text=True, check=True)
    return done.stdout.rstrip()


def accept(name: str) -> str:
    """Writes the expectation anew; returns the diff, empty if nothing changed.

    Raises:
        ValueError: there is no such recording.
    """
    if name not in pairs.names():
        raise ValueError(f"no recording is called {name!r}; there are: {', '.join(pairs.names())}")
    path = pairs.expectation(name)
    old = path.read_text(encoding="utf-8") if path.exists() else ""
    new = pairs.outcome(name)
    path.write_text(new, encoding="utf-8", newline="\n")
    before, after = old.splitlines(keepends=True), new.splitlines(keepends=True)
    return "".join(unified_diff(before, after, f"{name} as it was", f"{name} as it is"))


def main(arguments: list[str]) -> str | None:
    """Returns what to complain about, or None."""
    if len(arguments) != 1:
        return "name one recording, such as force-stream-n/steady"
    if dirty := changed_files():
        return f"commit or undo these first, so that the new expectation stands alone:\n{dirty}"
    try:
        diff = accept(arguments[0])
    except ValueError as error:
        return str(error)
    sys.stdout.write(diff or "nothing changed\n")
    return None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
