import pytest

from acquire.ports.watch import Poll, Watch
from drivers.description import Timing

MS = 1_000_000
POLL = Timing(mode="poll", request=b"N?\r\n", period_s=0.5, reply_timeout_s=1.0, max_silence_s=4.0)


def test_a_stream_is_never_asked_and_may_speak_at_any_moment() -> None:
    watch = Watch([Poll("g", Timing(mode="stream", rate_hz=10.0))], 0)
    assert watch.due(10**12) is None
    assert watch.idle_ns(0) == 0
    assert watch.fault(10**15) is None


@pytest.mark.parametrize("mode", ["stream", "on event"])
def test_silence_counts_only_beyond_a_given_limit(mode: str) -> None:
    rate = {"rate_hz": 10.0} if mode == "stream" else {}
    watch = Watch([Poll("g", Timing.model_validate({"mode": mode, "max_silence_s": 1.2, **rate}))], 0)
    watch.heard(b"N=1", 100 * MS)
    assert watch.fault(1300 * MS) is None
    assert watch.fault(1300 * MS + 1) == "silent for 1.2 s"


def test_requests_keep_the_beat() -> None:
    watch = Watch([Poll("g", POLL)], 0)
    asked_ms = []
    for now_ms in range(0, 2001, 7):
        if watch.due(now_ms * MS):
            asked_ms.append(now_ms)
            watch.asked(now_ms * MS)
            watch.heard(b"N=1", now_ms * MS)
    assert asked_ms == [0, 504, 1001, 1505]  # the first moments looked at behind 0, 500, 1000 and 1500


def test_between_answer_and_next_request_nothing_is_expected() -> None:
    watch = Watch([Poll("g", POLL)], 0)
    assert watch.due(0) == b"N?\r\n"
    watch.asked(0)
    assert (watch.due(600 * MS), watch.idle_ns(100 * MS)) == (None, 0)
    watch.heard(b"N=1", 200 * MS)
    assert (watch.due(200 * MS), watch.idle_ns(200 * MS)) == (None, 300 * MS)


def test_a_slow_answer_brings_one_request_at_once_and_no_burst() -> None:
    watch = Watch([Poll("g", POLL)], 0)
    watch.asked(0)
    watch.heard(b"N=1", 900 * MS)
    assert watch.due(900 * MS)
    watch.asked(900 * MS)
    watch.heard(b"N=1", 910 * MS)
    assert (watch.due(910 * MS), watch.idle_ns(910 * MS)) == (None, 90 * MS)
    watch.asked(1000 * MS)
    watch.heard(b"N=1", 1010 * MS)
    assert watch.due(1010 * MS) is None
    assert watch.due(1500 * MS)


def test_three_requests_in_a_row_without_answer_are_a_loss() -> None:
    watch = Watch([Poll("g", POLL.model_copy(update={"max_silence_s": None}))], 0)
    watch.asked(0)
    assert watch.fault(1001 * MS) is None
    watch.asked(1001 * MS)
    assert watch.fault(2002 * MS) is None
    watch.asked(2002 * MS)
    watch.heard(b"N=1", 2500 * MS)  # the count starts again
    for now_ms in (3000, 4001):
        watch.asked(now_ms * MS)
        assert watch.fault((now_ms + 1001) * MS) is None
    watch.asked(5002 * MS)
    assert watch.fault(6002 * MS) is None
    assert watch.fault(6003 * MS) == "no reply to 3 requests"


def test_limits_are_never_shorter_than_told() -> None:
    watch = Watch([Poll("g", POLL)], 0, shortest_limit_s=5.0)
    watch.asked(0)
    assert watch.fault(5000 * MS) is None
    assert watch.fault(5001 * MS) == "silent for 5 s"
