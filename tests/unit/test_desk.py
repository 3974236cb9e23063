"""The desk: one step armed at a time, orders from other threads, and a service that ends does not end it."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

import pytest

from acquire.errors import ConfigError, JournalError, RecordingError, TransportError
from acquire.notes import Note, Tell
from acquire.ports import PortEvent
from acquire.service import Service
from acquire.service.desk import ANSWER_S, LINGER_S, Armed, Desk
from simulators.speech import gloss_key
from tests.rig import Rig, SteppedClock, gloss, lay_out, rig, slip, wash


class Bench:
    """A desk on its own thread, and a rig whose bytes go to the service that the desk runs."""

    def __init__(self, bench: Rig, desk: Desk) -> None:
        self.rig, self.desk = bench, desk

    def press(self, *values_gu: float) -> None:
        """Delivers as a port's thread would, and waits until the desk's thread has taken it all."""
        for value in values_gu:
            self.rig.clock.move(2.0)
            recorder = self.rig.service._open["gloss"].recorder
            t_us = recorder.now_us()
            data = gloss_key(60, value)
            recorder.chunk(data, t_us)
            event = PortEvent("gloss", "chunk", t_us, recorder.utc_at(t_us), data, "")
            self.rig.service._events.put(event)
            # The first may be obeyed in the round under way; before the second there is a whole one.
            for _ in range(2):
                self.desk.ask(lambda: None)


def until(condition: Callable[[], bool], limit_s: float = 5.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.005)


@contextmanager
def desk(folder: Path) -> Iterator[Bench]:
    with rig(folder) as bench:
        made = Desk(
            bench.home, lambda tell: nullcontext(bench.service), clock=bench.clock, tell=bench.notes.append
        )
        stop = threading.Event()
        thread = threading.Thread(target=made.run, args=(stop,))
        thread.start()
        try:
            until(lambda: made._service is not None)
            yield Bench(bench, made)
        finally:
            stop.set()
            thread.join(5.0)
            assert not thread.is_alive()


def test_a_step_armed_once_needs_no_hand_until_it_is_full_and_lets_go_by_itself(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        assert bench.desk.ask(lambda: bench.desk.arm("t", gloss())) == "t: bare gloss on A"
        bench.press(90.1, 90.2, 90.3)
        assert bench.rig.told("full") == ["bare gloss on A: all 3 taken"]
        assert bench.desk.armed == Armed(trial="t", step=gloss())
        bench.rig.clock.move(LINGER_S)
        until(lambda: bench.desk.armed is None)
        assert [reading.value for reading in bench.rig.readings] == [90.1, 90.2, 90.3]


def test_undo_is_a_ruling_with_a_reason_and_makes_room_for_another(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        bench.desk.ask(lambda: bench.desk.arm("t", gloss()))
        bench.press(90.1, 55.0)
        said = bench.desk.ask(lambda: bench.desk.undo("undone with the pedal"))
        assert said == "undone: 55 GU (unchecked today); 1 of 3"
        assert [(one.what, one.counts, one.reason) for one in bench.rig.amendments] == [
            ("ruling", False, "undone with the pedal")
        ]
        bench.press(90.2, 90.3)
        assert bench.rig.told("full") == ["bare gloss on A: all 3 taken"]
        assert [reading.value for reading in bench.rig.readings if reading.counts is not False] == [
            90.1,
            90.2,
            90.3,
        ]


def test_a_step_that_was_full_is_open_again_after_an_undo(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        bench.desk.ask(lambda: bench.desk.arm("t", gloss()))
        bench.press(90.1, 90.2, 90.3)
        bench.desk.ask(lambda: bench.desk.undo("slipped"))
        bench.rig.clock.move(2 * LINGER_S)
        bench.press(90.4)
        assert len(bench.rig.told("full")) == 2
        for _ in range(3):
            bench.desk.ask(lambda: bench.desk.undo("all of them"))
        with pytest.raises(ConfigError, match="has no reading to undo"):
            bench.desk.ask(lambda: bench.desk.undo("once more"))


def test_the_last_reading_of_a_step_can_be_undone_after_it_was_let_go(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        bench.desk.ask(lambda: bench.desk.arm("t", gloss()))
        bench.press(90.1, 90.2, 55.0)
        bench.rig.clock.move(LINGER_S)
        until(lambda: bench.desk.armed is None)
        said = bench.desk.ask(lambda: bench.desk.undo("lifted too soon"))
        assert said == "undone: 55 GU (unchecked today); 2 of 3"
        assert bench.desk.armed == Armed(trial="t", step=gloss())
        bench.desk.ask(bench.desk.release)
        with pytest.raises(ConfigError, match="nothing is armed"):
            bench.desk.ask(lambda: bench.desk.undo("a person let go of it"))


def test_an_extra_that_was_asked_for_is_waited_for(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        bench.desk.ask(lambda: bench.desk.arm("t", gloss()))
        bench.desk.ask(bench.desk.extra)
        bench.press(90.1, 90.2, 90.3)
        bench.rig.clock.move(5 * LINGER_S)
        bench.press(90.9)
        assert bench.rig.told("extra") == ["90.9 GU (unchecked today): kept as an extra (3 were asked for)"]
        bench.rig.clock.move(LINGER_S)
        until(lambda: bench.desk.armed is None)


def test_what_comes_while_paused_belongs_to_nothing(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        bench.desk.ask(lambda: bench.desk.arm("t", gloss()))
        bench.press(90.1)
        bench.desk.ask(bench.desk.pause)
        with pytest.raises(ConfigError, match="no reading to undo here"):
            bench.desk.ask(lambda: bench.desk.undo("paused"))
        bench.desk.ask(bench.desk.go_on)
        bench.press(90.2, 90.3)
        assert [reading.value for reading in bench.rig.readings] == [90.1, 90.2, 90.3]
        assert bench.rig.told("full") == ["bare gloss on A: all 3 taken"]


def test_an_order_that_cannot_be_carried_out_changes_nothing(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        with pytest.raises(ConfigError, match="nothing is armed"):
            bench.desk.ask(bench.desk.pause)
        bench.desk.ask(lambda: bench.desk.arm("t", gloss()))
        with pytest.raises(ConfigError, match="no trial 'x'"):
            bench.desk.ask(lambda: bench.desk.arm("x", slip()))
        with pytest.raises(ConfigError, match="tile"):
            bench.desk.ask(lambda: bench.desk.check("force", "tile"))
        assert bench.desk.armed == Armed(trial="t", step=gloss())
        bench.press(90.1)
        assert len(bench.rig.readings) == 1


def test_strokes_that_were_made_cannot_be_undone(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        bench.rig.trial()
        bench.desk.ask(lambda: bench.desk.arm("t", wash()))
        with pytest.raises(ConfigError, match="no reading to undo here"):
            bench.desk.ask(lambda: bench.desk.undo("miscounted"))


def test_a_service_that_ended_is_opened_anew_and_the_armed_step_goes_on(tmp_path: Path) -> None:
    clock = SteppedClock()
    lay_out(tmp_path)
    notes: list[Note] = []
    with rig(tmp_path, clock) as first:
        first.trial()
        opened: list[Service] = []

        def opening(tell: Tell) -> AbstractContextManager[Service]:
            if len(opened) == 1:
                opened.append(first.service)
                raise JournalError("the disk is full", hint="make room")
            opened.append(first.service)
            return nullcontext(first.service)

        made = Desk(first.home, opening, clock=clock, tell=notes.append)
        stop = threading.Event()
        thread = threading.Thread(target=made.run, args=(stop,))
        thread.start()
        try:
            made.ask(lambda: made.arm("t", gloss()))
            first.service._events.put(JournalError("the disk is full", hint="make room"))
            until(lambda: made.failed is not None)
            with pytest.raises(TransportError, match="acquisition is not running") as caught:
                made.ask(lambda: made.arm("t", slip()))
            assert caught.value.hint == "the disk is full; make room"

            def running() -> bool:
                clock.move(1.0)
                return made._service is not None

            until(running)  # the first attempt fails as well
            assert made.ask(lambda: str(made.armed)) == "t: bare gloss on A"
            assert len(opened) == 3
            assert [note.text for note in notes if note.kind == "lost"] == [
                "acquisition has stopped: the disk is full; make room; it is tried again"
            ] * 2
        finally:
            stop.set()
            thread.join(5.0)
            assert not thread.is_alive()


def test_a_service_that_cannot_even_be_closed_in_order_is_opened_anew(tmp_path: Path) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        opened: list[Service] = []

        @contextmanager
        def opening(tell: Tell) -> Iterator[Service]:
            opened.append(bench.service)
            yield bench.service
            if len(opened) == 1:
                raise RecordingError("the disk is full", hint="make room")

        made = Desk(bench.home, opening, clock=clock, tell=bench.notes.append)
        stop = threading.Event()
        thread = threading.Thread(target=made.run, args=(stop,))
        thread.start()
        try:
            until(lambda: made._service is not None)
            bench.service._events.put(JournalError("the disk is full", hint="make room"))

            def again() -> bool:
                clock.move(1.0)
                return len(opened) == 2 and made._service is not None

            until(again)
            assert made.ask(lambda: "obeyed") == "obeyed"
        finally:
            stop.set()
            thread.join(5.0)
            assert not thread.is_alive()


def test_who_asks_a_desk_that_has_ended_is_told_at_once(tmp_path: Path) -> None:
    with desk(tmp_path) as bench:
        made = bench.desk
    begun = time.monotonic()
    with pytest.raises(TransportError, match="the bench is ending"):
        made.ask(lambda: None)
    assert time.monotonic() - begun < ANSWER_S / 2
