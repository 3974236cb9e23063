"""A follower whose bench does not answer: it asks more than once, then says what is missing and goes on."""

import pytest

from acquire.outputs.mqtt import following as module
from acquire.outputs.mqtt.following import Gap
from acquire.outputs.mqtt.messages import BenchState, EventMessage, encode
from tests.broker.broker import Broker
from tests.broker.running import following, hearing, on, speak, until
from tests.manual_clock import START_UTC

ROOT = "panelwright/1/bench"


def _event(seq: int, follows: int) -> tuple[str, bytes]:
    event = EventMessage(
        bench="Bench",
        seq=seq,
        id=f"clock step-{seq}",
        kind="clock step",
        t_utc=START_UTC,
        follows=follows,
        hash="0" * 64,
        body={"step_s": 2.0},
    )
    return f"{ROOT}/event/clock-step", encode(event)


def _state(seq: int, *, online: bool = True) -> tuple[str, bytes]:
    state = BenchState(bench="Bench", online=online, said="invented", t_utc=START_UTC, seq=seq, journal="one")
    return f"{ROOT}/state", encode(state)


@pytest.mark.slow
def test_it_asks_again_and_in_the_end_says_what_is_missing(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, seconds in (("PATIENCE_S", 0.6), ("ASK_EVERY_S", 0.15), ("LOOK_EVERY_S", 0.05)):
        monkeypatch.setattr(module, name, seconds)
    with following(broker.settings(), since=0) as seen, hearing(broker.settings()) as heard:
        speak(broker.settings(), [_event(1, 0), _event(4, 3), _event(5, 4)])
        until(lambda: len(seen.gaps) == 1, lambda: seen.shown)
        until(lambda: seen.seqs == [1, 4, 5])
        asked = on(heard, "/again")
        speak(broker.settings(), [_state(9, online=False)])
        until(lambda: on(heard, "/state") != [])
        speak(broker.settings(), [_event(6, 5)])
        until(lambda: seen.seqs == [1, 4, 5, 6])
        # Of a bench that is not there nobody asks anything; what it did not send is waited for.
        assert on(heard, "/again") == asked
        assert seen.gaps == [Gap("bench", 1, 4)]
    assert len(asked) >= 3
    assert {request["since"] for request in asked} == {1}
