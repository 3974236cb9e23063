"""Units of force, exactly.

The factors are exact by definition (NIST SP 811, appendix B). A gram-force is 9.80665 mN everywhere; what a
mass weighs on this bench is another matter and belongs to the calibration room.
"""

from fractions import Fraction

_GRAM_FORCE = Fraction("0.00980665")
_POUND_FORCE = Fraction("4.4482216152605")

NEWTONS: dict[str, Fraction] = {
    "N": Fraction(1),
    "kN": Fraction(1000),
    "mN": Fraction(1, 1000),
    "kgf": 1000 * _GRAM_FORCE,
    "gf": _GRAM_FORCE,
    "lbf": _POUND_FORCE,
    "ozf": _POUND_FORCE / 16,
}
"""How many newtons one of each unit is."""


def newtons_per(unit: str) -> float:
    """The factor that turns a force in `unit` into newtons.

    Raises:
        ValueError: the unit is not a unit of force known here.
    """
    try:
        return float(NEWTONS[unit])
    except KeyError:
        raise ValueError(f"unit {unit!r} is not a force; known: {', '.join(NEWTONS)}") from None
