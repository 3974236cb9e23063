import pytest

from acquire.ports.watch import EVENT_GATHER_S, Poll, Watch
from drivers.description import Timing
from drivers.plan import Plan, Request

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


def test_only_a_gauge_that_speaks_without_pause_is_given_time_to_say_more() -> None:
    on_event, stream = Timing(mode="on event"), Timing(mode="stream", rate_hz=1000.0)
    assert Watch([Poll("g", stream)], 0).gather_s(0.01) == 0.01
    assert Watch([Poll("g", on_event)], 0).gather_s(0.01) == EVENT_GATHER_S
    assert Watch([Poll("g", on_event)], 0).gather_s(0.0) == 0.0


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


def line_of(period_s: float, *requests: Request, gap_s: float = 0.0, name: str = "g") -> Poll:
    timing = Timing(mode="poll", period_s=period_s, reply_timeout_s=0.2)
    return Poll(name, timing, Plan(requests, gap_s))


def two_bytes(received: bytes) -> int:
    return max(0, 2 - len(received))


def talk(
    watch: Watch, until_ms: int, answers: dict[bytes, bytes], step_ms: int = 5
) -> list[tuple[int, bytes]]:
    """What is asked and when; every request in `answers` is answered at the next look, others never."""
    asked: list[tuple[int, bytes]] = []
    awaiting: bytes | None = None
    for now_ms in range(0, until_ms, 5):
        if awaiting in answers:
            watch.heard(answers[awaiting], now_ms * MS)
            awaiting = None
        elif watch.fault(now_ms * MS) is not None:
            break
        request = watch.due(now_ms * MS)
        if request is not None:
            watch.asked(now_ms * MS)
            asked.append((now_ms, request))
            awaiting = request
    return asked


def test_a_plan_asks_first_things_first_and_some_things_seldom() -> None:
    poll = line_of(0.1, Request(b"who", every_n=0), Request(b"val"), Request(b"err", every_n=3))
    asked = talk(Watch([poll], 0), 400, {b"who": b"1", b"val": b"1", b"err": b"1"})
    assert asked == [(0, b"who"), (5, b"val"), (100, b"val"), (200, b"val"), (205, b"err"), (300, b"val")]


def test_what_follows_from_a_reply_is_asked_at_once_but_not_forever() -> None:
    why = Request(b"why")
    poll = line_of(1.0, Request(b"val", follow=lambda reply: why if reply == b"?" else None))
    assert talk(Watch([poll], 0), 200, {b"val": b"?", b"why": b"1"}) == [(0, b"val"), (5, b"why")]

    def ever_again(reply: bytes) -> Request:
        return Request(b"why", follow=ever_again)

    endless = line_of(1.0, Request(b"val", follow=ever_again))
    assert len(talk(Watch([endless], 0), 990, {b"val": b"?", b"why": b"?"})) == 17


def test_what_has_to_be_known_first_is_asked_until_it_is() -> None:
    watch = Watch([line_of(0.1, Request(b"who", every_n=0), Request(b"val"))], 0)
    assert watch.due(0) == b"who"
    watch.asked(0)
    assert watch.fault(201 * MS) is None
    assert watch.due(201 * MS) == b"who"


def test_a_reply_is_awaited_to_its_end_and_then_silence_is_kept() -> None:
    watch = Watch([line_of(0.0001, Request(b"val", two_bytes), gap_s=0.02)], 0)
    assert watch.due(0) == b"val"
    watch.asked(0)
    watch.heard(b"1", 10 * MS)
    assert (watch.due(15 * MS), watch.gather_s(1.0)) == (None, 0.0)
    watch.heard(b"2", 20 * MS)
    assert (watch.due(39 * MS), watch.idle_ns(30 * MS)) == (None, 10 * MS)
    assert watch.due(40 * MS) == b"val"


def test_babble_without_a_reply_in_it_does_not_stop_the_asking() -> None:
    watch = Watch([line_of(0.1, Request(b"val", lambda received: 1))], 0)
    watch.due(0)
    watch.asked(0)
    for now_ms in range(10, 400, 10):
        watch.heard(b"noise", now_ms * MS)
        assert watch.due(now_ms * MS) is None
    assert watch.due(410 * MS) == b"val"


def test_gauges_on_one_line_take_turns_one_request_at_a_time() -> None:
    polls = [line_of(0.02, Request(b"A")), line_of(0.05, Request(b"B"))]
    asked = talk(Watch(polls, 0), 100, {b"A": b"1", b"B": b"1"})
    assert [ms for ms, what in asked if what == b"A"] == [0, 20, 40, 60, 80]
    assert [ms for ms, what in asked if what == b"B"] == [5, 50]


def test_one_silent_gauge_of_two_is_asked_seldom_and_the_line_is_not_lost() -> None:
    polls = [line_of(0.1, Request(b"A")), line_of(0.1, Request(b"B"))]
    asked = talk(Watch(polls, 0), 5000, {b"A": b"1"})
    assert len([ms for ms, what in asked if what == b"A"]) > 30
    silent = [ms for ms, what in asked if what == b"B"]
    assert len(silent) < 10
    assert silent[-1] > 4000


def test_a_line_on_which_nobody_answers_is_lost() -> None:
    polls = [line_of(0.1, Request(b"A")), line_of(0.1, Request(b"B"))]
    watch = Watch(polls, 0)
    assert talk(watch, 10_000, {})[-1][0] < 3000
