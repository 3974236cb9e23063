"""Local gravity of a bench from its place, and how well it is known."""

from dataclasses import dataclass
from math import hypot, radians, sin, sqrt
from typing import Annotated

from pydantic import Field

from acquire.tables import Table

STANDARD_GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True, slots=True)
class Gravity:
    """Local acceleration of free fall and how it is known."""

    value_m_s2: float
    standard_uncertainty_m_s2: float
    basis: str
    """For a person: which formula, with what assumed."""


class Place(Table):
    """Where the bench stands, for the local gravity."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    height_m: Annotated[float, Field(ge=-450, le=6000)] | None = None
    """Above sea level."""


# WGS 84: normal gravity at the equator and the constants of its closed form and second-order free-air term.
_GE_M_S2, _K, _E2 = 9.7803253359, 0.00193185265241, 0.00669437999014
_A_M, _F, _M = 6378137.0, 1 / 298.257223563, 0.00344978650684

# Assumed half-widths in m/s²: what the ground does to normal gravity nearly everywhere (100 mGal), a height
# that may be anything up to 1000 m, and a place that may be anywhere on Earth.
_ANOMALY, _ANY_HEIGHT, _ANYWHERE = 1.0e-3, 3.1e-3, 0.0266


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Gravity in m/s² on the WGS 84 ellipsoid, with the second-order free-air term for the height."""
    s = sin(radians(latitude_deg)) ** 2
    surface = _GE_M_S2 * (1 + _K * s) / sqrt(1 - _E2 * s)
    fall = 2 / _A_M * (1 + _F + _M - 2 * _F * s) * height_m
    return surface * (1 - fall + 3 * (height_m / _A_M) ** 2)


def gravity_at(place: Place | None) -> Gravity:
    """From the place if it is given, else the standard value for anywhere on Earth."""
    if place is None:
        basis = f"standard gravity {STANDARD_GRAVITY_M_S2} m/s²; the bench's latitude is not given"
        return Gravity(STANDARD_GRAVITY_M_S2, _ANYWHERE / sqrt(3), basis)
    value = normal_gravity(place.latitude_deg, place.height_m or 0.0)
    height = "height not given, sea level" if place.height_m is None else f"{place.height_m:g} m"
    basis = f"normal gravity {value:.5f} m/s² (WGS 84) at latitude {place.latitude_deg:g}°, {height}"
    unknown_height = _ANY_HEIGHT if place.height_m is None else 0.0
    return Gravity(value, hypot(_ANOMALY, unknown_height) / sqrt(3), basis)
