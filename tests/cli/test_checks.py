"""References, checks at several weights and corrections: whole commands, on a simulated force gauge."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.home import Home
from acquire.verification import verify
from tests.cli.process import Command
from tests.cli.test_at_the_bench import SPEED, gauge_on, panelwright
from tests.rig import BENCH_MORE, lay_out
from tests.unit.test_weighing import MORE_WEIGHTS, RUN_G

KG = [mass_g / 1000 for mass_g in RUN_G]


def refused(*args: str | Path) -> str:
    result = CliRunner().invoke(main, list(map(str, args)))
    assert result.exit_code != 0, result.output
    return result.stderr


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_a_force_gauge_is_checked_up_and_down_and_corrected(tmp_path: Path) -> None:
    with gauge_on(tmp_path, "force", "force-stream-n") as (gauge, home):
        home.bench_file.write_text(
            home.bench_file.read_text(encoding="utf-8") + MORE_WEIGHTS, encoding="utf-8"
        )
        words = ("check", "force", "--against", "weight-100g,weight-200g", "--against", "weight-500g")
        with Command(*words, "--speed", str(SPEED), "--home", home.folder) as check:
            check.until("waiting", "up: hang weight-100g")
            for run in (1, 2):
                for place, mass_kg in enumerate(KG, 1):
                    gauge.tell(f"weight {mass_kg}")
                    check.until("waiting", f"{5 * (run - 1) + place} of 10 on weight-{1000 * mass_kg:.0f}g")
                gauge.tell("weight 0")
            about = check.until("check")["about"]
            assert check.end() == (0, "")
        assert about["verdict"] == "pass"
        assert about["reference"] == "weight-100g, weight-200g, weight-500g"
        assert [point["direction"] for point in about["points"]] == ["up", "up", "up", "down", "down"] * 2
        assert {trait["name"] for trait in about["traits"]} == {
            "linearity",
            "hysteresis",
            "repeatability",
            "return to zero",
        }
        at = ("--home", home.folder)
        assert panelwright("correct", "force", *at) == "no correction is used for force\n"
        said = panelwright(
            "correct", "force", "--from", "latest", "--by", "A. Tester", "--reason", "try", *at
        )
        assert said.startswith("a straight line between 0 and 4.9")
        assert "by A. Tester: try" in said
        used = json.loads(panelwright("correct", "force", "--json", *at))
        assert (used["on"], used["gauge"], used["by"]) == (True, "force", "A. Tester")
        said = panelwright("correct", "force", "--off", "--by", "A. Tester", "--reason", "done", *at)
        assert said.startswith("no correction is used for force\n")
    assert verify(home).holds


def test_references_are_listed_with_what_they_are_worth(tmp_path: Path) -> None:
    glass = BENCH_MORE.replace("{ 60 = 93.0 }", '{ 60 = 93.0 }\nrefractive_index = 1.567\ncare = "dry cloth"')
    home = lay_out(tmp_path, glass)
    said = panelwright("references", "--home", home.folder)
    assert "weight-200g: 1.962" in said
    assert "for air buoyancy" in said
    assert "care: dry cloth" in said
    assert "LOOK: tile tile: polished glass of index 1.567 has 100.0 GU at 60°" in said
    listed = json.loads(panelwright("references", "--home", home.folder, "--json"))
    assert [one["reference"] for one in listed] == ["weight-200g", "tile", "strokes-10"]
    weight, tile, strokes = listed
    assert weight["expanded_uncertainty"] == pytest.approx(2 * weight["standard_uncertainty"])
    assert (tile["channel"], tile["care"], len(tile["remarks"])) == ("60", "dry cloth", 1)
    assert (strokes["due"], strokes["overdue"]) == (None, False)


def test_a_reference_past_its_due_date_is_shown_as_such(tmp_path: Path) -> None:
    home = lay_out(tmp_path, BENCH_MORE.replace("due = 2031-12-31", "due = 2001-12-31", 1))
    assert "due 2001-12-31: OVERDUE" in panelwright("references", "--home", home.folder)


def test_a_correction_needs_a_name_and_a_reason(tmp_path: Path) -> None:
    home: Home = lay_out(tmp_path)
    with home.journal():
        pass
    at = ("--home", home.folder)
    assert "say who decides, and why" in refused("correct", "force", "--from", "latest", *at)
    assert "exclude each other" in refused("correct", "force", "--from", "latest", "--off", *at)
    who = ("--by", "A. Tester", "--reason", "try")
    assert "has no check at several loads yet" in refused("correct", "force", "--from", "latest", *who, *at)
    assert "no correction of force is in use" in refused("correct", "force", "--off", *who, *at)
    assert "no gauge 'forse'" in refused("correct", "forse", *at)


def test_a_tile_of_several_angles_asks_which(tmp_path: Path) -> None:
    home = lay_out(tmp_path, BENCH_MORE.replace("{ 60 = 93.0 }", "{ 20 = 88.0, 60 = 93.0 }"))
    said = refused("check", "gloss", "--against", "tile", "--home", home.folder)
    assert "tile 'tile' has values for several angles: 20, 60" in said
    assert "such as --angle 20" in said
