"""panelwright study: from a file or from trials, for people and for programs."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.cli import main
from tests.benches import MadeBench
from tests.unit.test_studies import study


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, ["study", *map(str, args)])


@pytest.fixture
def people(tmp_path: Path) -> Path:
    rows = [f"{one.who},{one.what},{one.value}" for one in study(3, 4, 2, "cli", panel=1.0, repeat=0.1)]
    path = tmp_path / "people.csv"
    path.write_text("\n".join(["person,panel,value", *rows]), encoding="utf-8")
    return path


def test_crossed_from_a_file(people: Path) -> None:
    shown = run("crossed", people)
    assert shown.exit_code == 0, shown.output
    assert "3 people × 4 panels × 2 repeats" in shown.output
    found = json.loads(run("crossed", people, "--json").output)
    assert f"{found['repeatability']['sd']:.4g}" in shown.output
    assert found["people"] == ["person 0", "person 1", "person 2"]


def test_benches_from_a_file(people: Path) -> None:
    shown = run("benches", people)
    assert shown.exit_code == 0, shown.output
    found = json.loads(run("benches", people, "--json").output)
    assert [one["material"] for one in found] == [f"panel {i}" for i in range(4)]
    assert f"{found[0]['reproducibility_sd']:.5g}" in shown.output


def test_faults_are_told_in_words(people: Path) -> None:
    people.write_text(people.read_text(encoding="utf-8") + "\nann,panel 0,x\n", encoding="utf-8")
    said = run("crossed", people)
    assert said.exit_code == 1
    assert "line 26: 'x' is no number" in said.output
    assert run("crossed").exit_code == 2
    assert "give either a FILE or one --take" in run("crossed").output


@pytest.mark.slow
def test_from_trials_of_people(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        for trial, shift in (("by-ann", 0.0), ("by-bo", 0.3)):
            made.begin(trial, "Repeatability study (invented)", panels=["A", "B"])
            for panel, force_n in (("A", 3.0), ("B", 2.0)):
                made.slip(trial, panel, "bare", [force_n + shift + away for away in (0.0, 0.1, -0.1)])
        home = made.home.folder
        takes = ("--take", home, "by-ann", "ann", "--take", home, "by-bo", "bo")
        found = json.loads(run("crossed", *takes, "--json").output)
        assert (found["people"], found["panels"], found["repeats_n"]) == (["ann", "bo"], ["A", "B"], 3)
        assert found["panel"]["sd"] > found["people_alone"]["sd"] > 0
        missing = run("crossed", "--take", home, "by-cy", "cy")
        assert missing.exit_code == 1
        assert "there is no trial 'by-cy'" in missing.output
