"""Forces that stand still: what counts as a level, and when."""

import numpy as np
import pytest
from numpy.typing import NDArray

from acquire.capture.levels import Level, LevelCapture
from drivers.base import Batch, Kind

RATE_HZ = 100.0
NEWTON = Kind("force", "N")
FAULTY = Kind("force", "N", flags=frozenset({"out of range"}))
OVERLOAD = Kind("force", "N", flags=frozenset({"overload"}))


class Stream:
    """Sends forces one after the other, each 10 ms and 9 bytes after the one before."""

    def __init__(self, **settings: float) -> None:
        self.capture = LevelCapture(
            **{"rate_hz": RATE_HZ, "still_n": 0.04, "moved_n": 0.5, "full_scale_n": 500.0, **settings}
        )
        self.sent = 0

    def send(self, *forces_n: float, kind: Kind = NEWTON) -> list[Level]:
        numbers = self.sent + np.arange(len(forces_n), dtype=np.int64)
        self.sent += len(forces_n)
        kinds = np.zeros(len(forces_n), dtype=np.int16)
        batch = Batch(np.array(forces_n), 9 * (numbers + 1), kinds, [kind])
        t_us: NDArray[np.int64] = 10_000 * (numbers + 1)
        return self.capture.feed(t_us, batch)


def test_a_force_that_stands_for_a_second_is_a_level_once() -> None:
    stream = Stream()
    assert stream.send(*[0.0] * 99) == []
    assert stream.send(0.0) == [Level(0.0, 1_000_000, 9, 900)]
    assert stream.send(*[0.0] * 300) == []


def test_a_level_is_the_mean_of_what_was_shown_during_that_second() -> None:
    (level,) = Stream().send(*[1.96, 1.97] * 50)
    assert level.value_n == pytest.approx(1.965)


def test_a_flicker_beyond_the_limit_is_not_still() -> None:
    stream = Stream()
    assert stream.send(*[1.96, 2.01] * 200) == []
    assert len(stream.send(*[1.96] * 100)) == 1


def test_the_next_level_needs_a_force_that_moved_and_a_whole_second_of_its_own() -> None:
    stream = Stream()
    stream.send(*[0.0] * 100)
    assert stream.send(*[0.45] * 200) == [], "a drift is no new level"
    assert stream.send(*[1.96] * 99) == []
    assert [level.value_n for level in stream.send(1.96)] == pytest.approx([1.96])


def test_samples_that_cannot_be_used_are_passed_over() -> None:
    stream = Stream()
    stream.send(*[0.0] * 60)
    assert stream.send(*[400.0] * 5, kind=FAULTY) == []
    assert len(stream.send(*[0.0] * 40)) == 1


def test_an_overload_counts_as_full_scale() -> None:
    (level,) = Stream().send(*[np.nan] * 100, kind=OVERLOAD)
    assert level.value_n == 500.0


def test_what_stood_before_a_loss_does_not_count_after_it() -> None:
    stream = Stream()
    stream.send(*[0.0] * 60)
    stream.capture.reset()
    assert stream.send(*[0.0] * 60) == []
    assert len(stream.send(*[0.0] * 40)) == 1
    stream.capture.reset()
    assert len(stream.send(*[0.0] * 100)) == 1, "the same level is given again: it may be another weight"


def test_a_slow_gauge_needs_three_samples_at_least() -> None:
    stream = Stream(rate_hz=1.0)
    assert stream.send(1.0, 1.0) == []
    assert len(stream.send(1.0)) == 1
