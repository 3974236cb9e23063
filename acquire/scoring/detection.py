"""Whether a measured difference is an effect, and how small an effect would have been seen.

The rule of Currie (Anal. Chem. 40 (1968) 586) and of ISO 11843-1: an effect is detected when the difference
exceeds a critical value that blank measurements exceed only with probability alpha; the smallest detectable
effect is the one that would be missed only with probability beta. With a standard deviation known from few
readings the first follows from Student's t, the second from its noncentral relative.
"""

from scipy.special import nctdtrinc, ndtri, stdtrit

from acquire.scoring.statistics import effective_freedom
from acquire.scoring.uncertainty import Uncertain

MANY = 1e4
"""So many degrees of freedom are no different from infinitely many, and spare the noncentral t its limits."""


def critical_value(null_uncertainty: float, alpha: float, freedom: float | None) -> float:
    """What a difference must exceed to count as an effect.

    Args:
        null_uncertainty: standard uncertainty of the difference where there is none, in its unit.
        alpha: probability of an effect being seen where there is none (one-sided).
        freedom: degrees of freedom of `null_uncertainty`; None: infinite.
    """
    if freedom is None or freedom > MANY:
        return float(ndtri(1 - alpha)) * null_uncertainty
    return float(stdtrit(freedom, 1 - alpha)) * null_uncertainty


def smallest_detectable(null_uncertainty: float, alpha: float, beta: float, freedom: float | None) -> float:
    """The effect that exceeds the critical value with probability 1 - beta; arguments as before."""
    if freedom is None or freedom > MANY:
        return float(ndtri(1 - alpha) + ndtri(1 - beta)) * null_uncertainty
    return float(nctdtrinc(freedom, beta, stdtrit(freedom, 1 - alpha))) * null_uncertainty


def freedom_of(difference: Uncertain) -> float | None:
    """Degrees of freedom of a difference's standard uncertainty (Welch and Satterthwaite)."""
    return effective_freedom(
        (slope * source.standard_uncertainty, source.freedom) for source, slope in difference.slopes.items()
    )
