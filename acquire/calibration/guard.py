"""Does a deviation lie within the tolerance, when it is only known to within its uncertainty?

    deviation ± U      pass            can't tell                fail
    |─────────────────────────────|───── guard band ─────|──────────────────>
    0                        tolerance - w           tolerance

Decision with a guard band after ILAC-G8:09/2019 and JCGM 106:2012.
"""

from math import inf
from typing import Literal

from scipy.special import stdtr

CheckVerdict = Literal["pass", "fail", "undecided"]

_ROUNDING = 1 + 1e-9
"""A deviation of exactly a limit is within it, whatever binary fractions make of its last digit."""


def acceptance_limit(tolerance: float, expanded: float, guard: float) -> float:
    """What a deviation may be to pass: the tolerance less a guard band of `guard` times U (ILAC-G8, 4.2.2).

    Negative where the guard band is wider than the tolerance: then nothing can pass.
    """
    return tolerance - guard * expanded


def decide(deviation: float, expanded: float, tolerance: float, guard: float) -> CheckVerdict:
    """The verdict on a deviation known to ± `expanded`.

    Pass up to tolerance - w, fail beyond the tolerance itself, undecided in the guard band between. The two
    borders are not laid evenly around the tolerance, because the two mistakes do not cost the same: a good
    gauge called wrong costs another check, a wrong gauge called good costs a published figure. So what is
    more likely out than in is never used as if it were in. With `guard` 0 (simple acceptance) the tolerance
    decides alone, but a check whose uncertainty exceeds it still proves nothing.

    Args:
        guard: r of w = r * U; 1 keeps the chance of a wrong pass below 2.5 %, 0 allows up to 50 %.
    """
    if abs(deviation) > tolerance * _ROUNDING:
        return "fail"
    limit = acceptance_limit(tolerance, expanded, guard)
    if expanded > tolerance * _ROUNDING or abs(deviation) > limit + tolerance * (_ROUNDING - 1):
        return "undecided"
    return "pass"


def conformance_probability(
    value: float,
    standard_uncertainty: float,
    *,
    lower: float = -inf,
    upper: float = inf,
    freedom: float | None = None,
) -> float:
    """How probable it is that the true value lies within limits (JCGM 106, clause 7).

    Args:
        freedom: degrees of freedom of the uncertainty, for a Student distribution; None: normal.
    """
    if standard_uncertainty == 0:
        return float(lower <= value <= upper)
    degrees = inf if freedom is None else freedom
    # From the nearer tail, so that a small chance of lying outside is not lost in rounding.
    high, low = ((limit - value) / standard_uncertainty for limit in (upper, lower))
    if low > 0:
        high, low = -low, -high
    return float(stdtr(degrees, high) - stdtr(degrees, low))
