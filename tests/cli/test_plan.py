"""panelwright plan: from a bench's own trials."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.cli import main
from tests.benches import MadeBench


def run(home: Path, *args: str) -> Result:
    return CliRunner().invoke(main, ["plan", *args, "--home", str(home)])


@pytest.mark.slow
def test_a_plan_from_two_trials(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        home = made.home.folder
        empty = run(home, "--difference", "0.02")
        assert empty.exit_code == 1
        assert "no trial has a score in slip yet" in empty.output
        made.check_force()
        made.begin("alder", "Product Alder (invented)", panels=["A", "B"])
        for panel in ("A", "B"):
            made.slip("alder", panel, "bare", [3.0, 3.2, 3.1])
            made.slip("alder", panel, "treated", [2.0, 2.1, 1.9])
        shown = run(home, "--difference", "0.02")
        assert shown.exit_code == 0, shown.output
        found = json.loads(run(home, "--difference", "0.02", "--json").output)
        assert f"{found['needed_readings']} pulls bare and as many treated, on 2 panel(s)" in " ".join(
            shown.output.split()
        )
        assert found["limited_by"][0]["share"] == "repeatability"
        assert "more readings or more panels" in shown.output
        more = json.loads(run(home, "--difference", "0.02", "--panels", "6", "--json").output)
        assert more["needed_readings"] < found["needed_readings"]
        bad = run(home, "--difference", "-1")
        assert bad.exit_code == 1
        assert "a difference of -1 cannot be planned for" in bad.output
