"""On a console that cannot show every sign, signs are written out and nothing stops."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from acquire.cli.plain import plainly
from tests.benches import MadeBench


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with MadeBench(tmp_path_factory.mktemp("plain") / "bench") as made:
        made.check_force()
        made.begin("alder", "Café → Wax ∞ (invented)")
        made.slip("alder", "A", "bare", [3.0, 3.1, 2.9])
        made.slip("alder", "A", "treated", [2.0, 2.1, 1.9])
        return made.home.folder


def run(encoding: str, *args: str | Path) -> str:
    done = subprocess.run(
        [sys.executable, "-c", "from acquire.cli import main; main()", *map(str, args)],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
        timeout=30,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.decode(encoding)


@pytest.mark.slow  # each is a process of its own
@pytest.mark.parametrize(
    "words", [("score", "alder", "--budget"), ("standings",), ("journal",), ("trial", "list")]
)
def test_commands_print_on_a_console_of_an_older_windows(words: tuple[str, ...], home: Path) -> None:
    said = run("cp1252", *words, "--home", home)
    assert "alder" in said
    if words[0] == "score":
        assert "inf" in said  # degrees of freedom of a budget line
        assert "±" in said  # which this console has
    if words[0] == "trial":
        assert "Café -> Wax inf (invented)" in said


@pytest.mark.slow  # a process of its own
def test_json_says_the_same_everywhere(home: Path) -> None:
    words = ("journal", "--kind", "trial", "--json", "--home", home)
    for encoding in ("cp1252", "utf-8"):
        assert json.loads(run(encoding, *words))[0]["body"]["product"] == "Café → Wax ∞ (invented)"


@pytest.mark.slow  # a process of its own
def test_a_refusal_is_written_out_too(home: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from acquire.cli import main; main()", "score", "∞", "--home", str(home)],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "cp1252"},
        timeout=30,
        check=False,
    )
    assert done.returncode == 1
    assert b"no trial 'inf'" in done.stderr


def test_signs_are_written_out() -> None:
    assert plainly("0.5 N ± 0.1 N, n ≥ 3, ∞") == "0.5 N +/- 0.1 N, n >= 3, inf"
    assert plainly("Café") == "Cafe"
    assert plainly("█") == "?"
