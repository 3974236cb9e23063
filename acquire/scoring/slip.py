"""Slip: how much the product lowers breakaway friction.

friction = force / (block mass × gravity);  gain = bare − treated, panel by panel;  points = mean gain × rate.
"""

from collections.abc import Iterable, Sequence
from fractions import Fraction

from acquire.model import Reading, Test
from acquire.scoring.method import ASSUMED_GRAVITY, LocalGravity, Method
from acquire.scoring.paired import Outcome, Paired, score_paired
from acquire.scoring.rounding import exact
from acquire.scoring.selection import wanted
from acquire.scoring.uncertainty import Sources, Twin


def block_weight(method: Method, gravity: LocalGravity, sources: Sources) -> Twin:
    """Weight of the block in N; its mass and gravity are shared by every friction coefficient."""
    rules = method.slip
    mass = sources.make(
        float(rules.block_mass_kg),
        rules.block_mass_standard_uncertainty_kg,
        name="mass of the block",
        unit="kg",
        key="block",
    )
    pull = sources.make(
        gravity.value_m_s2,
        gravity.standard_uncertainty_m_s2,
        name="gravity",
        unit="m/s²",
        key="gravity",
        distribution="rectangular" if gravity is ASSUMED_GRAVITY else "normal",
    )
    return Twin.sure(Fraction(rules.block_mass_kg) * exact(gravity.value_m_s2)).with_uncertain(mass * pull)


def score_slip(
    readings: Iterable[Reading],
    method: Method,
    gravity: LocalGravity,
    sources: Sources,
    panels: Sequence[str],
) -> Outcome:
    """Scores slip from the readings of one trial, which has these panels."""
    rules = method.slip
    stages = rules.rounding
    weight = block_weight(method, gravity, sources)
    rate = Twin.sure(rules.points_per_unit)
    spec = Paired(
        test=Test.SLIP,
        want=wanted(Test.SLIP, method),
        gauge_error=rules.gauge_error,
        unit="N",
        mean_rounding=stages.force,
        result=lambda force: (force / weight).rounded(stages.friction),
        result_unit="1",
        change=lambda bare, treated: (bare - treated).rounded(stages.gain),
        points=lambda gain: (gain * rate).rounded(stages.points),
    )
    return score_paired(spec, readings, method, sources, panels)
