"""Uncertainty budgets in words: the same table on the terminal and on paper."""

from collections.abc import Iterable
from dataclasses import dataclass

from acquire.scoring.results import BudgetLine, Points

COLUMNS = ("source", "value", "standard u", "distribution", "sensitivity", "contribution", "degrees")
"""Headings, in the order of the fields of `Row`."""


@dataclass(frozen=True, slots=True)
class Row:
    """One source of uncertainty, each field as it is printed."""

    source: str
    value: str
    standard_uncertainty: str
    distribution: str
    sensitivity: str
    """Change of the figure for a unit change of the source."""
    contribution: str
    degrees_of_freedom: str


def rows(lines: Iterable[BudgetLine]) -> list[Row]:
    """One row for each line, in their order."""
    return [
        Row(
            source=line.source,
            value=f"{line.value:.5g}",
            standard_uncertainty=f"{line.standard_uncertainty:#.2g}".removesuffix(".") + _unit(line.unit),
            distribution=line.distribution,
            sensitivity=f"{line.sensitivity:+.3g}",
            contribution=f"{line.contribution:#.2g}".removesuffix("."),
            degrees_of_freedom=_freedom(line.degrees_of_freedom),
        )
        for line in lines
    ]


def combined(points: Points) -> str:
    """What the lines of a budget make together."""
    return (
        f"together {points.standard_uncertainty:.2g} points, {_freedom(points.effective_degrees_of_freedom)} "
        f"degrees of freedom (Welch–Satterthwaite); × {points.coverage_factor:.2f} for "
        f"{100 * points.coverage:g} % = ± {points.expanded_uncertainty:.2g}"
    )


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _freedom(freedom: float | None) -> str:
    return "∞" if freedom is None else f"{freedom:.3g}"
