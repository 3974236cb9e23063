"""The checks of one series as a figure that is read at a glance, also in grey print and without colours.

Everything is told apart by mark, dash and a word beside it first; the colours are of Okabe and Ito.
"""

from collections.abc import Iterable
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from scipy.optimize import isotonic_regression

from acquire.calibration.day import Study, in_words
from acquire.calibration.series import Floats
from acquire.drifting import Drift
from acquire.errors import ConfigError, PanelwrightError

INK, QUIET, SMOOTH, BAND = "#1b1b1b", "#6b6b6b", "#0072B2", "#E69F00"
SIZE_IN = (7.4, 4.7)
_MARKS = {
    "pass": ("o", "full", "passed"),
    "undecided": ("D", "none", "can't tell"),
    "fail": ("X", "full", "failed"),
}
CROWD_N = 30
"""More checks than this are drawn smaller."""
LEAST_DAYS = 0.5 / 24
"""A shorter stretch is drawn as long as this: seconds tell nothing of a drift."""
_LABEL_GAP = 0.055
"""Least distance between the words at the right, as a share of the height."""
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "panelwright",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
}


def save_drift(drift: Drift, path: Path) -> None:
    """Writes the figure; the ending of `path` says in which format.

    Raises:
        ConfigError: the ending is neither .png nor .svg.
        PanelwrightError: the file cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in (".png", ".svg"):
        raise ConfigError(f"{path.name}: a figure is a .png or .svg file", hint="choose one of these endings")
    data = draw_drift(drift, "png" if ending == ".png" else "svg")
    try:
        path.write_bytes(data)
    except OSError as error:
        raise PanelwrightError(
            f"{path} cannot be written: {error.strerror}", hint="choose another"
        ) from error


def draw_drift(drift: Drift, form: Literal["png", "svg"], *, title: bool = True) -> bytes:
    """The figure as the content of a file.

    Args:
        title: whether its verdict stands above it; a page that says it beside the figure needs it not.
    """
    with mpl.rc_context(STYLE):
        figure = _figure(drift, title=title)
        out = BytesIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type")) if form == "svg" else None
        figure.savefig(out, format=form, metadata=nothing, dpi=160)
    return out.getvalue()


def _figure(drift: Drift, *, title: bool) -> Figure:
    study = drift.study
    warm = bool(drift.temperatures)
    figure = Figure(figsize=SIZE_IN, layout="constrained")
    ratios = [3.6, 1.0] if warm else [1.0]
    panels = figure.subplots(len(ratios), 1, sharex=True, height_ratios=ratios, squeeze=False)
    axes: Axes = panels[0][0]
    labels = [*_limits(axes, study), *_smooth(axes, study), *_drift_band(axes, study)]
    _points(axes, study)
    _scale(axes, study)
    _label_right(axes, labels)
    left = " left by the correction" if study.series.added else ""
    axes.set_ylabel(f"deviation{left}, {_unit(study)}")
    if title:
        verdict = in_words(study).split(". ")[0].removesuffix(".")
        figure.suptitle(
            f"{drift.gauge} on {study.series.name}: {verdict[:1].lower()}{verdict[1:]}",
            x=0.01, ha="left", fontsize=10, fontweight="bold", wrap=True,
        )  # fmt: skip
    lowest: Axes = panels[-1][0]
    if warm:
        _air(lowest, drift)
    _times(lowest, study)
    return figure


_Label = tuple[float, str, str]
"""Height, words, colour."""


def _limits(axes: Axes, study: Study) -> list[_Label]:
    tolerance = study.series.checks[-1].tolerance
    unit = _unit(study)
    labels: list[_Label] = []
    for sign in (1.0, -1.0):
        axes.axhline(sign * tolerance, color=INK, linewidth=1.8)
        labels.append((sign * tolerance, f"tolerance {sign * tolerance:+.3g} {unit}", INK))
        if 0 < study.accepted < tolerance:
            axes.axhline(sign * study.accepted, color=INK, linewidth=1.1, linestyle=(0, (6, 3)))
            labels.append((sign * study.accepted, f"passes up to {sign * study.accepted:+.2g}", INK))
    axes.axhline(0.0, color="#cccccc", linewidth=0.8, zorder=0)
    for limit in (study.limits.lower, study.limits.upper):
        axes.axhline(limit, color=QUIET, linewidth=1.1, linestyle=":")
    labels.append((study.limits.upper, "control limits", QUIET))
    return labels


def _smooth(axes: Axes, study: Study) -> list[_Label]:
    if len(study.ewma) < 2:
        return []
    axes.plot(
        _at(study, study.series.hours()), study.ewma, color=SMOOTH, linewidth=1.3, drawstyle="steps-post"
    )
    return [(float(study.ewma[-1]), "weighted mean\n(EWMA)", SMOOTH)]


def _drift_band(axes: Axes, study: Study) -> list[_Label]:
    line, coming = study.judgement.line, study.forecast
    if line is None or study.judgement.shape != "linear drift":
        return []
    hours = study.series.hours()
    last_h = float(hours[-1])
    told = (
        [] if coming is None else [one for one in (coming.earliest_h, coming.expected_h) if one is not None]
    )
    # Only so far ahead that the day itself stays readable.
    end_h = min(max([last_h, *told]), last_h + max(1.0, last_h))
    t_h = np.linspace(float(hours[0]), end_h, 200)
    middle, half = line.at(t_h), line.factor() * line.uncertainty_at(t_h)
    axes.fill_between(
        _at(study, t_h), middle - half, middle + half, facecolor=BAND, alpha=0.3, edgecolor=BAND,
        hatch="////", linewidth=0.6, zorder=0,
    )  # fmt: skip
    axes.plot(_at(study, t_h), middle, color=INK, linewidth=1.2, linestyle=(0, (8, 2, 1, 2)))
    if study.check_before is not None and told and told[0] <= end_h:
        when = study.check_before.astimezone(study.zone)
        axes.axvline(_number(when), color=INK, linewidth=1.0, linestyle=(0, (2, 2)))
        words = f"check again\nbefore {when:%H:%M}" if told[0] > last_h else "check again\nnow"
        axes.annotate(
            words, (_number(when), 0.03), (-5, 0),
            xycoords=("data", "axes fraction"), textcoords="offset points", ha="right", va="bottom",
            fontweight="bold", bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0}, zorder=5,
        )  # fmt: skip
    return [(float(middle[-1]), "drift with\n95 % band", INK)]


def _points(axes: Axes, study: Study) -> None:
    checks = study.series.checks
    at = _at(study, study.series.hours())
    many = len(checks) > CROWD_N
    size = 4 if many else 7
    axes.errorbar(
        at, study.series.deviations, yerr=[check.expanded_uncertainty for check in checks], fmt="none",
        ecolor=INK, elinewidth=0.5 if many else 0.9, capsize=0 if many else 2.5, zorder=3,
    )  # fmt: skip
    for verdict, (mark, fill, said) in _MARKS.items():
        chosen = [i for i, check in enumerate(checks) if check.verdict == verdict]
        if chosen:
            axes.plot(
                at[chosen], study.series.deviations[chosen], linestyle="none", marker=mark, markersize=size,
                color=INK, markerfacecolor=INK if fill == "full" else "white", label=said, zorder=4,
            )  # fmt: skip
    outside = [i for i, out in enumerate(study.outside) if out]
    if outside:
        axes.plot(
            at[outside], study.series.deviations[outside], linestyle="none", marker="o", markersize=size + 5,
            color=INK, fillstyle="none", markeredgewidth=1.0, label="outside control limits", zorder=4,
        )  # fmt: skip
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, frameon=False, fontsize=8.5, handletextpad=0.2,
        borderaxespad=0.1, columnspacing=1.4,
    )  # fmt: skip


def _scale(axes: Axes, study: Study) -> None:
    checks = study.series.checks
    reach = max(
        checks[-1].tolerance,
        *(abs(study.series.deviations) + [check.expanded_uncertainty for check in checks]),
    )
    axes.set_ylim(-1.12 * reach, 1.12 * reach)


def _label_right(axes: Axes, labels: Iterable[_Label]) -> None:
    """Words at the right of the lines they name, moved apart where they would overlap, tied by a hairline."""
    low, high = axes.get_ylim()
    shares = sorted(((height - low) / (high - low), words, colour) for height, words, colour in labels)
    rows = np.array([words.count("\n") + 1.0 for _, words, _ in shares])
    # Least movement that keeps the order and the gaps: with the gaps taken out it is a monotone fit.
    gaps = np.concatenate([[0.0], np.cumsum(_LABEL_GAP * (rows[:-1] + rows[1:]) / 2)])
    places = isotonic_regression(np.array([share for share, _, _ in shares]) - gaps).x + gaps
    for (share, words, colour), place in zip(shares, places, strict=True):
        axes.annotate(
            words, (1.0, share), (1.025, float(place)), xycoords="axes fraction", textcoords="axes fraction",
            color=colour, fontsize=8.5, va="center", ha="left", linespacing=0.95, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0,
                        "relpos": (0, 0.5)},
        )  # fmt: skip


def _air(axes: Axes, drift: Drift) -> None:
    temperatures = drift.temperatures
    at = [_number(one.t_utc) for one in temperatures]
    values = [one.value for one in temperatures]
    axes.plot(at, values, color=INK, linewidth=1.0, marker="." if len(values) < 40 else "")
    axes.set_ylabel("air, °C")
    middle = (min(values) + max(values)) / 2
    # A tenth of a degree must not look like a heat wave.
    half = max(1.0, 0.6 * (max(values) - min(values)))
    axes.set_ylim(middle - half, middle + half)


def _times(axes: Axes, study: Study) -> None:
    low, high = axes.get_xlim()
    if high - low < LEAST_DAYS:
        middle = (low + high) / 2
        axes.set_xlim(middle - LEAST_DAYS / 2, middle + LEAST_DAYS / 2)
    locator = AutoDateLocator(tz=study.zone)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, tz=study.zone)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(formatter)
    start = study.start.astimezone(study.zone)
    axes.set_xlabel(f"time on the bench's clock ({start.tzname()})")


def _at(study: Study, hours: Floats) -> Floats:
    return np.asarray(_number(study.start) + hours / 24)


def _number(t: datetime) -> float:
    return float(date2num(t))  # type: ignore[no-untyped-call]


def _unit(study: Study) -> str:
    return "strokes" if study.series.unit == "1" else study.series.unit
