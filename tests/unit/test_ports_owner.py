"""The owner's conduct on scripted wires and a clock that stands still: exact times, no waiting."""

import queue
from collections.abc import Callable
from pathlib import Path

import pytest

from acquire.errors import PortBusy, PortLost, RecordingError, TransportError
from acquire.ports import Poll, PortEvent, PortOwner, replay_events
from acquire.ports.wire import Pause, Wire
from acquire.recordings import Header, Recorder
from drivers.description import Timing
from tests.manual_clock import ManualClock

ON_EVENT = Timing(mode="on event")
Step = bytes | Exception


class Stage:
    """Plays a script: what each attempt to open gives, and what each opened wire reads."""

    def __init__(self, path: Path, script: list[Exception | list[Step]], timing: Timing = ON_EVENT) -> None:
        self.path = path
        self.clock = ManualClock()
        self.script = script
        self.attempts_s: list[float] = []
        self.written: list[tuple[float, bytes]] = []
        self.closed_n = 0
        self.events: list[PortEvent] = []
        self.failures: list[Exception] = []
        self.deliver: Callable[[PortEvent], None] = self.events.append
        self.recorder = Recorder(path, Header(driver="x", device="g"), self.clock)
        self.timing = timing

    def run(self) -> None:
        """Until the script is played."""
        with self.recorder:
            self.owner = PortOwner(
                "g",
                self.connect,
                [Poll("g", self.timing)],
                recorder=self.recorder,
                clock=self.clock,
                deliver=lambda event: self.deliver(event),
                on_failure=self.failures.append,
                uniform=lambda low, high: high,
            )
            self.owner.start()
            self.owner._thread.join(10.0)
            assert not self.owner.running

    @property
    def now_s(self) -> float:
        return round(self.recorder.now_us() / 1e6, 3)

    def connect(self, pause: Pause) -> Wire:
        self.attempts_s.append(self.now_s)
        if not self.script:
            self.owner.request_stop()
            raise PortLost("the script is over")
        scene = self.script.pop(0)
        if isinstance(scene, Exception):
            raise scene
        return ScriptedWire(self, scene)

    @property
    def told(self) -> list[tuple[str, str]]:
        return [(event.kind, event.note or event.data.decode()) for event in self.events]


class ScriptedWire:
    """Reads out its steps, each 10 ms after the other; b"" is a moment with nothing to read."""

    name = "scripted"

    def __init__(self, stage: Stage, steps: list[Step]) -> None:
        self._stage = stage
        self._steps = steps

    def read(self, *, wait: bool, gather_s: float = 0.0) -> bytes:
        if wait:
            self._stage.clock.move(0.01)
        if not self._steps:
            self._stage.owner.request_stop()
            return b""
        if not wait:
            return b""
        step = self._steps.pop(0)
        if isinstance(step, Exception):
            raise step
        return step

    def write(self, data: bytes) -> None:
        self._stage.written.append((self._stage.now_s, data))

    def close(self) -> None:
        self._stage.closed_n += 1


def test_attempts_back_off_and_only_bytes_bring_the_pace_back(tmp_path: Path) -> None:
    absent = [PortLost("x is not there") for _ in range(8)]
    silent: list[Step] = [PortLost("unplugged")]
    spoken: list[Step] = [b"A", PortLost("unplugged")]
    stage = Stage(tmp_path / "a.rec", [*absent, silent, spoken, PortLost("x is not there"), [b"B"]])
    stage.run()
    waits_s = [
        round(after - before, 3)
        for before, after in zip(stage.attempts_s, stage.attempts_s[1:], strict=False)
    ]
    assert waits_s[:8] == [0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]
    assert waits_s[8] == pytest.approx(5.0 + 0.01)  # opened, and lost again without a byte
    assert waits_s[9] == pytest.approx(0.1 + 0.02)
    assert waits_s[10] == pytest.approx(0.2)
    assert stage.told == [
        ("lost", "x is not there"),
        ("open", "scripted"),
        ("lost", "unplugged"),
        ("open", "scripted"),
        ("chunk", "A"),
        ("lost", "unplugged"),
        ("open", "scripted"),
        ("chunk", "B"),
        ("closed", ""),
    ]
    assert stage.closed_n == 3
    assert list(replay_events(tmp_path / "a.rec")) == stage.events


def test_what_a_person_must_see_to_is_told_once_and_retried_slowly(tmp_path: Path) -> None:
    busy = PortBusy("x is in use by another program")
    stage = Stage(
        tmp_path / "a.rec",
        [busy, busy, PortLost("x is not there"), busy, TransportError("no permission"), [b"A"]],
    )
    stage.run()
    assert stage.attempts_s[:3] == [0.0, 5.0, 10.0]
    assert stage.told == [
        ("lost", "x is in use by another program"),
        ("lost", "no permission"),
        ("open", "scripted"),
        ("chunk", "A"),
        ("closed", ""),
    ]


def test_the_jitter_asks_for_half_to_the_whole_of_the_delay(tmp_path: Path) -> None:
    asked: list[tuple[float, float]] = []

    def uniform(low: float, high: float) -> float:
        asked.append((low, high))
        return low

    stage = Stage(tmp_path / "a.rec", [])
    with stage.recorder:
        stage.owner = owner = PortOwner(
            "g",
            stage.connect,
            [Poll("g", ON_EVENT)],
            recorder=stage.recorder,
            clock=stage.clock,
            deliver=stage.deliver,
            on_failure=stage.failures.append,
            uniform=uniform,
        )
        owner.start()
        assert owner.stop()
    assert asked == [(0.05, 0.1)]


def test_silence_is_measured_from_the_last_byte(tmp_path: Path) -> None:
    timing = Timing(mode="stream", rate_hz=100.0, max_silence_s=0.05)
    stage = Stage(tmp_path / "a.rec", [[b"A", b"", b"", b"", b"", b"B", *[b""] * 9]], timing)
    stage.run()
    assert stage.told[:4] == [
        ("open", "scripted"),
        ("chunk", "A"),
        ("chunk", "B"),
        ("lost", "silent for 0.05 s"),
    ]
    assert [event.t_us for event in stage.events[:4]] == [0, 10_000, 60_000, 120_000]


def test_requests_keep_the_beat_and_stand_in_the_recording(tmp_path: Path) -> None:
    timing = Timing(mode="poll", request=b"?", period_s=0.1, reply_timeout_s=0.3)
    stage = Stage(tmp_path / "a.rec", [[b"1", b"2", b"", b"", b"3"]], timing)
    stage.run()
    assert stage.written[:3] == [(0.0, b"?"), (0.1, b"?"), (0.2, b"?")]
    spoken = [(event.kind, event.t_us, event.data) for event in stage.events[1:7]]
    assert spoken == [
        ("sent", 0, b"?"),
        ("chunk", 10_000, b"1"),
        ("sent", 100_000, b"?"),
        ("chunk", 110_000, b"2"),
        ("sent", 200_000, b"?"),
        ("chunk", 230_000, b"3"),
    ]
    assert list(replay_events(tmp_path / "a.rec")) == stage.events


def test_a_full_inbox_is_waited_for_and_nothing_is_doubled_or_dropped(tmp_path: Path) -> None:
    stage = Stage(tmp_path / "a.rec", [[b"A", b"B"]])
    refusals = iter([True, True, False, True, False, False, True])

    def deliver(event: PortEvent) -> None:
        if next(refusals, False):
            raise queue.Full
        stage.events.append(event)

    stage.deliver = deliver
    stage.run()
    assert stage.told == [("open", "scripted"), ("chunk", "A"), ("chunk", "B"), ("closed", "")]
    assert not stage.failures


def test_a_recording_that_fails_stops_the_port_and_delivers_nothing_unrecorded(tmp_path: Path) -> None:
    stage = Stage(tmp_path / "a.rec", [[b"A", b"B", b"C"]])

    def deliver(event: PortEvent) -> None:
        stage.events.append(event)
        if event.data == b"A":
            stage.recorder._broken = RecordingError("the disk is full")

    stage.deliver = deliver
    stage.run()
    assert stage.told == [("open", "scripted"), ("chunk", "A")]
    assert [str(failure) for failure in stage.failures] == ["the disk is full"]
    assert stage.closed_n == 1
    assert [event.kind for event in replay_events(tmp_path / "a.rec")] == ["open", "chunk"]


def test_a_fault_of_the_taker_is_told_and_the_port_is_closed(tmp_path: Path) -> None:
    stage = Stage(tmp_path / "a.rec", [[b"A"]])

    def deliver(event: PortEvent) -> None:
        raise LookupError("taker's own fault")

    stage.deliver = deliver
    stage.run()
    assert [type(failure) for failure in stage.failures] == [LookupError]
    assert stage.closed_n == 1
