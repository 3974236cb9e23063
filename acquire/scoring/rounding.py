"""Rounding as printed rules mean it: to a step, with a stated rule for the exact half.

Two traps this module is built around:

- A binary float is hardly ever the decimal a gauge sent: `round(2.675, 2)` gives 2.67. Values enter by
  `exact`, as rational numbers made from their decimal text, and stay exact up to the one rounding.
- Rounding twice is not rounding once: 12.251 → 12.25 → 12.2, although 12.251 rounds to 12.3. A method may
  ask for it all the same (it rounds stage by stage); so the unrounded value is always shown beside it.
"""

import math
from collections.abc import Iterable
from decimal import Context, Decimal
from fractions import Fraction
from typing import Literal

from pydantic import Field

from acquire.model import Model

Rule = Literal["half-even", "half-up"]

# Enough digits for any sum of doubles: nothing is ever rounded in it.
_EXACT = Context(prec=2000)


class Rounding(Model):
    """How one stage is rounded: to multiples of `quantum`, an exact half by `rule`.

    "half-even" takes the even multiple, "half-up" the one further from zero.
    """

    quantum: Decimal = Field(gt=0)
    rule: Rule


def exact(value: float) -> Fraction:
    """The decimal number a float stands for, as a fraction.

    Fifteen significant digits are taken: more than any gauge sends, and just few enough to drop the dust
    that a change of unit leaves in the last binary digits (117 gf in N must still be 117 gf).

    Raises:
        ValueError: the value is infinite or not a number.
    """
    return Fraction(_decimal(value))


def exact_mean(values: Iterable[float]) -> Fraction:
    """Mean of the decimal numbers that floats stand for, as a fraction.

    Raises:
        ValueError: there are no values, or one is infinite or not a number.
    """
    total, count = Decimal(0), 0
    for value in values:
        # Decimals add up many times faster than fractions do.
        total, count = _EXACT.add(total, _decimal(value)), count + 1
    if count == 0:
        raise ValueError("a mean needs at least one value")
    above, below = total.as_integer_ratio()
    return Fraction(above, below * count)


def _decimal(value: float) -> Decimal:
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a number that can be averaged")
    return Decimal(format(value, ".15g"))


def round_to(value: Decimal | Fraction | str, how: Rounding) -> Decimal:
    """Rounds once to the nearest multiple of `how.quantum`; the result shows the quantum's digits.

    Raises:
        TypeError: a binary float was given; make it exact first.
    """
    if not isinstance(value, Decimal | Fraction | str):
        raise TypeError(f"{value!r} is a {type(value).__name__}: round its decimal text or exact(value)")
    exact_value = value if isinstance(value, Fraction) else Fraction(value)
    above, below = how.quantum.as_integer_ratio()
    # In whole numbers, because fractions would be reduced at every step on the way.
    count, rest = divmod(abs(exact_value.numerator) * below, exact_value.denominator * above)
    twice = 2 * rest - exact_value.denominator * above
    if twice > 0 or (twice == 0 and (how.rule == "half-up" or count % 2)):
        count += 1
    return _EXACT.multiply(Decimal(count if exact_value >= 0 else -count), how.quantum)
