"""Rounding as printed rules mean it: to a step, with a stated rule for the exact half.

Two traps this module is built around:

- A binary float is hardly ever the decimal a gauge sent: `round(2.675, 2)` gives 2.67. Values enter by
  `exact`, as rational numbers made from their decimal text, and stay exact up to the one rounding.
- Rounding twice is not rounding once: 12.251 → 12.25 → 12.2, although 12.251 rounds to 12.3. A method may
  ask for it all the same (it rounds stage by stage); so the unrounded value is always shown beside it.
"""

import math
from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Literal

from pydantic import Field

from acquire.model import Model

Rule = Literal["half-even", "half-up"]


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
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a number that can be averaged")
    return Fraction(format(value, ".15g"))


def round_to(value: Decimal | Fraction | str, how: Rounding) -> Decimal:
    """Rounds once to the nearest multiple of `how.quantum`; the result shows the quantum's digits.

    Raises:
        TypeError: a binary float was given; make it exact first.
    """
    if not isinstance(value, Decimal | Fraction | str):
        raise TypeError(f"{value!r} is a {type(value).__name__}: round its decimal text or exact(value)")
    steps = Fraction(value) / Fraction(how.quantum)
    if how.rule == "half-even":
        count = round(steps)
    else:
        count = math.floor(abs(steps) + Fraction(1, 2)) * (-1 if steps < 0 else 1)
    with localcontext() as context:
        context.prec = len(str(count)) + len(how.quantum.as_tuple().digits)
        return Decimal(count) * how.quantum
