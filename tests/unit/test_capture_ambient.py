"""When a slow value is worth keeping, and what the standard atmosphere says of it."""

import numpy as np
import pytest

from acquire.atmosphere import Atmosphere
from acquire.capture.ambient import EVERY_US, AmbientCapture
from acquire.capture.taken import Taken
from drivers.base import Batch, Kind

AIR = Kind("temperature", "degC")
DAMP = Kind("humidity", "%")
S = 1_000_000


def feed(capture: AmbientCapture, kind: Kind, values: list[float], at_s: float = 0.0) -> list[Taken]:
    found = []
    for number, value in enumerate(values):
        batch = Batch(np.array([value]), np.array([10 * number + 10]), np.array([0], np.int16), [kind])
        found += capture.feed(np.array([int((at_s + number) * S)]), batch)
    return found


def test_a_settled_value_is_taken_once_and_again_each_minute() -> None:
    capture = AmbientCapture(0.1, "degC")
    found = feed(capture, AIR, [23.1, 23.2] * 65)
    assert [item.t_us for item in found] == [2 * S, 2 * S + EVERY_US, 2 * S + 2 * EVERY_US]
    assert {(item.quantity, item.unit, item.verdict) for item in found} == {
        ("temperature", "degC", "accepted")
    }


def test_a_change_is_taken_when_it_has_settled() -> None:
    capture = AmbientCapture(0.1, "degC")
    feed(capture, AIR, [23.0] * 5)
    found = feed(capture, AIR, [23.4, 24.0, 24.9, 26.0, 26.1, 26.0, 26.1], at_s=5)
    assert [item.value for item in found] == [26.0]


def test_units_are_brought_to_the_one_they_are_kept_in() -> None:
    found = feed(AmbientCapture(0.01, "mW/cm2"), Kind("irradiance", "mW/cm2"), [4.37] * 3)
    assert found[0].value == pytest.approx(43.7)
    assert found[0].unit == "W/m2"
    assert found[0].resolution == pytest.approx(0.1)


def test_each_kind_of_bad_value_is_refused_once_and_the_unsettled_not_at_all() -> None:
    capture = AmbientCapture(0.001, "g")
    over = Kind("mass", "g", None, frozenset({"overload"}))
    moving = Kind("mass", "g", None, frozenset({"unstable"}))
    found = feed(capture, over, [float("nan")] * 4)
    assert [(item.verdict, item.reasons) for item in found] == [
        ("refused", ("the gauge reported: overload",))
    ]
    assert feed(capture, moving, [1.0, 2.0, 3.0]) == []
    assert len(feed(capture, Kind("mass", "g"), [3.0] * 3)) == 1


def test_two_quantities_of_one_reply_rest_on_the_same_bytes() -> None:
    capture = AmbientCapture(0.1, "degC")
    found: list[Taken] = []
    for number in range(1, 4):
        batch = Batch(
            np.array([23.0, 50.0]), np.array([9 * number] * 2), np.array([0, 1], np.int16), [AIR, DAMP]
        )
        found += capture.feed(np.array([number * S] * 2), batch)
    assert [(item.quantity, item.first_byte, item.last_byte) for item in found] == [
        ("temperature", 18, 27),
        ("humidity", 18, 27),
    ]


def test_after_a_loss_the_value_is_told_anew() -> None:
    capture = AmbientCapture(0.1, "degC")
    assert len(feed(capture, AIR, [23.0] * 5)) == 1
    assert capture.interrupt("unplugged") == []
    assert len(feed(capture, AIR, [23.0] * 5, at_s=10)) == 1


# Source: ISO 3270, 23 ± 2 °C and 50 ± 5 % (humidity read second-hand in a standard that cites it; temperature
# from memory; the edition of 1984 from memory).
@pytest.mark.parametrize(
    ("quantity", "value", "said"),
    [
        ("temperature", 25.0, None),
        ("temperature", 21.0, None),
        ("temperature", 25.1, "25.1 degC is above 25 degC (ISO 3270:1984)"),
        ("temperature", 20.9, "20.9 degC is below 21 degC (ISO 3270:1984)"),
        ("humidity", 45.0, None),
        ("humidity", 55.0, None),
        ("humidity", 55.1, "55.1 % is above 55 % (ISO 3270:1984)"),
        ("humidity", 44.9, "44.9 % is below 45 % (ISO 3270:1984)"),
        ("mass", 1000.0, None),
    ],
)
def test_the_standard_atmosphere(quantity: str, value: float, said: str | None) -> None:
    assert Atmosphere().outside(quantity, value) == said


# Source: ASTM E171 for plastics, 23 ± 2 °C and 50 ± 5 %; for paper 23 ± 1 °C and 50 ± 2 % (read in the
# publisher's sample of the standard).
def test_another_standard_can_be_chosen() -> None:
    paper = Atmosphere(name="ASTM E171, paper", temperature_within=1.0, humidity_within=2.0)
    assert paper.outside("temperature", 24.0) is None
    assert paper.outside("temperature", 24.1) == "24.1 degC is above 24 degC (ASTM E171, paper)"
    assert paper.outside("humidity", 47.9) == "47.9 % is below 48 % (ASTM E171, paper)"
