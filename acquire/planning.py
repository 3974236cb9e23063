"""How many readings it takes to tell two products apart, from what this bench's own trials have shown.

Two products are thought of, each on panels of its own under a check of its own. The doubt of the difference
between them is made of five shares, each of which only certain means reduce:

    repeatability      more readings, or more panels
    panels             more panels
    display            a finer or faster gauge, or more panels
    check              better checks, or both products under one check
    shared             better references; most of it cancels, as it moves both products alike

Power is that of the two-sided t test, by the noncentral t distribution.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.optimize import brentq
from scipy.special import nctdtr, ndtr, ndtri, stdtrit

from acquire.errors import MethodError
from acquire.model import Model, Test
from acquire.scoring.method import Method
from acquire.scoring.results import BudgetLine, Score, Scorecard, SetResult
from acquire.scoring.statistics import effective_freedom, mean

PLANNED = (Test.SLIP, Test.GLOSS)
MOST_READINGS = 200
MOST_PANELS = 50
MANY = 1e4
"""So many degrees of freedom are no different from infinitely many, and spare the noncentral t its limits."""
_SHARED = ("block", "gravity", "air buoyancy", "reference ", "certificate ", "correction ")
"""Beginnings of the keys of errors that two products measured on one bench have in common."""

Share = Literal["repeatability", "panels", "display", "check", "shared"]
REMEDY: dict[Share, str] = {
    "repeatability": "more readings or more panels",
    "panels": "more panels",
    "display": "a finer or faster gauge, or more panels",
    "check": "better checks of the gauge, or both products under one check",
    "shared": "better references",
}


class Past(Model):
    """What the trials so far tell of one test, in the unit of its result (k = 1)."""

    test: Test
    unit: str
    trials_n: int
    sets_n: int
    readings: int
    """That the method asks for in a set."""
    panels: int
    """Of the trial with the most of them."""
    repeatability_sd: float
    """Of single readings within a set, pooled."""
    panel_sd: float | None
    """Of the change, from panel to panel, beyond what repeatability makes of it; None: not known."""
    panel_freedom: int
    panel_clamped: bool
    """The estimate of its square came out negative."""
    display: float
    """Of one set's mean: display step and under-read peaks."""
    check: float
    """Of one trial's result: what the check of its gauge left open."""
    shared_fraction: float
    """Of a result, as a share of it: what all trials of the bench have in common."""


class PlanShare(Model):
    """One share of the doubt of the difference, as things are now."""

    share: Share
    standard_uncertainty: float
    percent: float
    """Of the variance."""
    remedy: str


class Plan(Model):
    """What it takes, and what limits it."""

    past: Past
    difference: float
    power: float
    level: float
    readings: int
    """In a set, and panels of each product, as things are now."""
    panels: int
    power_now: float
    smallest_now: float | None
    """Difference that would be seen with the wanted power as things are now; None: no difference would."""
    needed_readings: int | None
    """In a set, on `panels` panels; None: none that is searched suffices."""
    needed_panels: int | None
    """Of each product, with `readings` in a set; None: none that is searched suffices."""
    limited_by: tuple[PlanShare, ...]
    """Largest first."""
    power_at_best_readings: float
    """With readings without end on `panels` panels."""
    power_at_best: float
    """With readings and panels without end."""
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Doubt:
    shares: dict[Share, float]
    """Variances of the difference."""
    freedom: float | None

    @property
    def size(self) -> float:
        return math.sqrt(sum(self.shares.values()))


def power_of(difference: float, standard_uncertainty: float, freedom: float | None, level: float) -> float:
    """Probability that a two-sided t test at `level` sees a true difference.

    Args:
        difference: in any unit, and `standard_uncertainty` of its estimate in the same.
        freedom: degrees of freedom of the latter; None: infinite.
    """
    if standard_uncertainty == 0:
        return 1.0 if difference else level
    away = abs(difference) / standard_uncertainty
    if freedom is None or freedom > MANY:
        limit = float(ndtri(1 - level / 2))
        return float(ndtr(away - limit) + ndtr(-away - limit))
    limit = float(stdtrit(freedom, 1 - level / 2))
    return 1 - _noncentral(freedom, away, limit) + _noncentral(freedom, away, -limit)


def _noncentral(freedom: float, away: float, limit: float) -> float:
    """Distribution function of the noncentral t."""
    found = float(nctdtr(freedom, away, limit))
    # scipy answers with no number only far out, where the probability is as good as none.
    return 0.0 if math.isnan(found) else found


def past_of(cards: Iterable[Scorecard], method: Method, test: Test) -> Past:
    """Pools what scored trials tell of one test.

    Raises:
        MethodError: the test is not made of readings, or no trial has a score in it yet.
    """
    if test not in PLANNED:
        raise MethodError(
            f"{test.value} is not planned by counting readings",
            hint=f"plan one of: {', '.join(one.value for one in PLANNED)}",
        )
    scores = [(card.trial, score) for card in cards if (score := card.score(test)) and score.points]
    if not scores:
        raise MethodError(
            f"no trial has a score in {test.value} yet",
            hint="measure one first: how well its readings repeat is what a plan is made from",
        )
    sets = [found for _, score in scores for panel in score.panels for found in panel.sets]
    repeats = _pooled([(_spread(found), len(found.used) - 1) for found in sets])
    panel_sd, freedom, clamped = _between_panels([score for _, score in scores])
    groups = [_Groups.of(trial, score, method) for trial, score in scores]
    changes = [_change(score) for _, score in scores]
    total = sum(change**2 for change in changes)
    rules = method.slip if test is Test.SLIP else method.gloss
    unit = next(panel.figure.unit for panel in scores[0][1].panels if panel.figure is not None)
    return Past(
        test=test,
        unit=unit,
        trials_n=len(scores),
        sets_n=len(sets),
        readings=rules.asked,
        panels=max(len(score.panels) for _, score in scores),
        repeatability_sd=repeats,
        panel_sd=panel_sd,
        panel_freedom=freedom,
        panel_clamped=clamped,
        display=math.sqrt(mean([group.per_set for group in groups])),
        check=math.sqrt(mean([group.check for group in groups])),
        shared_fraction=math.sqrt(sum(group.shared for group in groups) / total) if total else 0.0,
    )


def _spread(found: SetResult) -> float:
    """Standard deviation of a set's readings in the unit of the result."""
    if found.sd is None or found.mean is None or found.result is None or not found.mean.unrounded:
        return 0.0
    return abs(found.sd * found.result.unrounded / found.mean.unrounded)


def _pooled(sds: Sequence[tuple[float, int]]) -> float:
    return math.sqrt(sum(sd**2 * freedom for sd, freedom in sds) / sum(freedom for _, freedom in sds))


def _change(score: Score) -> float:
    return mean([panel.figure.unrounded for panel in score.panels if panel.figure is not None])


def _between_panels(scores: Iterable[Score]) -> tuple[float | None, int, bool]:
    """Spread of the change from panel to panel within trials, its degrees of freedom, and whether clamped."""
    squares, within, freedom = 0.0, 0.0, 0
    for score in scores:
        changes = [panel.figure.unrounded for panel in score.panels if panel.figure is not None]
        if len(changes) < 2:
            continue
        own = len(changes) - 1
        centre = mean(changes)
        squares += sum((change - centre) ** 2 for change in changes)
        noise = [sum(_spread(one) ** 2 / len(one.used) for one in panel.sets) for panel in score.panels]
        within += own * mean(noise)
        freedom += own
    if not freedom:
        return None, 0, False
    excess = (squares - within) / freedom
    return math.sqrt(max(0.0, excess)), freedom, excess < 0


@dataclass(frozen=True, slots=True)
class _Groups:
    """Variances of one trial's result besides repeatability, by what two products have in common of them."""

    per_set: float
    check: float
    shared: float

    @classmethod
    def of(cls, trial: str, score: Score, method: Method) -> "_Groups":
        assert score.points is not None
        rate = _rate(score, method)
        sums = {"set": 0.0, "check": 0.0, "shared": 0.0, "repeats": 0.0}
        for line in score.points.budget:
            sums[_group(line, trial)] += (line.contribution / rate) ** 2 if rate else 0.0
        # A result is a mean over panels of differences between two sets.
        return cls(sums["set"] * len(score.panels) / 2, sums["check"], sums["shared"])


def _rate(score: Score, method: Method) -> float:
    """Points for one unit of the result."""
    if score.test is Test.SLIP:
        return abs(float(method.slip.points_per_unit))
    gained = _change(score) >= 0
    return abs(float(method.gloss.points_per_unit_gained if gained else method.gloss.points_per_unit_lost))


def _group(line: BudgetLine, trial: str) -> str:
    own = line.key.removeprefix(f"{trial}: ")
    if own.startswith("repeatability"):
        return "repeats"
    if own.startswith(("resolution", "under-read")):
        return "set"
    return "shared" if line.key.startswith(_SHARED) else "check"


def plan(
    past: Past,
    difference: float,
    *,
    power: float = 0.9,
    level: float = 0.05,
    readings: int | None = None,
    panels: int | None = None,
) -> Plan:
    """Works out what it takes to see a difference between two products.

    Args:
        difference: between the two results, in the unit of `past`.
        power: probability with which it shall be seen.
        level: probability of seeing one where there is none.
        readings: in a set as things are now; None: as the method asks.
        panels: of each product as things are now; None: as many as a trial had.

    Raises:
        MethodError: a number that cannot be; says which.
    """
    _refuse(difference, power, level)
    now_n, now_k = readings or past.readings, panels or past.panels

    def reached(count: float, on: float, size: float = difference) -> float:
        doubt = _doubt(past, count, on, size)
        return power_of(size, doubt.size, doubt.freedom, level)

    needed_readings = _first(lambda count: reached(count, now_k) >= power, 2, MOST_READINGS)
    needed_panels = _first(lambda on: reached(now_n, on) >= power, 1, MOST_PANELS)
    doubt = _doubt(past, now_n, now_k, difference)
    shares = tuple(
        PlanShare(
            share=share,
            standard_uncertainty=math.sqrt(variance),
            percent=100 * variance / doubt.size**2 if doubt.size else 0.0,
            remedy=REMEDY[share],
        )
        for share, variance in sorted(doubt.shares.items(), key=lambda item: -item[1])
    )
    found = Plan(
        past=past,
        difference=difference,
        power=power,
        level=level,
        readings=now_n,
        panels=now_k,
        power_now=reached(now_n, now_k),
        smallest_now=_smallest(lambda size: reached(now_n, now_k, size) - power, doubt.size),
        needed_readings=needed_readings,
        needed_panels=needed_panels,
        limited_by=shares,
        power_at_best_readings=reached(math.inf, now_k),
        power_at_best=reached(math.inf, math.inf),
        words=(),
    )
    return found.model_copy(update={"words": tuple(_words(found))})


def _refuse(difference: float, power: float, level: float) -> None:
    if not difference > 0 or not math.isfinite(difference):
        raise MethodError(f"a difference of {difference:g} cannot be planned for", hint="give one above 0")
    for name, value in (("power", power), ("level", level)):
        if not 0 < value < 1:
            raise MethodError(f"a {name} of {value:g} cannot be", hint="it is a probability between 0 and 1")


def _doubt(past: Past, readings: float, panels: float, difference: float) -> _Doubt:
    """Of the difference of two products, each a mean over panels of treated against bare."""
    panel = 0.0 if past.panel_sd is None else 2 * past.panel_sd**2 / panels
    shares: dict[Share, float] = {
        "repeatability": 4 * past.repeatability_sd**2 / (readings * panels),
        "panels": panel,
        "display": 4 * past.display**2 / panels,
        "check": 2 * past.check**2,
        "shared": (difference * past.shared_fraction) ** 2,
    }
    sets_freedom = 4 * panels * (readings - 1)
    known: list[tuple[float, float | None]] = [
        (shares["repeatability"], sets_freedom if math.isfinite(sets_freedom) else None),
        *((shares[share], None) for share in ("display", "check", "shared")),
    ]
    if panel:
        panel_freedom = max(2 * (panels - 1), past.panel_freedom)
        known.append((panel, panel_freedom if math.isfinite(panel_freedom) else None))
    freedom = effective_freedom((math.sqrt(variance), its_freedom) for variance, its_freedom in known)
    return _Doubt(shares, freedom)


def _first(enough: Callable[[int], bool], least: int, most: int) -> int | None:
    return next((count for count in range(least, most + 1) if enough(count)), None)


def _smallest(short_of: Callable[[float], float], size: float) -> float | None:
    """The difference that is just seen; None if even a hundred times the doubt of it is not."""
    if size == 0:
        return 0.0
    high = 100 * size
    return float(brentq(short_of, 1e-6 * size, high)) if short_of(high) > 0 else None


def _words(found: Plan) -> Iterable[str]:
    past, unit = found.past, "" if found.past.unit == "1" else f" {found.past.unit}"
    what = "pulls" if past.test is Test.SLIP else "readings"
    aim = f"a difference of {found.difference:g}{unit} with a power of {100 * found.power:g} %"
    here = f"on {found.panels} panel(s)"
    if found.power_at_best < found.power:
        worst = next(one for one in found.limited_by if one.share in ("check", "shared"))
        yield f"no number of {what} or panels shows {aim}; what it takes: {worst.remedy}"
    elif found.needed_readings is not None:
        yield f"{found.needed_readings} {what} bare and as many treated, {here} of each product, show {aim}"
    else:
        if found.power_at_best_readings < found.power:
            stays = next(one for one in found.limited_by if one.share != "repeatability")
            yield f"no number of {what} {here} of each product shows {aim}; what it takes: {stays.remedy}"
        else:
            yield f"more than {MOST_READINGS} {what} {here} of each product would be needed to show {aim}"
        if found.needed_panels is not None:
            yield f"{found.needed_panels} panels of each product with {found.readings} {what} each do"
    smallest = "no difference" if found.smallest_now is None else f"{found.smallest_now:.2g}{unit}"
    yield (
        f"as it is ({found.readings} {what}, {found.panels} panel(s)): power {100 * found.power_now:.0f} %; "
        f"smallest difference shown with {100 * found.power:g} %: {smallest}"
    )
    if past.panel_sd is None:
        yield "how panels differ is not known, as no trial had two: left out, so the plan is too hopeful"
    elif past.panel_clamped:
        yield "panels differed no more than repeating explains: their share came out below 0 and was set to 0"
