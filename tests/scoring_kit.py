"""Readings, ratings and inspections for tests of scoring; the trial and its panels are invented."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from acquire.model import CalibrationState, Inspection, Phase, Rating, RawRef, Reading, Stamp, Step, Test
from acquire.scoring.method import Gravity, Method, parse_method

SHIPPED = (Path(__file__).parents[1] / "config" / "method.toml").read_text(encoding="utf-8")
START = datetime(2031, 3, 5, 9, 0, tzinfo=UTC)
GRAM_FORCE_N = 0.00980665
STANDARD = Gravity(9.80665, 0.0, "exact, for the test")
TRIAL = "invented product"


def method(*changes: tuple[str, str]) -> Method:
    """The shipped method with some of its lines replaced."""
    text = SHIPPED
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in method.toml"
        text = text.replace(old, new)
    return parse_method(text, "test")


def stamp(
    state: CalibrationState = CalibrationState.IN_TOLERANCE, u: float = 0.0, at: float | None = None
) -> Stamp:
    return Stamp(state=state, reason="as the test says", standard_uncertainty=u, at_value=at)


def reading(
    id_: str,
    test: Test,
    value: float,
    *,
    panel: str = "P1",
    phase: Phase = "bare",
    at_s: float = 0.0,
    **fields: Any,
) -> Reading:
    quantity: Literal["force", "gloss"] = "force" if test is Test.SLIP else "gloss"
    defaults: dict[str, Any] = {
        "trial": TRIAL,
        "quantity": quantity,
        "unit": "N" if quantity == "force" else "GU",
        "gauge": f"{quantity}-gauge",
        "t_source": "host read",
        "details": {} if quantity == "force" else {"angle_deg": 60},
        "stamp": stamp(),
    }
    return Reading(
        id=id_,
        step=Step(test=test, panel=panel, phase=phase),
        value=value,
        t_utc=START + timedelta(seconds=at_s),
        t_mono_ns=int(at_s * 1e9),
        raw=RawRef(recording="invented.rec", opening=0, first_byte=0, last_byte=8, ordinal=0),
        **(defaults | fields),
    )


def series(
    test: Test, values: Sequence[float], *, phase: Phase = "bare", panel: str = "P1", **fields: Any
) -> list[Reading]:
    """Readings ten seconds apart, with ids such as P1-bare-slip-0."""
    return [
        reading(
            f"{panel}-{phase}-{test.value}-{i}", test, value, panel=panel, phase=phase, at_s=10.0 * i
        ).model_copy(update=fields)
        for i, value in enumerate(values)
    ]


def rating(id_: str, test: Test, value: float, panel: str = "P1", **fields: Any) -> Rating:
    step = Step(test=test, panel=panel, **fields)
    return Rating(id=id_, trial=TRIAL, step=step, value=value, t_utc=START)


def inspection(
    stage: int,
    passed: bool,
    *,
    panel: str = "P1",
    strokes: int | None = None,
    at_s: float = 0.0,
    id_: str = "",
) -> Inspection:
    return Inspection(
        id=id_ or f"{panel}-{stage}",
        trial=TRIAL,
        panel=panel,
        stage=stage,
        strokes=stage if strokes is None else strokes,
        passed=passed,
        t_utc=START + timedelta(seconds=at_s or stage),
    )
