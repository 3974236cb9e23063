"""verify BUNDLE and signing-key, as a stranger uses them: in an empty folder, with nothing but the files."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.cli import main
from acquire.cli.signing import passphrase_for
from acquire.outputs.publish.signing import PASSPHRASE_VARIABLE, load_key, load_public_key
from tests.publish_kit import members, publish, repack, small_bench

DEADLINE_S = 60


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Key, public key and bundle of a tester."""
    folder = tmp_path_factory.mktemp("tester")
    said(run("signing-key", "new", "--out", str(folder / "tester.pem"), "--no-passphrase"))
    with small_bench(folder / "bench") as made:
        publish(made).bundle(folder, load_key(folder / "tester.pem"))
    return folder


def run(*words: str, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, list(words), input=typed)


def said(result: Result) -> str:
    assert result.exit_code == 0, result.output
    return result.output


@pytest.mark.slow  # starts the program anew
def test_a_stranger_verifies_a_bundle_in_an_empty_folder(folder: Path, tmp_path: Path) -> None:
    shutil.copy(folder / "bundle.zip", tmp_path)
    shutil.copy(folder / "tester.pem.pub", tmp_path)
    words = ("verify", "bundle.zip", "--public-key", "tester.pem.pub")
    done = subprocess.run(
        [sys.executable, "-P", "-c", "from acquire.cli import main; main()", *words],
        cwd=tmp_path,
        env={**os.environ, "PYTHONUTF8": "1"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=DEADLINE_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    out = done.stdout
    assert "SIMULATED: " in out
    assert "Signature: by the key you gave." in out
    assert "A signature shows who vouches for these files, not that what they say is true." in out
    assert "Recordings: 6 readings and 0 refusals from 2 recordings, every one came out the same." in out
    assert "points, totals and places worked out again." in out
    assert out.rstrip().endswith("All holds.")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bundle.zip", "tester.pem.pub"]


def test_the_same_as_json(folder: Path) -> None:
    data = json.loads(said(run("verify", str(folder / "bundle.zip"), "--json")))
    assert data["holds"] is True
    assert data["signed"] == "by the key inside"
    assert data["fingerprint"] == load_public_key(folder / "tester.pem.pub").fingerprint
    assert data["journal"]["readings"] == 6
    assert data["manifest"]["trials"] == ["alder"]


def test_what_is_wrong_is_named_and_the_status_says_so(folder: Path, tmp_path: Path) -> None:
    files = members(folder / "bundle.zip")
    altered = repack(tmp_path / "altered.zip", {**files, "bench.toml": files["bench.toml"] + b"#"})
    result = run("verify", str(altered))
    assert result.exit_code == 1
    assert "WRONG: bench.toml was altered: it does not have the SHA-256 that the manifest" in result.output
    assert result.output.rstrip().endswith("NOT in order.")


def test_a_noted_head_must_be_in_it(folder: Path) -> None:
    result = run("verify", str(folder / "bundle.zip"), "--head", "ab" * 32)
    assert result.exit_code == 1
    assert "is not in it" in result.output


def test_what_is_no_bundle_is_one_plain_sentence(tmp_path: Path, folder: Path) -> None:
    (tmp_path / "text.zip").write_text("no zip", encoding="utf-8")
    result = run("verify", str(tmp_path / "text.zip"))
    assert result.exit_code == 1
    assert result.output.startswith("Error: ")
    assert "is no bundle" in result.output
    result = run("verify", "--public-key", str(folder / "tester.pem.pub"))
    assert result.exit_code == 2
    assert "--public-key is for a BUNDLE" in result.output


def test_a_key_with_a_passphrase_typed_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "tester.pem"
    out = said(run("signing-key", "new", "--out", str(path), typed="eleven larches\neleven larches\n"))
    fingerprint = load_public_key(tmp_path / "tester.pem.pub").fingerprint
    assert fingerprint in out
    monkeypatch.setenv(PASSPHRASE_VARIABLE, "eleven larches")
    assert load_key(path, passphrase_for(path)).public.fingerprint == fingerprint
    assert said(run("signing-key", "show", str(path) + ".pub")).strip() == fingerprint
    shown = json.loads(said(run("signing-key", "show", str(path) + ".pub", "--json")))
    assert shown["fingerprint"] == fingerprint


def test_a_passphrase_from_the_environment_and_a_key_without_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(PASSPHRASE_VARIABLE, "twelve larches")
    first, second = tmp_path / "one.pem", tmp_path / "two.pem"
    data = json.loads(said(run("signing-key", "new", "--out", str(first), "--json")))
    assert load_key(first, b"twelve larches").public.fingerprint == data["fingerprint"]
    said(run("signing-key", "new", "--out", str(second), "--no-passphrase"))
    assert passphrase_for(second) is None
    result = run("signing-key", "new", "--out", str(second), "--no-passphrase")
    assert result.exit_code == 1
    assert "keys are never replaced" in result.output


@pytest.mark.parametrize("words", [("signing-key", "new"), ("signing-key", "show"), ("verify",)])
def test_help_has_an_example(words: tuple[str, ...]) -> None:
    assert f"Example:  panelwright {' '.join(words)}" in said(run(*words, "--help"))
