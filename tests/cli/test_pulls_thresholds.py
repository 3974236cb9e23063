"""Thresholds of `panelwright pulls`: each option goes before what is read off the trace."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from acquire.cli import main
from tests.capture_tools import PULL, REST, line, times

FAST = "too fast for this gauge"
SMALL = tuple((seconds, 0.3 * force) for seconds, force in PULL)


def listed(folder: Path, *options: str) -> list[tuple[float, str]]:
    """Breakaway force, and how the first reason begins, of each pull of one trace: the second small."""
    force = line(REST, *PULL, (0.4, 0.0), *SMALL, REST, (2.0, 3.5), *PULL[1:], REST)
    path = folder / "trace.csv"
    np.savetxt(
        path, np.column_stack([times(force), force]), fmt="%.3f", delimiter=",", header="t,f", comments=""
    )
    result = CliRunner().invoke(main, ["pulls", str(path), "--json", *options])
    assert result.exit_code == 0, result.output
    return [
        (round(pull["breakaway_n"], 1), (pull["reasons"] or [""])[0].split(":")[0])
        for pull in json.loads(result.stdout)["pulls"]
    ]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ((), [(3.0, ""), (0.9, ""), (3.5, "")]),
        (("--min-force", "1.5"), [(3.0, ""), (3.5, "")]),
        (("--min-rest", "0.6"), [(3.0, ""), (0.9, "started without rest"), (3.5, "")]),
        (("--max-rise", "1"), [(3.0, ""), (0.9, ""), (3.5, "too slow")]),
        (("--max-under-read", "0.01"), [(3.0, FAST), (0.9, FAST), (3.5, "")]),
        (("--range", "3.2"), [(3.0, ""), (0.9, ""), (3.5, "saturated")]),
    ],
)
def test_a_threshold_that_is_given_goes_before_the_traces_own(
    tmp_path: Path, options: tuple[str, ...], expected: list[tuple[float, str]]
) -> None:
    assert listed(tmp_path, *options) == expected


@pytest.mark.parametrize("options", [("--min-force", "-1"), ("--max-under-read", "1.5"), ("--range", "much")])
def test_a_threshold_that_cannot_be_is_one_plain_error(tmp_path: Path, options: tuple[str, ...]) -> None:
    (tmp_path / "trace.csv").write_text("t,f\n0,0\n1,1\n", encoding="utf-8")
    result = CliRunner().invoke(main, ["pulls", str(tmp_path / "trace.csv"), *options])
    assert result.exit_code == 2
    assert result.stderr.count("Error: ") == 1
    assert options[0] in result.stderr


def test_a_trace_that_falls_is_told_of_and_units_are_said(tmp_path: Path) -> None:
    force = -line(REST, *PULL, REST)
    path = tmp_path / "trace.csv"
    table = np.column_stack([1000 * times(force), force])
    np.savetxt(path, table, fmt="%.3f", delimiter=",", header="t (ms),f (N)", comments="")
    result = CliRunner().invoke(main, ["pulls", str(path)])
    assert "time taken as ms, force as N" in result.stderr
    assert "try --direction compression" in result.stderr
    turned = CliRunner().invoke(main, ["pulls", str(path), "--direction", "compression", "--json"])
    assert [round(pull["breakaway_n"], 1) for pull in json.loads(turned.stdout)["pulls"]] == [3.0]
