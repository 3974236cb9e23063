"""Fuzzes every target in turn: `python -m tests.fuzz [SECONDS [TARGET...]]`, seconds for all together.

A finding is written to build/fuzz/TARGET/crash-...; mend its cause, then keep the file in
tests/fuzz/findings/TARGET, under a name that says what it is: from then on the suite runs it.
"""

import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

from tests.fuzz.targets import FINDINGS, TARGETS

BUILT = Path("build/fuzz")
LONGEST_BYTES = 4096


def seed(name: str, folder: Path) -> None:
    """Lays out what the target starts from, and the words that are worth inserting."""
    corpus = folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    seeds = [*TARGETS[name].seeds(), *(path.read_bytes() for path in sorted((FINDINGS / name).glob("*")))]
    for number, data in enumerate(seeds):
        (corpus / f"seed-{number:04d}").write_bytes(data[:LONGEST_BYTES])
    words = sorted({word for data in seeds for word in re.findall(rb"[A-Za-z_-]{3,24}", data)})[:400]
    # An empty dictionary is an error to the fuzzer.
    (folder / "words").write_text(
        '"+"\n' + "".join(f'"{word.decode()}"\n' for word in words), encoding="utf-8"
    )


def fuzz(name: str, seconds: int) -> bool:
    """Runs one target and says how it went; True if nothing was found."""
    folder = BUILT / name
    seed(name, folder)
    options = [
        f"-max_total_time={seconds}",
        f"-max_len={LONGEST_BYTES}",
        f"-artifact_prefix={folder}/",
        f"-dict={folder / 'words'}",
        "-timeout=20",
        "-rss_limit_mb=2048",
        "-print_final_stats=1",
        str(folder / "corpus"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.one", name, *options], capture_output=True, text=True, check=False
    )
    said = done.stdout + done.stderr
    runs = re.search(r"number_of_executed_units:\s+(\d+)", said)
    covered = re.findall(r"cov: (\d+)", said)
    verdict = "nothing found" if done.returncode == 0 else "FOUND SOMETHING"
    places = covered[-1] if covered else "?"
    sys.stdout.write(f"{name:12} {int(runs[1]) if runs else 0:9,} inputs, {places} places, {verdict}\n")
    if done.returncode != 0:
        sys.stdout.write(said[-6000:])
    sys.stdout.flush()
    return done.returncode == 0


def main(arguments: list[str]) -> int:
    """Returns 1 if anything was found."""
    if find_spec("atheris") is None:
        sys.stdout.write("no fuzzer: atheris has wheels for Linux on x86-64 with Python 3.11 to 3.13 only\n")
        return 1
    seconds = int(arguments[0]) if arguments else 60
    names = arguments[1:] or list(TARGETS)
    share = max(1, seconds // len(names))
    clean = [fuzz(name, share) for name in names]
    return 0 if all(clean) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
