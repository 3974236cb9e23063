"""What a reference is worth on this bench: assigned value, its uncertainty, and what that rests on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import fsum, hypot
from typing import Literal

from acquire.bench import Bench
from acquire.calibration.air import CONVENTIONAL_KG_M3, Air, air_of
from acquire.calibration.glass import implausible
from acquire.errors import ConfigError
from acquire.model import UncertaintyPart
from acquire.scoring.statistics import rectangular
from acquire.tables import Strokes, Tile, Weight

# Conventional mass is defined for weights of 8000 kg/m³ in air of 1.2 kg/m³, whatever they are made of.
_CONVENTIONAL_WEIGHT_KG_M3 = 8000.0
AIR_BUOYANCY = 1 - CONVENTIONAL_KG_M3 / _CONVENTIONAL_WEIGHT_KG_M3
"""Share of its force that a weight keeps in air."""
_METAL_KG_M3 = (7000.0, 10000.0)
"""What a weight of unknown material is taken to be: iron, steel, brass, bronze."""


STACKED = "+"
"""Between the names of weights that hang together."""


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
    parts: tuple[UncertaintyPart, ...] = ()
    """What `standard_uncertainty` is the root sum of squares of; empty: the reference alone."""
    care: str = ""
    remarks: tuple[str, ...] = ()
    """What a person should look at, such as a value that does not go with the tile's glass."""


def weight_force_n(
    mass_g: float,
    gravity_m_s2: float,
    *,
    density_kg_m3: float | None = None,
    air_kg_m3: float = CONVENTIONAL_KG_M3,
) -> float:
    """Force in N of a hanging weight of conventional mass `mass_g`, in air.

    Args:
        density_kg_m3: of its material; where it is not given, the share the air carries is the conventional.
        air_kg_m3: density of the air.
    """
    force_n = mass_g / 1000 * gravity_m_s2 * AIR_BUOYANCY
    if density_kg_m3 is None:
        return force_n
    # From the conventional to the true mass, then less what the air carries of that.
    return force_n * (1 - air_kg_m3 / density_kg_m3) / (1 - CONVENTIONAL_KG_M3 / density_kg_m3)


def assigned_value(
    bench: Bench, reference: str, channel: str | None = None, *, air: Air | None = None
) -> Assigned:
    """What a gauge should show on a reference of this bench.

    Args:
        reference: its name; or weights hung together, as in "weight-100g+weight-200g".
        channel: angle of the gauge ("20", "60", "85"); may be left out where the tile has only one.
        air: where it was measured (see `air_of`); else that of the bench's standard atmosphere and height.

    Raises:
        ConfigError: the bench has no such reference, or the reference has no value for that angle.
    """
    if STACKED in reference:
        return _of_stack([assigned_value(bench, one, channel, air=air) for one in reference.split(STACKED)])
    found = bench.reference(reference)
    if isinstance(found, Tile):
        return _of_tile(found, reference, channel)
    if channel is not None:
        raise ConfigError(
            f"reference {reference!r} is a {found.kind} reference and has no channel {channel!r}",
            hint="choose a reference that fits the gauge",
        )
    if isinstance(found, Weight):
        return _of_weight(found, reference, bench, air or air_of(bench))
    return _of_strokes(found, reference)


def channels_of(bench: Bench, reference: str) -> list[str | None]:
    """The angles a reference has values for; one None for a reference that knows no angles.

    Raises:
        ConfigError: the bench has no such reference.
    """
    found = bench.reference(reference)
    return [str(angle) for angle in found.gloss_gu] if isinstance(found, Tile) else [None]


def _of_weight(weight: Weight, name: str, bench: Bench, air: Air) -> Assigned:
    gravity = bench.gravity()
    force_n = weight_force_n(
        weight.mass_g,
        gravity.value_m_s2,
        density_kg_m3=weight.density_kg_m3,
        air_kg_m3=air.density_kg_m3,
    )
    buoyancy = _buoyancy_uncertainty(weight.density_kg_m3, air)
    mass = weight.expanded_uncertainty / weight.coverage_factor / weight.mass_g
    parts = (
        UncertaintyPart(
            source=f"mass of {name}", key=f"reference {name}", standard_uncertainty=force_n * mass
        ),
        UncertaintyPart(
            source="local gravity",
            key="gravity",
            standard_uncertainty=force_n * gravity.standard_uncertainty_m_s2 / gravity.value_m_s2,
            distribution="rectangular",
        ),
        UncertaintyPart(source="air buoyancy", key="air buoyancy", standard_uncertainty=force_n * buoyancy),
    )
    share = force_n / (weight.mass_g / 1000 * gravity.value_m_s2)
    made_of = (
        "metal of 7000 to 10000 kg/m³ assumed"
        if weight.density_kg_m3 is None
        else f"{weight.density_kg_m3:g} kg/m³ in air of {air.density_kg_m3:.3f} kg/m³ at {air.basis}"
    )
    basis = (
        f"{weight.mass_g:g} g × {gravity.basis} × {share:.7g} for air buoyancy ({made_of};"
        f" known to ± {2e6 * buoyancy:.2g} parts in a million)"
    )
    return Assigned(
        name,
        force_n,
        "N",
        hypot(*(part.standard_uncertainty for part in parts)),
        weight.certificate,
        weight.due,
        basis,
        parts=parts,
        care=weight.care or "",
    )


def _of_stack(weights: Sequence[Assigned]) -> Assigned:
    """Weights that hang together: masses are known independently, gravity and air are the same for all."""
    if any(one.unit != "N" for one in weights) or len({one.reference for one in weights}) < len(weights):
        raise ConfigError(
            f"{STACKED.join(one.reference for one in weights)} cannot hang together",
            hint=f"only weights can be joined with {STACKED}, and each of them hangs once",
        )
    sizes: dict[str, list[UncertaintyPart]] = {}
    for part in (part for one in weights for part in one.parts):
        sizes.setdefault(part.key, []).append(part)
    parts = tuple(
        same[0].model_copy(update={"standard_uncertainty": fsum(part.standard_uncertainty for part in same)})
        for same in sizes.values()
    )
    return Assigned(
        STACKED.join(one.reference for one in weights),
        fsum(one.value for one in weights),
        "N",
        hypot(*(part.standard_uncertainty for part in parts)),
        ", ".join(dict.fromkeys(one.certificate for one in weights)),
        min((one.due for one in weights if one.due is not None), default=None),
        "; ".join(one.basis for one in weights),
        parts=parts,
        care="; ".join(dict.fromkeys(one.care for one in weights if one.care)),
    )


def _buoyancy_uncertainty(density_kg_m3: float | None, air: Air) -> float:
    """Relative standard uncertainty of the force from what the air carries."""
    if density_kg_m3 is not None:
        return air.standard_uncertainty_kg_m3 / density_kg_m3
    # The conventional share is used: all that this air differs from the conventional one stays uncertain, and
    # so does what a material other than steel makes of the difference.
    away = hypot(air.density_kg_m3 - CONVENTIONAL_KG_M3, air.standard_uncertainty_kg_m3)
    lightest, heaviest = _METAL_KG_M3
    return away * hypot(1 / _CONVENTIONAL_WEIGHT_KG_M3, rectangular((1 / lightest - 1 / heaviest) / 2))


def _of_tile(tile: Tile, name: str, channel: str | None) -> Assigned:
    angles: dict[str, float] = {str(angle): value for angle, value in tile.gloss_gu.items()}
    if channel is None and len(angles) == 1:
        channel = next(iter(angles))
    if channel is None:
        raise ConfigError(
            f"tile {name!r} has values for several angles: {', '.join(angles)}",
            hint=f"say which one is checked, such as --angle {next(iter(angles))}",
        )
    if channel not in angles:
        raise ConfigError(
            f"tile {name!r} has no value for the angle {channel}; it has {', '.join(angles)}",
            hint="name one of these angles, or choose another tile",
        )
    value = angles[channel]
    basis = f"certified {value:g} GU at {channel}°"
    remarks: tuple[str, ...] = ()
    if tile.refractive_index is not None:
        expanded = tile.expanded_uncertainty * 2 / tile.coverage_factor
        remark = implausible(value, expanded, tile.refractive_index, float(channel))
        remarks = (f"tile {name}: {remark}",) if remark else ()
        basis += f"; glass of index {tile.refractive_index:g}"
    uncertainty = tile.expanded_uncertainty / tile.coverage_factor
    return Assigned(
        name,
        value,
        "GU",
        uncertainty,
        tile.certificate,
        tile.due,
        basis,
        channel,
        care=tile.care or "",
        remarks=remarks,
    )


def _of_strokes(strokes: Strokes, name: str) -> Assigned:
    uncertainty = strokes.expanded_uncertainty / strokes.coverage_factor
    basis = f"{strokes.strokes} strokes counted by hand"
    return Assigned(
        name,
        float(strokes.strokes),
        "1",
        uncertainty,
        strokes.certificate,
        strokes.due,
        basis,
        care=strokes.care or "",
    )
