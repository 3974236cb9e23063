"""How much of the scatter of a gauge's checks lies between the checks, and how much within them (GUM H.5)."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, sqrt

from scipy.special import fdtrc

from acquire.calibration.checks import Check
from acquire.errors import ConfigError
from acquire.scoring.statistics import mean, sd

LEAST_N = 5
"""Fewer checks tell next to nothing of how they differ."""
LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Components:
    """Outcome of a one-way analysis of groups, such as checks over many days."""

    mean: float
    """Of the groups' means."""
    between_sd: float
    """What groups differ by beyond their own scatter; 0 where the estimate of its square is negative."""
    within_sd: float
    """Pooled over the groups."""
    f: float
    p: float
    """How probable so large an F is where groups do not differ."""
    groups_n: int
    within_freedom: int
    standard_uncertainty: float
    """Of the mean, from the scatter of the groups' means."""

    @property
    def clamped(self) -> bool:
        """Groups differ by less than their own scatter explains."""
        return self.f < 1


def between_and_within(groups: Sequence[tuple[float, float, int]]) -> Components:
    """One-way analysis of variance from each group's mean, standard deviation and size.

    Raises:
        ValueError: fewer than two groups, or none with two values.
    """
    freedom = sum(count - 1 for _, _, count in groups)
    if len(groups) < 2 or freedom < 1:
        raise ValueError("needs two groups at least, and one with two values")
    total = sum(count for _, _, count in groups)
    within = fsum((count - 1) * spread**2 for _, spread, count in groups) / freedom
    weighted = fsum(count * centre for centre, _, count in groups) / total
    square = fsum(count * (centre - weighted) ** 2 for centre, _, count in groups) / (len(groups) - 1)
    # The size that groups of unequal size count as; their common size if they are equal.
    size = (total - fsum(count**2 for _, _, count in groups) / total) / (len(groups) - 1)
    f = square / within if within else float("inf")
    centres = [centre for centre, _, _ in groups]
    return Components(
        mean=mean(centres),
        between_sd=sqrt(max(square - within, 0.0) / size),
        within_sd=sqrt(within),
        f=f,
        p=float(fdtrc(len(groups) - 1, freedom, f)),
        groups_n=len(groups),
        within_freedom=freedom,
        standard_uncertainty=sd(centres) / sqrt(len(groups)),
    )


def check_components(checks: Sequence[Check]) -> Components:
    """The same for the checks of one gauge against one reference: the deviations of their readings.

    Raises:
        ConfigError: they are not of one gauge, reference and channel.
        ValueError: as `between_and_within`.
    """
    kinds = {(check.gauge, check.reference, check.channel) for check in checks}
    if len(kinds) > 1:
        raise ConfigError(
            "checks of different gauges, references or angles cannot be compared with each other",
            hint="choose one of each",
        )
    return between_and_within([(check.deviation, _spread(check), len(check.readings)) for check in checks])


def components_in_words(checks: Sequence[Check], unit: str) -> str:
    """Both scatters of a series in a sentence; empty where too few checks have several readings.

    Checks at several loads are left out: their readings are of other placements.
    """
    single = [check for check in checks if not check.points]
    if len(single) < LEAST_N or all(len(check.readings) < 2 for check in single):
        return ""
    found = check_components(single)
    within = f"readings within a check scatter by {found.within_sd:.2g} {unit}"
    if found.p > LEVEL:
        return f"In {found.groups_n} checks {within}, and the checks differ by no more than that explains."
    return (
        f"In {found.groups_n} checks {within}; beyond that, checks differ by {found.between_sd:.2g} {unit}"
        f" (standard deviations; F = {found.f:.3g}, analysis of variance as in GUM H.5)."
    )


def _spread(check: Check) -> float:
    values = list(check.readings)
    if len(check.zero) == len(values) and not check.points:
        values = [value - at for value, at in zip(values, check.zero, strict=True)]
    return sd(values) if len(values) > 1 else 0.0
