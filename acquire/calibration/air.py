"""The air that carries part of a weight: its density on this bench, and how well that is known.

From temperature, humidity and pressure by the simplified formula of OIML R 111-1:2004, E.3; where nobody
measured the pressure, from the height above sea level by the standard atmosphere (ISO 2533), give or take
the weather. Both from memory.
"""

from dataclasses import dataclass
from math import exp, hypot

from acquire.bench import Bench
from acquire.scoring.statistics import rectangular

CONVENTIONAL_KG_M3 = 1.2
"""The air in which conventional mass is defined."""

_SEA_LEVEL_HPA = 1013.25
_WEATHER_HPA = 40.0
"""Assumed half-width of what the weather does to the pressure."""
_ANY_HEIGHT_HPA = 114.0
"""Assumed half-width where the height is not given: 1000 m are worth so much."""
_FORMULA = 2e-4
"""Relative uncertainty of the formula."""


@dataclass(frozen=True, slots=True)
class Air:
    """Density in kg/m³ and its standard uncertainty."""

    density_kg_m3: float
    standard_uncertainty_kg_m3: float
    basis: str
    """For a person: from what."""


def air_density(temperature_degc: float, humidity_percent: float, pressure_hpa: float) -> float:
    """Density of moist air in kg/m³, for 900 to 1100 hPa, 10 to 30 °C and below 80 % humidity."""
    vapour = 0.009 * humidity_percent * exp(0.061 * temperature_degc)
    return (0.34848 * pressure_hpa - vapour) / (273.15 + temperature_degc)


def standard_pressure_hpa(height_m: float) -> float:
    """Pressure of the standard atmosphere."""
    return _SEA_LEVEL_HPA * float((1 - 2.25577e-5 * height_m) ** 5.25588)


def air_of(
    bench: Bench,
    *,
    temperature_degc: float | None = None,
    humidity_percent: float | None = None,
    pressure_hpa: float | None = None,
) -> Air:
    """The air of a bench: measured values where they are given, else its standard atmosphere and height.

    A measured value is taken as exact here: a degree or a hectopascal is a thousandth part of the share that
    the air carries, which is itself a ten-thousandth of the weight.
    """
    room = bench.atmosphere
    middle = (
        room.temperature_degc if temperature_degc is None else temperature_degc,
        room.humidity_percent if humidity_percent is None else humidity_percent,
    )
    height_m = bench.place.height_m if bench.place is not None else None
    pressure = standard_pressure_hpa(height_m or 0.0) if pressure_hpa is None else pressure_hpa
    density = air_density(*middle, pressure)
    spread_hpa = 0.0 if pressure_hpa is not None else _WEATHER_HPA
    if pressure_hpa is None and height_m is None:
        spread_hpa += _ANY_HEIGHT_HPA
    parts = [
        _FORMULA * density,
        rectangular(spread_hpa) * density / pressure,
        _spread(air_density(middle[0] + room.temperature_within, middle[1], pressure), density)
        if temperature_degc is None
        else 0.0,
        _spread(air_density(middle[0], middle[1] + room.humidity_within, pressure), density)
        if humidity_percent is None
        else 0.0,
    ]
    basis = f"{middle[0]:g} °C, {middle[1]:g} %, {pressure:.0f} hPa"
    if pressure_hpa is None:
        basis += " from the height" if height_m is not None else " at sea level, height not given"
    return Air(density, hypot(*parts), basis)


def _spread(edge: float, middle: float) -> float:
    return rectangular(abs(edge - middle))
