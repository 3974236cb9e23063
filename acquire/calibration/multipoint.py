"""A force gauge checked at several loads, up and down: linearity, hysteresis, repeatability, return to zero.

The words are those of ISO 376 (from memory); what each figure is here, `_traits` says. All are held against
the tolerance of the gauge.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from math import sqrt
from typing import Literal

from acquire.bench import Decision
from acquire.calibration.checks import (
    EVALUATION,
    GUARDED,
    Check,
    CheckPoint,
    Corrected,
    Judged,
    Trait,
    judged,
    reference_parts,
    repeatability_part,
    rounding_part,
)
from acquire.calibration.references import Assigned
from acquire.errors import ConfigError
from acquire.model import RawRef
from acquire.scoring.statistics import mean, sd

APART_SHARE = 0.1
"""Loads nearer than this share of each other cannot be told apart on the hook."""
_GRAVEST = {"pass": 0, "undecided": 1, "fail": 2}

_Group = tuple[str, Literal["up", "down"]]


def ladder(loads: Sequence[Assigned]) -> list[Assigned]:
    """Loads from the smallest to the largest.

    Raises:
        ConfigError: they are not forces, or two of them cannot be told apart.
    """
    if any(one.unit != "N" for one in loads):
        raise ConfigError(
            "only a force gauge is checked at several loads in one go",
            hint="check against one reference after the other",
        )
    ordered = sorted(loads, key=lambda one: one.value)
    for lower, upper in pairwise(ordered):
        if upper.value - lower.value <= APART_SHARE * upper.value:
            raise ConfigError(
                f"{lower.reference} and {upper.reference} cannot be told apart on the hook:"
                f" {lower.value:.3g} N and {upper.value:.3g} N",
                hint="choose loads that differ by more than a tenth",
            )
    return ordered


def merged(loads: Sequence[Assigned]) -> Assigned:
    """All loads of a ladder under one name, for what is written before any of them was the worst."""
    top = loads[-1]
    return Assigned(
        ", ".join(one.reference for one in loads),
        top.value,
        top.unit,
        top.standard_uncertainty,
        ", ".join(dict.fromkeys(one.certificate for one in loads)),
        min((one.due for one in loads if one.due is not None), default=None),
        "; ".join(f"{one.reference}: {one.basis}" for one in loads),
        care="; ".join(dict.fromkeys(one.care for one in loads if one.care)),
        remarks=tuple(remark for one in loads for remark in one.remarks),
    )


def evaluate_ladder(
    gauge: str,
    assigned: Sequence[Assigned],
    points: Sequence[CheckPoint],
    zeros: Sequence[float],
    *,
    resolution: float,
    t_utc: datetime,
    raw: Sequence[RawRef] = (),
    decision: Decision = GUARDED,
    corrected: Corrected = lambda shown: None,
) -> Check:
    """Turns the loads of one or more runs into a check.

    Each load is judged going up and coming down, by the mean over the runs; their scatter is pooled over all
    loads. The figures of the check are those of the worst: the gravest verdict, then the deviation largest
    against its tolerance. A gauge whose linearity, hysteresis, repeatability or return to zero is beyond the
    tolerance fails, whatever the deviations say.

    Args:
        assigned: every load, from the smallest to the largest.
        points: what was shown on them, at least two runs, in N.
        zeros: before, between and after the runs, in N.
        corrected: the correction in use; the gauge is then judged as it is used, with it.

    Raises:
        ValueError: there are fewer than two runs, or loads that were not measured.
    """
    groups = _groups(points)
    worth = {one.reference: one for one in assigned}
    if {name for name, _ in groups} != set(worth) or min(len(group) for group in groups.values()) < 2:
        raise ValueError("a check at several loads needs every load in two runs at least")
    scatter, freedom = _pooled(groups)
    found = []
    for (name, direction), group in groups.items():
        parts = [
            *reference_parts(worth[name]),
            repeatability_part(scatter / sqrt(len(group)), freedom),
            rounding_part(resolution * sqrt(2)),
        ]
        deviation = mean([point.deviation for point in group])
        permitted = group[0].tolerance
        added = corrected(mean([point.value for point in group]))
        found.append((name, direction, group, judged(deviation, parts, permitted, decision, "N", added)))
    name, direction, group, figures = max(
        found, key=lambda one: (_GRAVEST[one[3]["verdict"]], _left(one[3]) / one[3]["tolerance"])
    )
    traits = tuple(_traits(assigned, groups, zeros, corrected))
    beyond = [trait for trait in traits if not trait.within]
    figures["reason"] = _reason(name, direction, figures["reason"], traits)
    if beyond:
        figures["verdict"] = "fail"
    whole = merged(assigned)
    return Check(
        **figures,
        gauge=gauge,
        reference=whole.reference,
        unit="N",
        t_utc=t_utc,
        zero=tuple(zeros),
        readings=tuple(point.shown for point in group),
        mean=mean([point.value for point in group]),
        assigned=worth[name].value,
        assigned_standard_uncertainty=worth[name].standard_uncertainty,
        basis=worth[name].basis,
        certificate=whole.certificate,
        reference_due=whole.due,
        raw=tuple(raw),
        resolution=resolution,
        at_reference=name,
        points=tuple(points),
        traits=traits,
        remarks=whole.remarks,
        evaluation=EVALUATION,
    )


def _groups(points: Sequence[CheckPoint]) -> dict[_Group, list[CheckPoint]]:
    groups: dict[_Group, list[CheckPoint]] = {}
    for point in points:
        groups.setdefault((point.reference, point.direction), []).append(point)
    return groups


def _pooled(groups: dict[_Group, list[CheckPoint]]) -> tuple[float, int]:
    """Standard deviation of one value from run to run, and its degrees of freedom."""
    freedom = sum(len(group) - 1 for group in groups.values())
    squares = sum((len(group) - 1) * sd([point.value for point in group]) ** 2 for group in groups.values())
    return sqrt(squares / freedom), freedom


def _traits(
    assigned: Sequence[Assigned],
    groups: dict[_Group, list[CheckPoint]],
    zeros: Sequence[float],
    corrected: Corrected,
) -> Iterator[Trait]:
    """Each at the load where it is largest against the tolerance there.

    Linearity: distance from the terminal line. Hysteresis: coming down less going up. Repeatability: largest
    difference between runs of the same load in the same direction. Return to zero: of all runs the worst.
    """
    value = {group: _used(points, corrected) for group, points in groups.items()}
    permitted = {name: group[0].tolerance for (name, _), group in groups.items()}

    def trait(name: Literal["linearity", "hysteresis", "repeatability"], found: dict[str, float]) -> Trait:
        worst = max(found, key=lambda load: abs(found[load]) / permitted[load])
        return Trait(name=name, value=found[worst], permitted=permitted[worst], where=worst)

    yield trait("linearity", _linearity(assigned, value))
    below = [one.reference for one in assigned[:-1]]
    yield trait("hysteresis", {name: value[name, "down"] - value[name, "up"] for name in below})
    spread: dict[str, float] = {}
    for (name, _), group in groups.items():
        shown = [point.value for point in group]
        spread[name] = max(spread.get(name, 0.0), max(shown) - min(shown))
    yield trait("repeatability", spread)
    back = max((after - before for before, after in pairwise(zeros)), key=abs)
    yield Trait(
        name="return to zero",
        value=back,
        permitted=permitted[assigned[0].reference],
        where="zero after a run less the zero before it",
    )


def _left(figures: Judged) -> float:
    added = figures["correction"]
    return abs(figures["deviation"] + (added.amount if added else 0.0))


def _used(points: Sequence[CheckPoint], corrected: Corrected) -> float:
    """Mean of the values as the gauge is used, with its correction."""
    shown = mean([point.value for point in points])
    added = corrected(shown)
    return shown + (added.amount if added else 0.0)


def _linearity(assigned: Sequence[Assigned], value: dict[_Group, float]) -> dict[str, float]:
    """Distance from the terminal line, which goes through the zero and the largest load.

    Of up and down the mean. The terminal line and not the best fit: it is what a tester draws who trusts a
    zero and one weight, and it never makes a gauge look straighter than it is.
    """
    top = assigned[-1]
    slope = value[top.reference, "up"] / top.value
    return {
        one.reference: mean([value[one.reference, "up"], value[one.reference, "down"]]) - slope * one.value
        for one in assigned[:-1]
    }


def _reason(name: str, direction: str, reason: str, traits: Sequence[Trait]) -> str:
    listed = ", ".join(f"{trait.name} {trait.value:+.2g} N" for trait in traits)
    beyond = [trait for trait in traits if not trait.within]
    judged_so = "each within tolerance"
    if beyond:
        named = " and ".join(f"{trait.name} at {trait.where}" for trait in beyond)
        judged_so = f"beyond tolerance: {named}"
    return f"worst at {name} going {direction}: {reason}; {listed}: {judged_so}"
