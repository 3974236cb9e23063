"""Fails when a module outgrows its room: 400 lines is a warning, 600 the end. Run by `make check`."""

import sys
from pathlib import Path

SOFT, HARD = 400, 600
ROOMS = ("acquire", "drivers", "simulators", "config")


def main() -> int:
    """Prints what is too large; the exit code says whether anything is over the hard cap."""
    sizes = [
        (len(path.read_text(encoding="utf-8").splitlines()), path)
        for room in ROOMS
        for path in Path(room).rglob("*.py")
    ]
    for lines, path in sorted(sizes, reverse=True):
        if lines > SOFT:
            sys.stdout.write(f"{path}: {lines} lines (soft cap {SOFT}, hard cap {HARD})\n")
    return int(max(lines for lines, _ in sizes) > HARD)


if __name__ == "__main__":
    sys.exit(main())
