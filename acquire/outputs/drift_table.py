"""The drift of a gauge as rows for a table, and as plain data for other programs."""

from dataclasses import asdict
from typing import Any

from acquire.calibration.charts import WEIGHT
from acquire.calibration.day import Study, forecast_in_words, in_words
from acquire.calibration.drift import COVERAGE
from acquire.checkbook import temperature_at
from acquire.drifting import Drift

VERDICTS = {"pass": "passed", "fail": "FAILED", "undecided": "can't tell"}


def row_cells(drift: Drift) -> list[list[str]]:
    """For each check: time, deviation, expanded uncertainty, tolerance, EWMA, verdict, mark, temperature."""
    study = drift.study
    many_days = (study.series.checks[-1].t_utc - study.start).total_seconds() > 86400
    cells = []
    for index, check in enumerate(study.series.checks):
        local = check.t_utc.astimezone(study.zone)
        air = temperature_at(drift.temperatures, check.t_utc)
        cells.append(
            [
                local.strftime("%m-%d %H:%M" if many_days else "%H:%M"),
                f"{study.series.deviations[index]:+.4f}",
                f"{check.expanded_uncertainty:.4f}",
                f"{check.tolerance:.3g}",
                f"{study.ewma[index]:+.4f}",
                VERDICTS[check.verdict],
                "outside" if study.outside[index] else "",
                "" if air is None else f"{air.value:.1f}",
            ]
        )
    return cells


def basis_in_words(study: Study) -> str:
    """What limits and scatter rest on."""
    unit = "strokes" if study.series.unit == "1" else study.series.unit
    limits = f"{study.limits.lower:+.2g} to {study.limits.upper:+.2g} {unit}"
    added = study.series.added
    corrected = (
        f"Deviations are as the correction in use leaves them ({added:+.2g} {unit}). " if added else ""
    )
    return (
        f"{corrected}Control limits {limits} from {study.limits_said}. Scatter from {study.noise.said}. "
        f"EWMA with weight {WEIGHT:g}. A check passes up to ±{study.accepted:.2g} {unit}."
    )


def as_data(drift: Drift) -> dict[str, Any]:
    """All of it, for `--json`. Times are UTC, values in the series' unit."""
    study, judgement = drift.study, drift.study.judgement
    line, coming = judgement.line, study.forecast
    data: dict[str, Any] = {
        "gauge": drift.gauge,
        "reference": study.series.reference,
        "channel": study.series.channel,
        "unit": study.series.unit,
        "checks": [
            {
                "t_utc": check.t_utc.isoformat(),
                "deviation": check.deviation,
                "deviation_as_used": float(study.series.deviations[index]),
                "expanded_uncertainty": check.expanded_uncertainty,
                "tolerance": check.tolerance,
                "verdict": check.verdict,
                "ewma": float(study.ewma[index]),
                "ewma_half_width": float(study.ewma_widths[index]),
                "outside_control_limits": study.outside[index],
                "temperature": None if air is None else air.value,
            }
            for index, check in enumerate(study.series.checks)
            for air in [temperature_at(drift.temperatures, check.t_utc)]
        ],
        "accepted_up_to": study.accepted,
        "control_limits": asdict(study.limits) | {"rest_on": study.limits_said},
        "scatter": asdict(study.noise),
        "shape": judgement.shape,
        "clear": judgement.clear,
        "p_value": judgement.p_value,
        "shape_weights": dict(judgement.weights),
        "step": judgement.size if judgement.shape == "step" else None,
        "warm_up": {"size": judgement.size, "time_constant_h": judgement.tau_h}
        if judgement.shape == "warming up"
        else None,
        "line": None,
        "forecast": None,
        "said": [in_words(study), forecast_in_words(study), basis_in_words(study)],
    }
    if line is not None:
        data["line"] = asdict(line) | {
            "start_utc": study.start.isoformat(),
            "p_value": line.p_value,
            "slope_half_width_95": line.factor() * line.slope_uncertainty,
        }
    if coming is not None:
        times = {
            name: None if hours is None else study.time_of(hours).isoformat()
            for name, hours in (
                ("earliest_utc", coming.earliest_h),
                ("expected_utc", coming.expected_h),
                ("latest_utc", coming.latest_h),
            )
        }
        data["forecast"] = {"limit": coming.limit, "coverage": COVERAGE, **times}
    return data
