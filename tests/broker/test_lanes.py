"""The live lane: at once, beside any backlog, and never in the way of capture; and payloads as documented."""

import os
import signal
import time
from collections.abc import Callable

import aiomqtt
import numpy as np
import pytest

from acquire.live import Live
from acquire.model import Step
from acquire.model import Test as Kind
from acquire.notes import Note
from acquire.outputs.mqtt.messages import FORMAT, encode
from acquire.outputs.mqtt.schema import asyncapi
from tests.benches import MadeBench
from tests.broker.broker import Broker
from tests.broker.running import bus, following, hearing, on, said, speak, until, write_events
from tests.bus_schema import validator_of
from tests.manual_clock import START_UTC

STEP = Step(test=Kind.SLIP, panel="A")


@pytest.fixture
def live() -> Live:
    hub = Live()
    hub.opens("force", "force", START_UTC)
    return hub


def test_a_note_does_not_wait_behind_a_backlog(made: MadeBench, broker: Broker, live: Live) -> None:
    write_events(made.journal, 500)
    with hearing(broker.settings()) as heard, bus(made.home, broker.settings(rate_per_s=50.0), live):
        until(lambda: bool(on(heard, "/event/clock-step")))
        live.tell(Note("reading", "2 of 6: 3.21 N", "force", progress=(2, 6)))
        until(lambda: bool(on(heard, "/live/note")))
        waiting = 500 - len(on(heard, "/event/clock-step"))
    assert waiting > 300
    note = on(heard, "/live/note")[0]
    assert (note["text"], note["gauge"], note["taken_n"], note["wanted_n"]) == (
        "2 of 6: 3.21 N",
        "force",
        2,
        6,
    )


def test_with_the_hub_an_event_is_not_waited_for(made: MadeBench, broker: Broker, live: Live) -> None:
    with hearing(broker.settings()) as heard, bus(made.home, broker.settings(), live):
        until(lambda: bool(on(heard, "/event/trial")))
        times_s = []
        for number in range(1, 21):
            write_events(made.journal, 1)
            begun_s = time.monotonic()
            live.tell(Note("reading", "one"))
            until(lambda: len(on(heard, "/event/clock-step")) == number)  # noqa: B023 - used at once
            times_s.append(time.monotonic() - begun_s)
    # With the hub the journal is looked at once a second only: a word of it that is lost costs that.
    assert max(times_s) < 0.6


def test_a_trace_comes_thinned_with_its_peak(made: MadeBench, broker: Broker, live: Live) -> None:
    t_s = np.arange(3000) / 1000
    values = np.sin(t_s)
    values[1234] = 7.5
    values[2000] = np.nan
    with hearing(broker.settings()) as heard, bus(made.home, broker.settings(), live) as running:
        until(lambda: bool(running.said))
        until(lambda: bool(on(heard, "/gauge/force")))
        for first in range(0, 3000, 10):
            live.samples("force", t_s[first : first + 10], values[first : first + 10])
            if first % 500 == 0:
                time.sleep(0.02)
        until(lambda: any(piece["t_s"][-1] > 2.99 for piece in on(heard, "/live/trace/force")))
    pieces = on(heard, "/live/trace/force")
    points = [point for piece in pieces for point in zip(piece["t_s"], piece["values"], strict=True)]
    assert (1.234, 7.5) in points
    assert (2.0, None) in points
    assert len(points) < 600
    assert {piece["unit"] for piece in pieces} == {"N"}


def test_the_state_of_a_gauge_is_kept_for_who_comes_later(
    made: MadeBench, broker: Broker, live: Live
) -> None:
    live.step("force", "larch", STEP)
    with hearing(broker.settings()) as early, bus(made.home, broker.settings(), live):
        until(lambda: bool(on(early, "/gauge/force")))
        live.tell(Note("port", "open on port 1", "force"))
        live.tell(Note("reading", "1 of 6", "force", progress=(1, 6)))
        until(lambda: on(early, "/gauge/force")[-1]["taken_n"] == 1)
        with hearing(broker.settings(), "panelwright/1/+/gauge/+") as late:
            until(lambda: len(late) == 1)
    state = on(late, "/gauge/force")[0]
    assert (state["port"], state["said"], state["trial"]) == ("open", "open on port 1", "larch")
    assert state["step"]["test"] == "slip"


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="stopping a process needs POSIX")
def test_a_broker_that_hangs_does_not_hold_up_the_bench(made: MadeBench, broker: Broker, live: Live) -> None:
    assert broker.process is not None
    quick = broker.settings(timeout_s=1.0)
    with following(quick) as seen, bus(made.home, quick, live):
        until(lambda: seen.seqs == [1])
        os.kill(broker.process.pid, signal.SIGSTOP)
        try:
            begun_s = time.monotonic()
            for i in range(2000):
                live.tell(Note("waiting", "still there? " * 20))
                live.samples("force", [i / 1000], [0.0])
            told_s = time.monotonic() - begun_s
            write_events(made.journal, 100)
        finally:
            os.kill(broker.process.pid, signal.SIGCONT)
        until(lambda: len(seen.seqs) == 101, lambda: seen.shown[-3:])
    assert told_s < 1.0
    assert seen.seqs == list(range(1, 102))


def test_nonsense_and_greed_of_others_hold_up_nobody(made: MadeBench, broker: Broker) -> None:
    write_events(made.journal, 200)
    topic = "panelwright/1/test-bench-invented/again"
    greedy = [(topic, encode({"format": FORMAT, "asker": f"greedy-{i}", "since": 0})) for i in range(200)]
    broken = [b"", b"\xff\xfe", b"[]", b"{}", b'{"asker":"a/b","since":0}', b'{"asker":"a","since":-1}']
    nonsense = [(topic, payload) for payload in broken]
    nonsense += [(topic.replace("again", "event/reading"), payload) for payload in broken]
    with following(broker.settings()) as seen, bus(made.home, broker.settings(rate_per_s=1000.0)) as running:
        until(lambda: len(seen.seqs) == 201)
        speak(broker.settings(), nonsense + greedy)
        write_events(made.journal, 20)
        until(lambda: len(seen.seqs) == 221, lambda: (seen.shown[-2:], running.said))
    assert len(running.said) == 1
    assert not seen.gaps


@pytest.fixture
def everything(made: MadeBench, broker: Broker, live: Live) -> list[aiomqtt.Message]:
    """One bench's messages of nearly every kind, as the broker passed them on."""
    made.check_force()
    made.slip("larch", "A", "bare", [1.9, 2.0, 2.1], refused=1)
    made.slip("larch", "A", "treated", [1.5, 1.6, 1.55])
    made.gloss("larch", "A", "bare", [80.0, 81.0, 80.5])
    made.rate("larch", Kind.HANDLING, "A", 4.0, "rating.larch.1")
    made.wash("larch", "A", 100, 20, passed=True)
    made.check_force(off_n=0.2)
    write_events(made.journal, 1)
    live.step("force", "larch", STEP)
    with hearing(broker.settings()) as heard, bus(made.home, broker.settings(), live):
        until(lambda: bool(on(heard, "/standings")) and bool(on(heard, "/event/clock-step")))
        live.tell(Note("reading", "1 of 6", "force", progress=(1, 6)))
        live.samples("force", [0.0, 0.1], [0.5, float("nan")])
        speak(
            broker.settings(),
            [
                (
                    "panelwright/1/test-bench-invented/again",
                    encode({"format": FORMAT, "asker": "me", "since": 0}),
                )
            ],
        )
        ends: tuple[Callable[[], bool], ...] = (
            lambda: bool(on(heard, "/live/trace/force")),
            lambda: bool(on(heard, "/live/note")),
            lambda: len(on(heard, "/again/me/event")) > 5,
        )
        until(lambda: all(end() for end in ends), lambda: [str(one.topic) for one in heard])
    return heard


def test_every_payload_is_as_the_document_says(everything: list[aiomqtt.Message]) -> None:
    document = asyncapi()
    channels = set()
    for message in everything:
        channel, validator = validator_of(document, str(message.topic))
        validator.validate(said(message))
        channels.add(channel)
    kinds = {"event-reading", "event-refusal", "event-check", "event-amendment", "event-rating"}
    others = {"state", "gauge", "scorecard", "standings", "note", "trace", "again", "again-event"}
    assert channels >= kinds | others


def test_a_payload_that_says_something_else_is_found_out(everything: list[aiomqtt.Message]) -> None:
    document = asyncapi()
    for message in everything:
        _, validator = validator_of(document, str(message.topic))
        payload = said(message)
        for key in [key for key in payload if key in ("bench", "seq", "body", "scorecard", "gauge", "t_s")]:
            assert not validator.is_valid({**payload, key: {"not": "this"}}), (str(message.topic), key)
