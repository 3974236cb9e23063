"""What a person says comes back as the JSON of what was written down, so that a script can go on from it."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.home import Home
from acquire.model import Inspection, Rating, Reading, Step, Trial
from acquire.model import Test as Kind
from tests.rig import lay_out

BENCH = """
format = "panelwright-bench 1"
name = "Test bench (invented)"
time_zone = "UTC"

[gauges.by-eye]
description = "keyed-gloss"
port = "none"
tolerance = { absolute = 1.0 }
"""


@pytest.fixture
def home(tmp_path: Path) -> Home:
    home = lay_out(tmp_path / "bench", BENCH)
    said(home, "trial", "open", "larch", "--product", "Wax (invented)", "--panel", "A")
    return home


def said(home: Home, *words: str, typed: str | None = None) -> Any:
    result = CliRunner().invoke(main, [*words, "--json", "--home", str(home.folder)], input=typed)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_a_trial_that_was_opened(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.create()
    opened = said(
        home, "trial", "open", "oak", "--product", "None", "--panel", "A", "--panel", "B", "--control"
    )
    trial = Trial.model_validate(opened)
    assert (trial.id, trial.panels, trial.control) == ("oak", ("A", "B"), True)


def test_the_list_of_trials_holds_the_next_step_of_each(home: Home) -> None:
    (listed,) = said(home, "trial", "list")
    assert listed["id"] == "larch"
    assert Step.model_validate(listed["next"]) == Step(test=Kind.SLIP, panel="A", phase="bare")


def test_a_rating_and_an_inspection(home: Home) -> None:
    rating = Rating.model_validate(said(home, "rate", "larch", "handling", "8.5", "--early"))
    assert (rating.trial, rating.value, rating.step.test) == ("larch", 8.5, Kind.HANDLING)
    words = ("inspect", "larch", "60", "--failed", "--note", "flat", "--early")
    inspection = Inspection.model_validate(said(home, *words))
    assert (inspection.stage, inspection.passed, inspection.strokes, inspection.note) == (
        60,
        False,
        0,
        "flat",
    )
    with home.journal(readonly=True) as journal:
        kinds = [(event.kind, event.id) for event in journal.events()]
    own = [(kind, id_) for kind, id_ in kinds if kind != "step"]
    assert own[2:] == [("rating", rating.id), ("inspection", inspection.id)]


def test_typed_values_and_a_ruling_on_one(home: Home) -> None:
    words = ("key", "larch", "gloss", "91.4", "90.8", "--panel", "A", "--phase", "bare")
    # Questions of double entry go to stderr, so that stdout is JSON and nothing else.
    logged = [Reading.model_validate(one) for one in said(home, *words, typed="91.4\n90.8\n")]
    assert [reading.value for reading in logged] == [91.4, 90.8]
    now = said(home, "rule", logged[1].id, "--leave-out", "--reason", "misread")
    assert Reading.model_validate(now) == logged[1].model_copy(update={"counts": False})
