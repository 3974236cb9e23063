"""Units of force. The exact factors stand in `drivers.description`, beside the units a gauge may speak.

A gram-force is 9.80665 mN everywhere; what a mass weighs on this bench belongs to the calibration room.
"""

from drivers.description import UNITS


def newtons_per(unit: str) -> float:
    """The factor that turns a force in `unit` into newtons (NIST SP 811, appendix B).

    Raises:
        ValueError: the unit is not a unit of force known here.
    """
    try:
        return UNITS["force"][unit]
    except KeyError:
        raise ValueError(f"unit {unit!r} is not a force; known: {', '.join(UNITS['force'])}") from None
