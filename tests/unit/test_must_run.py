"""A test that needs a broker or a browser must not be skipped in CI."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SKIPS = """
from tests.must_run import program

def test_needs_it():
    program("no-such-program-anywhere")
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("folder", "ci", "said"),
    [
        ("broker", "", "1 skipped"),
        ("broker", "true", "1 failed"),
        ("browser", "true", "1 failed"),
        ("unit", "true", "1 skipped"),
    ],
)
def test_what_is_skipped(tmp_path: Path, folder: str, ci: str, said: str) -> None:
    (tmp_path / "conftest.py").write_text("from tests.conftest import pytest_runtest_makereport\n")
    (tmp_path / folder).mkdir()
    (tmp_path / folder / "test_one.py").write_text(SKIPS)
    root = Path(__file__).parents[2]
    ran = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-rs",
            "-p",
            "no:cacheprovider",
            "--rootdir",
            tmp_path,
            tmp_path,
        ],
        cwd=tmp_path,
        env={**os.environ, "CI": ci, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert said in ran.stdout
    assert "no-such-program-anywhere is not installed" in ran.stdout
