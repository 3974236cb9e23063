"""Programs that tests need: where one is missing the test is skipped, and in CI fails (see conftest.py)."""

import shutil
from pathlib import Path

import pytest


def program(name: str, *, where: tuple[str, ...] = ()) -> Path:
    """The path of a program, on the path or in one of the folders `where`."""
    for place in (None, *where):
        found = shutil.which(name, path=place)
        if found is not None:
            return Path(found)
    pytest.skip(f"{name} is not installed")
