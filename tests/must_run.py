"""What a test needs of the machine: missing at a contributor's it is skipped, missing in CI it fails."""

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest


def program(name: str, *, where: tuple[str, ...] = ()) -> Path:
    """The path of a program, on the path or in one of the folders `where`."""
    for place in (None, *where):
        found = shutil.which(name, path=place)
        if found is not None:
            return Path(found)
    lacking(f"{name} is not installed")


def lacking(what: str) -> NoReturn:
    """Skips the test, or fails it where everything must run."""
    if os.environ.get("CI"):
        pytest.fail(f"{what}; in CI nothing may be skipped for that")
    pytest.skip(what)
