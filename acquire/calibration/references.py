"""What a reference is worth on this bench: assigned value, its uncertainty, and what that rests on."""

from dataclasses import dataclass
from datetime import date
from math import hypot
from typing import Literal

from acquire.bench import Bench, Gravity, Strokes, Tile, Weight
from acquire.errors import ConfigError

# Conventional mass is defined for weights of 8000 kg/m³ in air of 1.2 kg/m³, whatever they are made of.
AIR_BUOYANCY = 1 - 1.2 / 8000
"""Share of its force that a weight keeps in air."""


@dataclass(frozen=True, slots=True)
class Assigned:
    """The value a gauge should show on a reference, in `unit`; the uncertainty is standard (k = 1)."""

    reference: str
    value: float
    unit: Literal["N", "GU", "1"]
    standard_uncertainty: float
    certificate: str
    due: date | None
    basis: str
    """For a person: how the value follows from the certificate."""
    channel: str | None = None
    """Angle of a gloss value, as the gauge names it."""


def weight_force_n(mass_g: float, gravity_m_s2: float) -> float:
    """Force in N of a hanging weight of conventional mass `mass_g`, in air."""
    return mass_g / 1000 * gravity_m_s2 * AIR_BUOYANCY


def assigned_value(bench: Bench, reference: str, channel: str | None = None) -> Assigned:
    """What a gauge should show on a reference of this bench.

    Args:
        channel: angle of the gauge ("20", "60", "85"); may be left out where the tile has only one.

    Raises:
        ConfigError: the bench has no such reference, or the reference has no value for that angle.
    """
    found = bench.reference(reference)
    if isinstance(found, Tile):
        return _of_tile(found, reference, channel)
    if channel is not None:
        raise ConfigError(
            f"reference {reference!r} is a {found.kind} reference and has no channel {channel!r}",
            hint="choose a reference that fits the gauge",
        )
    if isinstance(found, Weight):
        return _of_weight(found, reference, bench.gravity())
    return _of_strokes(found, reference)


def _of_weight(weight: Weight, name: str, gravity: Gravity) -> Assigned:
    force_n = weight_force_n(weight.mass_g, gravity.value_m_s2)
    relative = hypot(
        weight.expanded_uncertainty / weight.coverage_factor / weight.mass_g,
        gravity.standard_uncertainty_m_s2 / gravity.value_m_s2,
    )
    basis = f"{weight.mass_g:g} g × {gravity.basis} × {AIR_BUOYANCY:g} for air buoyancy"
    return Assigned(name, force_n, "N", force_n * relative, weight.certificate, weight.due, basis)


def _of_tile(tile: Tile, name: str, channel: str | None) -> Assigned:
    angles: dict[str, float] = {str(angle): value for angle, value in tile.gloss_gu.items()}
    if channel is None and len(angles) == 1:
        channel = next(iter(angles))
    if channel not in angles:
        raise ConfigError(
            f"tile {name!r} has no value for the angle {channel}; it has {', '.join(angles)}",
            hint="name one of these angles, or choose another tile",
        )
    uncertainty = tile.expanded_uncertainty / tile.coverage_factor
    basis = f"certified {angles[channel]:g} GU at {channel}°"
    return Assigned(name, angles[channel], "GU", uncertainty, tile.certificate, tile.due, basis, channel)


def _of_strokes(strokes: Strokes, name: str) -> Assigned:
    uncertainty = strokes.expanded_uncertainty / strokes.coverage_factor
    basis = f"{strokes.strokes} strokes counted by hand"
    return Assigned(name, float(strokes.strokes), "1", uncertainty, strokes.certificate, strokes.due, basis)
