"""An invented bench and invented facts about it, for tests."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from acquire.bench import Bench, Tolerance, load_bench
from acquire.calibration.checks import Check, CheckVerdict
from acquire.calibration.history import Known
from acquire.calibration.rules import Rules
from acquire.capture.taken import Taken
from acquire.model import Step, Test

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)

BENCH = """
format = "panelwright-bench 1"
name = "Invented bench"
time_zone = "UTC"

[gauges.force]
description = "force-stream-n"
port = "serial:/dev/ttyUSB0"
tolerance = { absolute = 0.03 }
check_valid_h = 8.0

[gauges.force.certificate]
number = "F-1 (invented)"
due = 2031-12-31
expanded_uncertainty = 0.02

[gauges.gloss]
description = "gloss-key"
port = "serial:/dev/ttyUSB1"
tolerance = { relative = 0.01 }

[references.weight-200g]
kind = "weight"
mass_g = 200.0
expanded_uncertainty = 0.01
certificate = "W-1 (invented)"
due = 2031-12-31

[references.tile]
kind = "tile"
gloss_gu = { 20 = 88.4, 60 = 93.1 }
expanded_uncertainty = 0.5
certificate = "T-1 (invented)"
due = 2031-12-31

[references.strokes-50]
kind = "strokes"
strokes = 50
"""

STEP = Step(test=Test.SLIP, panel="A", phase="bare")


def write_bench(folder: Path, text: str = BENCH) -> tuple[Path, Path]:
    """Writes a bench file and empty descriptions; returns (bench file, folder of descriptions)."""
    descriptions = folder / "gauges"
    descriptions.mkdir(exist_ok=True)
    for name in ("force-stream-n", "gloss-key", "wash-stroke"):
        (descriptions / f"{name}.toml").touch()
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path, descriptions


def make_bench(folder: Path, text: str = BENCH) -> Bench:
    return load_bench(*write_bench(folder, text))


def rules(**changes: Any) -> Rules:
    fields = {"check_valid_h": 8.0, "zone": UTC, "tolerance": Tolerance(absolute=0.03), **changes}
    return Rules(**fields)


def check(
    verdict: CheckVerdict = "pass",
    *,
    at: datetime = NOON,
    gauge: str = "force",
    reference: str = "weight-200g",
    channel: str | None = None,
    unit: Literal["N", "GU", "1"] = "N",
    reference_due: date | None = None,
    deviation: float | None = None,
) -> Check:
    off = {"pass": 0.01, "fail": 0.05, "undecided": 0.02}[verdict] if deviation is None else deviation
    return Check(
        gauge=gauge,
        reference=reference,
        channel=channel,
        unit=unit,
        t_utc=at,
        readings=(2.0 + off,),
        mean=2.0 + off,
        assigned=2.0,
        assigned_standard_uncertainty=0.001,
        basis="invented",
        certificate="invented",
        reference_due=reference_due,
        deviation=off,
        standard_uncertainty=0.004,
        coverage_factor=2.0,
        expanded_uncertainty=0.008,
        tolerance=0.03,
        verdict=verdict,
        reason="invented",
    )


def history(*facts: Any) -> list[Known]:
    return [Known(seq, f"event-{seq}", fact) for seq, fact in enumerate(facts, 1)]


def after(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def taken(ordinal: int = 0, **changes: Any) -> Taken:
    fields = {
        "quantity": "force",
        "value": 1.25,
        "unit": "N",
        "t_us": 2_500_000 + ordinal,
        "opening": 0,
        "first_byte": 100 * ordinal,
        "last_byte": 100 * ordinal + 90,
        "ordinal": ordinal,
        "resolution": 0.01,
        "under_read": 0.002,
        "details": {"contact_s": 0.8, "sliding_n": 1.0},
        **changes,
    }
    return Taken(**fields)
