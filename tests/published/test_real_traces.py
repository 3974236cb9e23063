"""Pull capture on real force traces, recorded by others and kept beside this project, not in it.

They are looked for in the folder that PANELWRIGHT_REAL_TRACES names, then beside the project. Elsewhere these
tests are skipped, loudly; where CI is set and the place beside the project is there without them, they fail.
"""

import os
from pathlib import Path

import pytest

from acquire.capture.trace_file import read_trace
from acquire.capture.traces import TracePulls, pulls_in
from acquire.units import newtons_per

VARIABLE = "PANELWRIGHT_REAL_TRACES"
BESIDE = Path(__file__).parents[3] / "shared"

# Band friction device on a hydraulic rig, 1024 Hz, force in kip. Source: ARTS-Laboratory,
# Dataset-Friction-Damper-with-Backlash, dataset-1, 0.5 Hz, 20 lb tension; licence CC BY-SA 4.0. Break times
# and raw forces (s, kip) were picked by eye on zoomed plots (raw maximum in the window) by whoever handed the
# trace on; not checked against a paper.
DAMPER = "friction_damper_1024hz.csv"
BREAKS = (
    (0.5352, 1.55542),
    (1.9287, 1.64569),
    (3.7900, 1.49550),
    (5.7529, 1.53385),
    (7.7520, 1.54104),
    (9.7520, 1.53465),
    (11.7754, 1.70161),
    (13.8555, 1.48352),
)
KIP_N = 1000 * newtons_per("lbf")

# Piston strokes against a preload, about 97 Hz with pauses in the log. Source: EvaZillen,
# 3D-printed-pneumatic-actuator; licence CC0 1.0. Ten strokes, counted by eye by whoever handed the trace on.
PISTON = "piston_strokes_97hz.csv"


def real_trace(name: str, beside: Path = BESIDE) -> Path:
    """Where a trace lies; skips or fails the test if it is nowhere."""
    named = os.environ.get(VARIABLE)
    folders = [*([Path(named)] if named else []), beside / "data"]
    path = next((folder / name for folder in folders if (folder / name).exists()), None)
    if path is not None:
        return path
    where = " or ".join(map(str, folders))
    if named or (os.environ.get("CI") and beside.exists()):
        pytest.fail(f"the real trace {name} is not in {where}")
    pytest.skip(f"REAL TRACE NOT TRIED: {name} is not in {where}; set {VARIABLE} to the folder that holds it")


def pulls(name: str, *directions: str, unit_n: float = 1.0) -> TracePulls:
    path = real_trace(name)
    trace = read_trace(path)
    return pulls_in(trace.t, trace.f * unit_n, directions=directions, breaks=trace.breaks)


def test_the_eight_breakaways_of_a_friction_damper() -> None:
    found = [pull for _, pull in pulls(DAMPER, "tension", unit_n=KIP_N).pulls]
    assert [pull.t_break_s for pull in found] == pytest.approx([t for t, _ in BREAKS], abs=0.005)
    for pull, (_, raw_kip) in zip(found, BREAKS, strict=True):
        assert pull.breakaway_n == pytest.approx(raw_kip * KIP_N - pull.rest_n, rel=0.01)
        assert pull.verdict == "accepted"


def test_the_return_strokes_are_pushes() -> None:
    both = pulls(DAMPER, "tension", "compression", unit_n=KIP_N).pulls
    pushes = [pull for direction, pull in both if direction == "compression"]
    assert len(both) - len(pushes) == len(BREAKS)
    assert len(pushes) == 8
    for push in pushes:
        assert all(abs(push.t_break_s - t) > 0.1 for t, _ in BREAKS)


def test_the_level_at_rest_of_the_friction_damper() -> None:
    survey = pulls(DAMPER, "tension").survey
    assert survey.first_rest_n == pytest.approx(-0.075, abs=0.002)
    assert survey.noise_n == pytest.approx(0.0008, rel=0.3)
    assert survey.rate_hz == pytest.approx(1024, rel=0.001)


def test_the_ten_strokes_of_a_piston_against_a_preload() -> None:
    found = pulls(PISTON, "tension")
    assert len(found.pulls) == 10
    assert found.survey.rest_n == pytest.approx(43.0, abs=1.0)
    for _, pull in found.pulls:
        assert pull.highest_n + pull.rest_n == pytest.approx(55.0, abs=2.0)


def test_a_missing_trace_is_no_silent_pass(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="REAL TRACE NOT TRIED"):
        real_trace("none.csv", tmp_path)
    monkeypatch.setenv("CI", "1")
    with pytest.raises(pytest.fail.Exception, match="not in"):
        real_trace("none.csv", tmp_path)
    with pytest.raises(pytest.skip.Exception):
        real_trace("none.csv", tmp_path / "nowhere")
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    with pytest.raises(pytest.fail.Exception):
        real_trace("none.csv", tmp_path / "nowhere")
    (tmp_path / "none.csv").write_text("t,f\n", encoding="utf-8")
    assert real_trace("none.csv", tmp_path / "nowhere") == tmp_path / "none.csv"
