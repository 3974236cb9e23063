"""What a description says of any gauge that was asked, and the rows of TOML that say it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import ceil
from typing import Literal

from acquire.identify.describe import plain, quoted, serial_rows
from acquire.identify.meaning import DISTINCT_N, STEPS
from drivers.description import UNITS, SerialSettings

SHORTEST_PERIOD_S = 0.05
SHORTEST_TIMEOUT_S = 0.3
_QUANTITY = {unit: quantity for quantity, units in UNITS.items() for unit in units}


@dataclass(frozen=True, slots=True)
class Facts:
    """`low`, `high` and `resolution` in `unit`. `remarks` say where each of them comes from."""

    unit: str
    low: float
    high: float
    resolution: float
    remarks: tuple[str, ...] = ()
    tension: Literal["positive", "negative"] = "positive"

    @property
    def quantity(self) -> str:
        return quantity_of(self.unit)


def quantity_of(unit: str) -> str:
    """What is measured in this unit; no unit belongs to two quantities.

    Raises:
        KeyError: no quantity is measured in it.
    """
    return _QUANTITY[unit]


def least_step(values: Iterable[Decimal]) -> float:
    """The coarsest step of 1, 2 or 5 in a decimal place that all values are multiples of.

    Trailing zeros are no digits: a reply in NR3 always has as many. Few values, or none but zero, only say
    where their last digit stands.
    """
    values = list(values)
    telling = {value for value in values if value}
    if not telling:
        return float(Decimal(1).scaleb(min(_exponent(value) for value in values)))
    place = min(_exponent(value.normalize()) for value in telling)
    steps = {int(value.scaleb(-place)) for value in telling}
    step = 1
    if len(steps) >= DISTINCT_N:
        step = next((size for size in STEPS if all(one % size == 0 for one in steps)), 1)
    return float(Decimal(step).scaleb(place))


def _exponent(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int), "only finite numbers come here"
    return exponent


def common_rows(title: str, driver: str, facts: Facts, serial: SerialSettings, reply_s: float) -> list[str]:
    """The head of a description, `[serial]` and `[timing]`; `reply_s` is the longest wait for a reply."""
    comments = [
        "Found by asking the gauge; nobody has vouched for it yet. Hold it against the gauge's manual.",
        *facts.remarks,
    ]
    timeout_s = max(SHORTEST_TIMEOUT_S, round(5 * reply_s, 1))
    rows = [
        *(f"# {plain(comment)}" for comment in comments),
        f"title = {quoted(title)}",
        f"driver = {quoted(driver)}",
        f"quantity = {quoted(facts.quantity)}",
        f"unit = {quoted(facts.unit)}",
        f"resolution = {facts.resolution!r}",
        f"range = [{facts.low!r}, {facts.high!r}]",
    ]
    if facts.quantity == "force":
        rows.append(f"tension = {quoted(facts.tension)}")
    return [
        *rows,
        *serial_rows(serial),
        "",
        "[timing]",
        'mode = "poll"',
        f"period_s = {max(SHORTEST_PERIOD_S, ceil(200 * reply_s) / 100)!r}",
        f"reply_timeout_s = {timeout_s!r}",
        f"max_silence_s = {max(3.0, round(5 * timeout_s, 1))!r}",
        "",
    ]


def listed(numbers: Sequence[int]) -> str:
    """`1, 2, 5 to 9`, for whole numbers in rising order."""
    out: list[str] = []
    at = 0
    while at < len(numbers):
        end = at
        while end + 1 < len(numbers) and numbers[end + 1] == numbers[end] + 1:
            end += 1
        out.append(str(numbers[at]) if end == at else f"{numbers[at]} to {numbers[end]}")
        at = end + 1
    return ", ".join(out)
