"""The one buffer loop: cuts, caps, a first frame that may be cut."""

import pickle

import numpy as np
import pytest

from drivers.base import BLOCK_BYTES, FrameError, Kind
from tests.contract.gauges import driver, fed

CAP = 128


def test_an_overlong_line_is_reported_at_its_cap_and_skipped() -> None:
    data = b"x" * (CAP + 5) + b"\r\nS 000007\r\n"
    samples, errors = fed(driver("wash-stroke"), [data])
    assert [sample.value for sample in samples] == [7.0]
    assert len(errors) == 1
    assert errors[0][0].startswith(f"no end of message within {CAP} bytes")
    assert errors[0][1:] == (b"x" * CAP, CAP)


@pytest.mark.parametrize("length", [CAP - 1, CAP, CAP + 1])
@pytest.mark.parametrize("tail", [b"\r\nS 000007\r\n", b"\rS 000007\r\n", b"\r\r\n\nS 000007\r\n"])
def test_a_cut_at_the_cap_changes_nothing(length: int, tail: bytes) -> None:
    data = b"x" * length + tail
    joined = fed(driver("wash-stroke"), [data])
    assert ("no end" in joined[1][0][0]) == (length + (tail[:2] != b"\r\n") >= CAP)
    for place in range(len(data)):
        assert fed(driver("wash-stroke"), [data[:place], data[place:]]) == joined


def test_a_cut_inside_the_terminator_keeps_the_longest_good_line() -> None:
    data = b"x" * (CAP - 1)
    made = driver("wash-stroke")
    assert fed(made, [data + b"\r"]) == ([], [])
    assert fed(made, [b"\n"])[1] == [("the line does not follow the pattern", data, CAP + 1)]


def test_the_first_line_of_a_stream_is_dropped_without_complaint() -> None:
    made = driver("force-stream-n", settled=False)
    assert fed(made, [b"+012.34\r", b"\n"]) == ([], [])
    assert [sample.value for sample in made.feed(b"+001.00\r\n")] == [1.0]
    made.reset()
    assert [(sample.value, sample.end) for sample in made.feed(b"2.34\r\n-001.00\r\n")] == [(-1.0, 15)]


def test_an_overlong_first_line_is_dropped_too() -> None:
    samples, errors = fed(driver("force-stream-n", settled=False), [b"x" * 300, b"\r\n+001.00\r\n"])
    assert [sample.value for sample in samples] == [1.0]
    assert errors == []


def test_the_first_line_of_a_gauge_that_speaks_on_event_counts() -> None:
    assert len(driver("wash-stroke", settled=False).feed(b"S 000001\r\n")) == 1


def test_chunks_longer_than_a_block_are_taken_whole() -> None:
    lines = 3 * BLOCK_BYTES // 9
    data = b"".join(b"+%03d.%02d\r\n" % (i % 500, i % 100) for i in range(lines))
    batch = driver("force-stream-n").feed(data)
    assert batch.errors == []
    assert batch.values.tolist() == [i % 500 + i % 100 / 100 for i in range(lines)]
    assert np.array_equal(batch.ends, 2 + 9 * np.arange(1, lines + 1))


def test_errors_and_samples_of_a_block_with_an_overlong_line_stay_in_order() -> None:
    good = b"".join(b"+%03d.00\r\n" % i for i in range(100))
    data = good + b"bad\r\n" + b"x" * 200 + b"\r\n" + b"bad\r\n" + good
    samples, errors = fed(driver("force-stream-n"), [data])
    assert len(samples) == 200
    assert [error[0][:6] for error in errors] == ["the li", "no end", "the li"]
    assert [error[2] for error in errors] == sorted(error[2] for error in errors)


def test_a_kind_is_good_unless_a_flag_spoils_it() -> None:
    assert Kind("force", "N").good
    assert Kind("force", "N", flags=frozenset({"low battery"})).good
    assert not Kind("force", "N", flags=frozenset({"low battery", "unstable"})).good


def test_a_frame_error_survives_pickling_and_says_where() -> None:
    error = pickle.loads(pickle.dumps(FrameError("damaged", b"+1", 17)))
    assert (error.why, error.frame, error.at) == ("damaged", b"+1", 17)
    assert str(error) == "damaged: b'+1' (ends at byte 17)"
