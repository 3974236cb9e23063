"""Gloss of polished glass from its refractive index: is a tile's assigned value plausible?

The gloss scale is defined by what polished black glass of index 1.567 reflects: 100 GU at every angle
(ISO 2813, ASTM D523). Fresnel's equations give what glass of another index must have.
"""

from math import cos, radians, sin, sqrt

STANDARD_INDEX = 1.567


def reflectance(index: float, angle_deg: float) -> float:
    """Share of unpolarised light that a polished surface reflects: the mean of both polarisations.

    Args:
        index: refractive index, above 1.
        angle_deg: from the normal, 0 to below 90.
    """
    cosine, square = cos(radians(angle_deg)), index**2
    inside = sqrt(square - sin(radians(angle_deg)) ** 2)
    across = ((cosine - inside) / (cosine + inside)) ** 2
    along = ((square * cosine - inside) / (square * cosine + inside)) ** 2
    return (across + along) / 2


def gloss_of_glass(n: float, angle_deg: float) -> float:
    """Gloss in GU of polished black glass of refractive index `n`."""
    return 100 * reflectance(n, angle_deg) / reflectance(STANDARD_INDEX, angle_deg)


def implausible(value_gu: float, expanded_gu: float, n: float, angle_deg: float) -> str | None:
    """Why a tile's assigned value does not go with its refractive index, in words; None if it does.

    It is a remark, not a fault: a worn or coated surface has another gloss than its glass, and the value on
    the certificate is what was measured.
    """
    expected = gloss_of_glass(n, angle_deg)
    away = value_gu - expected
    if abs(away) <= expanded_gu:
        return None
    return (
        f"polished glass of index {n:g} has {expected:.1f} GU at {angle_deg:g}°; the assigned {value_gu:g} GU"
        f" is {abs(away):.1f} GU {'above' if away > 0 else 'below'} that, and its certificate explains only"
        f" {expanded_gu:g} GU: compare certificate, angle and surface"
    )
