"""The rules a subscriber keeps, without a broker: what comes twice, out of order or not at all."""

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import aclosing
from typing import cast

import aiomqtt
from hypothesis import given
from hypothesis import strategies as st

from acquire.outputs.mqtt.connection import Connection
from acquire.outputs.mqtt.following import HELD_N, WAITING_N, Gap, Sequence, _with_looks
from acquire.outputs.mqtt.messages import BenchState, EventMessage
from tests.manual_clock import START_UTC


def _event(seq: int, follows: int | None = None) -> EventMessage:
    return EventMessage(
        bench="Bench",
        seq=seq,
        id=f"reading-{seq}",
        kind="reading",
        t_utc=START_UTC,
        follows=seq - 1 if follows is None else follows,
        hash="0" * 64,
        body={},
    )


def _state(seq: int, journal: str = "a") -> BenchState:
    return BenchState(bench="Bench", online=True, said="", t_utc=START_UTC, seq=seq, journal=journal)


@given(
    seqs=st.sets(st.integers(1, 200), min_size=1, max_size=60),
    seed=st.integers(0, 10_000),
    twice=st.integers(0, 40),
)
def test_whatever_the_order_each_event_is_passed_on_once_and_in_order(
    seqs: set[int], seed: int, twice: int
) -> None:
    ordered = sorted(seqs)
    events = [_event(seq, before) for before, seq in zip([0, *ordered], ordered, strict=False)]
    chance = random.Random(seed)
    arriving = events + chance.choices(events, k=twice)
    chance.shuffle(arriving)
    place = Sequence("bench", last=0)
    passed = [one.seq for event in arriving for one in place.take(event)]
    assert passed == ordered
    assert place.twice_n == twice
    assert not place.missing


def test_who_begins_in_the_middle_takes_what_comes_first_for_the_first() -> None:
    place = Sequence("bench")
    assert [one.seq for one in place.take(_event(7))] == [7]
    assert place.take(_event(6)) == []


def test_the_state_shows_what_did_not_come() -> None:
    place = Sequence("bench", last=5)
    place.heard(_state(5))
    assert not place.missing
    place.heard(_state(8))
    assert place.missing
    for seq in (6, 7, 8):
        place.take(_event(seq))
    assert not place.missing


def test_what_is_not_to_be_had_is_named_and_the_rest_passed_on() -> None:
    place = Sequence("bench", last=1)
    assert place.take(_event(4)) == []
    assert place.take(_event(5)) == []
    assert place.take(_event(9)) == []
    place.heard(_state(12))
    shown = place.give_up()
    assert [one if isinstance(one, Gap) else one.seq for one in shown] == [
        Gap("bench", 1, 4),
        4,
        5,
        Gap("bench", 5, 9),
        9,
        Gap("bench", 9, 13),
    ]
    assert not place.missing


def test_no_more_is_held_than_a_limit_and_what_was_let_go_is_still_missing() -> None:
    place = Sequence("bench", last=0)
    for seq in range(2, HELD_N + 12):
        assert place.take(_event(seq)) == []
    place.heard(_state(HELD_N + 11))
    assert [one.seq for one in place.take(_event(1))] == list(range(1, HELD_N + 2))
    assert place.missing


def test_in_another_journal_numbers_begin_anew() -> None:
    place = Sequence("bench")
    place.heard(_state(50))
    place.heard(_state(0, journal="b"))
    assert [one.seq for one in place.take(_event(1))] == [1]


class _Flood:
    """A connection on which numbered messages come as fast as they are taken."""

    def __init__(self, count: int) -> None:
        self.count, self.drawn_n = count, 0

    @property
    def messages(self) -> AsyncIterator[aiomqtt.Message]:
        return self._all()

    async def _all(self) -> AsyncIterator[aiomqtt.Message]:
        for number in range(self.count):
            self.drawn_n += 1
            yield aiomqtt.Message("t", str(number).encode(), 1, False, number, None)


def test_a_slow_reader_holds_messages_up_and_loses_none() -> None:
    flood = _Flood(3 * WAITING_N)

    async def read() -> list[int]:
        async with aclosing(_with_looks(cast(Connection, flood))) as looks:
            taken: list[int] = []
            async for one in looks:
                # None: the reader is only asked to look whether something is missing.
                if one is not None:
                    taken.append(int(bytes(one.payload)))
                if len(taken) == 1:
                    for _ in range(100):
                        await asyncio.sleep(0)
                    assert flood.drawn_n <= WAITING_N + 2
                if len(taken) == flood.count:
                    break
        return taken

    assert asyncio.run(read()) == list(range(flood.count))
