"""Carries each figure twice: exact and rounded as the method says, and unrounded with its uncertainty.

Uncertainty is propagated to first order, as the GUM does it (JCGM 100, 5.1): an `Uncertain` is its best
estimate and how much it changes with each independent source. What two figures share (the block, a check of
a gauge) is one source in both, and so stays correlated in any difference or sum of them. Sources carry keys,
because two scorecards share some of them too.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal

from acquire.scoring.results import BudgetLine, Figure, Points
from acquire.scoring.rounding import Rounding, round_to
from acquire.scoring.statistics import effective_freedom, student_factor

Distribution = Literal["normal", "rectangular"]


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """One independent reason of doubt; made by `Sources`."""

    name: str
    key: str
    value: float
    standard_uncertainty: float
    unit: str
    distribution: Distribution
    freedom: float | None


class Uncertain:
    """A best estimate, and its change for a unit change of each source (`slopes`)."""

    __slots__ = ("slopes", "value")

    def __init__(self, value: float, slopes: Mapping[Source, float] | None = None) -> None:
        self.value = value
        self.slopes: Mapping[Source, float] = {} if slopes is None else slopes

    @property
    def standard_uncertainty(self) -> float:
        """Root sum of squares over the sources, which are independent of each other."""
        return math.hypot(*[slope * source.standard_uncertainty for source, slope in self.slopes.items()])

    def __add__(self, other: "Uncertain") -> "Uncertain":
        return Uncertain(self.value + other.value, _combined(self, 1.0, other, 1.0))

    def __sub__(self, other: "Uncertain") -> "Uncertain":
        return Uncertain(self.value - other.value, _combined(self, 1.0, other, -1.0))

    def __mul__(self, other: "Uncertain") -> "Uncertain":
        return Uncertain(self.value * other.value, _combined(self, other.value, other, self.value))

    def __truediv__(self, other: "Uncertain") -> "Uncertain":
        ratio = self.value / other.value
        return Uncertain(ratio, _combined(self, 1 / other.value, other, -ratio / other.value))


def _combined(one: Uncertain, by_one: float, other: Uncertain, by_other: float) -> Mapping[Source, float]:
    if not other.slopes and by_one == 1:
        return one.slopes
    slopes = {source: by_one * slope for source, slope in one.slopes.items()}
    for source, slope in other.slopes.items():
        slopes[source] = slopes.get(source, 0.0) + by_other * slope
    return slopes


@dataclass(frozen=True, slots=True)
class Twin:
    """The published path (`exact`, with `shown` as last rounded) and the unrounded one (`uncertain`)."""

    exact: Fraction
    uncertain: Uncertain
    shown: Decimal | None = None

    @classmethod
    def sure(cls, value: Fraction | Decimal | int) -> "Twin":
        """A number without uncertainty."""
        exact = Fraction(value)
        return cls(exact, Uncertain(float(exact)))

    def __add__(self, other: "Twin") -> "Twin":
        return Twin(self.exact + other.exact, self.uncertain + other.uncertain)

    def __sub__(self, other: "Twin") -> "Twin":
        return Twin(self.exact - other.exact, self.uncertain - other.uncertain)

    def __mul__(self, other: "Twin") -> "Twin":
        return Twin(self.exact * other.exact, self.uncertain * other.uncertain)

    def __truediv__(self, other: "Twin") -> "Twin":
        return Twin(self.exact / other.exact, self.uncertain / other.uncertain)

    def with_uncertain(self, uncertain: Uncertain) -> "Twin":
        """The same published path beside another unrounded one."""
        return Twin(self.exact, uncertain, self.shown)

    def rounded(self, how: Rounding | None) -> "Twin":
        """The same with the published path rounded once; None leaves it as it is."""
        if how is None:
            return self
        shown = round_to(self.exact, how)
        return Twin(Fraction(shown), self.uncertain, shown)

    def figure(self, unit: str) -> Figure:
        """This number for a scorecard."""
        return Figure(**self.fields(unit))

    def fields(self, unit: str) -> dict[str, Any]:
        """The fields of a `Figure`."""
        value = float(self.exact)
        return {
            "value": value,
            "text": f"{value:.6g}" if self.shown is None else str(self.shown),
            "unrounded": self.uncertain.value,
            "standard_uncertainty": self.uncertain.standard_uncertainty,
            "unit": unit,
        }


def total(twins: Iterable[Twin]) -> Twin:
    """Sum of any number of twins."""
    return _weighted(list(twins), 1)


def average(twins: Sequence[Twin]) -> Twin:
    """Mean of at least one twin."""
    return _weighted(twins, len(twins))


def _weighted(twins: Sequence[Twin], parts: int) -> Twin:
    slopes: dict[Source, float] = {}
    for twin in twins:
        for source, slope in twin.uncertain.slopes.items():
            slopes[source] = slopes.get(source, 0.0) + slope / parts
    value = math.fsum(twin.uncertain.value for twin in twins) / parts
    return Twin(sum((twin.exact for twin in twins), Fraction(0)) / parts, Uncertain(value, slopes))


class Sources:
    """Makes the sources of one scorecard, one for each key."""

    def __init__(self, trial: str = "") -> None:
        self._trial = trial
        self._known: dict[str, Source] = {}

    def own_key(self, name: str) -> str:
        """The key of an error of this trial alone."""
        return f"{self._trial}: {name}"

    def source(
        self,
        value: float,
        standard_uncertainty: float,
        *,
        name: str,
        unit: str,
        key: str,
        freedom: float | None = None,
        distribution: Distribution = "normal",
    ) -> Source:
        """The source of that key; made of the other arguments, as in `make`, if the key is a new one."""
        source = self._known.get(key)
        if source is None:
            source = Source(name, key, value, standard_uncertainty, unit, distribution, freedom)
            self._known[key] = source
        return source

    def make(
        self,
        value: float,
        standard_uncertainty: float,
        *,
        name: str,
        unit: str,
        freedom: float | None = None,
        key: str | None = None,
        distribution: Distribution = "normal",
    ) -> Uncertain:
        """A value with one source; a sure number if it has no uncertainty.

        Args:
            value: best estimate, in `unit`.
            standard_uncertainty: in `unit` (k = 1).
            name: for a person.
            freedom: degrees of freedom; None: infinite, or not stated.
            key: the same for the same error, in this scorecard and in others. A second value made of a known
                key shares its error, in proportion to the two uncertainties. None: an error of this trial
                alone, and a new one at each call.
        """
        if standard_uncertainty == 0:
            return Uncertain(value)
        if key is None:
            key = self.own_key(name)
            if key in self._known:
                key = f"{key} #{len(self._known)}"
        source = self.source(
            value,
            standard_uncertainty,
            name=name,
            unit=unit,
            key=key,
            freedom=freedom,
            distribution=distribution,
        )
        return Uncertain(value, {source: standard_uncertainty / source.standard_uncertainty})

    def points(self, twin: Twin, coverage: float) -> Points:
        """Points with effective degrees of freedom, expanded uncertainty and budget."""
        lines = [_line(source, slope) for source, slope in twin.uncertain.slopes.items()]
        freedom = effective_freedom((line.contribution, line.degrees_of_freedom) for line in lines)
        factor = student_factor(freedom, coverage)
        fields = twin.fields("points")
        return Points(
            **fields,
            effective_degrees_of_freedom=freedom,
            coverage=coverage,
            coverage_factor=factor,
            expanded_uncertainty=factor * fields["standard_uncertainty"],
            budget=tuple(sorted(lines, key=lambda line: (-line.contribution, line.source))),
        )


def _line(source: Source, slope: float) -> BudgetLine:
    return BudgetLine(
        source=source.name,
        key=source.key,
        value=source.value,
        distribution=source.distribution,
        sensitivity=slope,
        standard_uncertainty=source.standard_uncertainty,
        unit=source.unit,
        degrees_of_freedom=source.freedom,
        contribution=abs(slope) * source.standard_uncertainty,
    )
