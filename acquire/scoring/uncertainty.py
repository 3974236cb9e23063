"""Carries each figure twice: exact and rounded as the method says, and unrounded with its uncertainty.

Every source of uncertainty is one variable of the `uncertainties` package, made once by `Sources`. What two
figures share (the block, the gauge) is the same variable in both, and so stays correlated in any difference
or sum of them.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

import uncertainties

from acquire.scoring.results import BudgetLine, Figure, Points
from acquire.scoring.rounding import Rounding, round_to
from acquire.scoring.statistics import effective_freedom, student_factor

Uncertain = Any
"""A float, or a number of the `uncertainties` package, which ships no types."""


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
        return cls(exact, float(exact))

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
            "unrounded": float(uncertainties.nominal_value(self.uncertain)),
            "standard_uncertainty": float(uncertainties.std_dev(self.uncertain)),
            "unit": unit,
        }


def total(twins: Iterable[Twin]) -> Twin:
    """Sum of any number of twins."""
    result = Twin.sure(0)
    for twin in twins:
        result = result + twin
    return result


def average(twins: list[Twin]) -> Twin:
    """Mean of at least one twin."""
    return total(twins) / Twin.sure(len(twins))


class Sources:
    """Makes the variables of one scorecard and remembers name, unit and degrees of freedom of each."""

    def __init__(self) -> None:
        self._known: dict[Any, tuple[str, str, float | None]] = {}

    def make(
        self, value: float, standard_uncertainty: float, *, name: str, unit: str, freedom: float | None = None
    ) -> Uncertain:
        """A new variable; a plain number if it has no uncertainty."""
        if standard_uncertainty == 0:
            return value
        variable = uncertainties.ufloat(value, standard_uncertainty, name)
        self._known[variable] = (name, unit, freedom)
        return variable

    def points(self, twin: Twin, coverage: float) -> Points:
        """Points with effective degrees of freedom, expanded uncertainty and budget."""
        parts: Mapping[Any, float] = (
            twin.uncertain.error_components() if hasattr(twin.uncertain, "error_components") else {}
        )
        lines = [self._line(variable, float(size)) for variable, size in parts.items()]
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

    def _line(self, variable: Any, contribution: float) -> BudgetLine:
        name, unit, freedom = self._known[variable]
        return BudgetLine(
            source=name,
            standard_uncertainty=float(variable.std_dev),
            unit=unit,
            degrees_of_freedom=freedom,
            contribution=math.fabs(contribution),
        )
