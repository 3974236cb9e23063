"""The bench at work: what is told, what stops it, and that it leaves nothing behind."""

import errno
import queue
import threading
from pathlib import Path

import pytest

from acquire.chain import Event
from acquire.errors import ConfigError, JournalError, RecordingError, TransportError
from acquire.home import Home
from acquire.journal import Journal
from acquire.logger import readings
from acquire.model import StreamStart
from acquire.notes import Note
from acquire.ports import PortEvent, replay_events
from acquire.recordings import Recorder
from acquire.service import Service
from acquire.trials import strokes_on
from acquire.verification import verify
from simulators.speech import gloss_key
from tests.benches import BENCH
from tests.rig import Rig, SteppedClock, gloss, lay_out, rig, slip, wash


def events(bench: Rig, kind: str) -> list[Event]:
    return list(bench.service.journal.events(kind))


def test_what_an_idle_gauge_sends_goes_to_its_recording_alone(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.press(90.1, 90.2)
        bench.pull(2.5, "a")
        assert bench.readings == []
        assert bench.refusals == []
        assert bench.told("reading", "extra", "refused") == []
        path = bench.service._open["gloss"].recorder.path
    assert [event.data for event in replay_events(path) if event.kind == "chunk"] == [
        gloss_key(60, 90.1),
        gloss_key(60, 90.2),
    ]


def test_the_start_of_each_recording_holds_all_that_its_readings_need(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        starts = [StreamStart.model_validate(event.body) for event in events(bench, "stream")]
        assert [start.gauge for start in starts] == ["force", "gloss", "wash"]
        for start in starts:
            description = bench.home.description(start.description)
            assert start.description_text == description.text
            assert (bench.home.recordings / start.recording).exists()
        # A fiftieth of what an 800 g block weighs on this bench; the method's own limits go with it.
        assert starts[0].capture["min_force_n"] == pytest.approx(0.02 * 0.8 * 9.8122, abs=1e-4)
        assert starts[0].capture["min_rest_s"] == 0.3


def test_a_gauge_that_is_named_twice_is_opened_once(tmp_path: Path) -> None:
    with rig(tmp_path, gauges=["gloss", "gloss"]) as bench:
        assert list(bench.service._open) == ["gloss"]
        assert len(list(bench.home.recordings.iterdir())) == 1


def test_a_gauge_the_bench_does_not_have_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no gauge 'glos'; did you mean 'gloss'"):
        Service(lay_out(tmp_path), clock=SteppedClock(), tell=lambda _: None, gauges=["glos"])


def test_a_check_of_a_gauge_that_is_not_open_is_refused(tmp_path: Path) -> None:
    with rig(tmp_path, gauges=["gloss"]) as bench:
        with pytest.raises(ConfigError, match="'force' is not open"):
            bench.service.check("force", "weight-200g")
        with pytest.raises(ConfigError, match="no gauge of this bench measures force"):
            bench.service.measure(bench.trial(), slip())


def test_a_step_opens_the_first_gauge_that_fits_or_the_one_named(tmp_path: Path) -> None:
    second = BENCH[BENCH.index("[gauges.gloss]") : BENCH.index("[gauges.wash]")]
    second = second.replace("gauges.gloss", "gauges.gloss-2").replace(":2", ":4")
    home = lay_out(tmp_path, BENCH + second)
    for named, opened in ((None, "gloss"), ("gloss-2", "gloss-2")):
        service = Service.for_step(home, gloss(), clock=SteppedClock(), tell=lambda _: None, gauge=named)
        assert list(service._open) == [opened]
        service.__exit__(None, None, None)
        (home.recordings / f"20310504T080000.000000Z-{opened}.rec").unlink()
    with pytest.raises(ConfigError, match="'force' measures force; gloss needs gloss") as caught:
        Service.for_step(home, gloss(), clock=SteppedClock(), tell=lambda _: None, gauge="force")
    assert caught.value.hint == "gauges of this bench that fit: gloss, gloss-2"


def test_a_wash_without_strokes_for_its_stage_says_what_to_set(tmp_path: Path) -> None:
    home = lay_out(tmp_path)
    text = home.method_file.read_text(encoding="utf-8")
    home.method_file.write_text(text.replace('unit = "strokes"', 'unit = "washes" '), encoding="utf-8")
    with rig(tmp_path) as bench, pytest.raises(ConfigError, match="how many strokes a wash has"):
        bench.service.measure(bench.trial(), wash(60))


def test_two_services_on_one_bench_write_one_journal(tmp_path: Path) -> None:
    later = SteppedClock()
    later.move(1.0)
    lay_out(tmp_path)
    with (
        rig(tmp_path, gauges=["gloss"]) as bench,
        rig(tmp_path, later, gauges=["wash"]) as other,
    ):
        trial = bench.trial()
        bench.service.measure(trial, gloss())
        other.service.measure(trial, wash(60))
        for number in range(1, 4):
            bench.press(90.0 + number / 10)
            other.strokes(number, number)
    with bench.home.journal(readonly=True) as journal:
        kept = readings(journal)
    assert sum(reading.quantity == "gloss" for reading in kept) == 3
    assert strokes_on("t", "A", kept) == 3
    assert verify(bench.home).holds


def test_a_start_that_fails_half_way_tells_its_own_error_and_lets_everything_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = lay_out(tmp_path)
    opened: list[Recorder] = []

    class Second(Recorder):
        def __init__(self, *args: object) -> None:
            if opened:
                raise RecordingError("no room on the disk")
            opened.append(self)
            super().__init__(*args)  # type: ignore[arg-type]

    monkeypatch.setattr("acquire.service.opening.Recorder", Second)
    with pytest.raises(RecordingError, match="no room on the disk"):
        Service(home, clock=SteppedClock(), tell=lambda _: None)
    assert opened[0]._file.closed
    home.journal().close()


def test_a_recording_whose_start_cannot_be_written_down_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[Recorder] = []

    class Noted(Recorder):
        def __init__(self, *args: object) -> None:
            super().__init__(*args)  # type: ignore[arg-type]
            made.append(self)

    def full(*_: object, **__: object) -> Event:
        raise JournalError("the disk is full")

    home = lay_out(tmp_path)
    monkeypatch.setattr("acquire.service.opening.Recorder", Noted)
    monkeypatch.setattr(Journal, "append", full)
    with pytest.raises(JournalError, match="the disk is full"):
        Service(home, clock=SteppedClock(), tell=lambda _: None)
    assert [recorder._file.closed for recorder in made] == [True]


def test_a_recorder_that_cannot_close_keeps_nothing_else_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = lay_out(tmp_path)
    bench = Rig(home, SteppedClock())
    recorders = [one.recorder for one in bench.service._open.values()]

    def fail() -> None:
        recorders[0]._file.close()
        raise RecordingError("cannot be written")

    monkeypatch.setattr(recorders[0], "close", fail)
    with pytest.raises(RecordingError, match="cannot be written"):
        bench.end()
    assert [recorder._file.closed for recorder in recorders] == [True] * 3
    home.journal().close()


class FullDisk:
    """A file that takes no more."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self.closed = False

    def write(self, _: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    def fileno(self) -> int:
        return self._fd

    def close(self) -> None:
        self.closed = True


def test_a_full_disk_stops_acquisition_and_nothing_is_told_after_it(tmp_path: Path) -> None:
    bench = Rig(lay_out(tmp_path), SteppedClock())
    one = bench.service._open["wash"]
    task = bench.service.measure(bench.trial(), wash(60))
    bench.strokes(1, 13)
    told = len(bench.notes)
    file = one.recorder._file
    one.recorder._file = FullDisk(file.fileno())  # type: ignore[assignment]
    with pytest.raises(RecordingError):
        one.recorder.chunk(b"S 000014\r\n", one.recorder.now_us())
    assert one.recorder._broken is not None
    one.owner._on_failure(one.recorder._broken)
    with pytest.raises(RecordingError, match="No space left on device; acquisition has to stop") as caught:
        bench.service.run(task)
    assert "Make room" in caught.value.hint
    assert len(bench.notes) == told
    assert strokes_on("t", "A", bench.readings) == 11, (
        "the bunch under way is not logged on a broken recording"
    )
    bench.end(caught.value)
    assert len(Home(tmp_path).journal(readonly=True).head()) == 2
    file.close()


def test_events_recorded_before_the_disk_was_full_are_still_taken(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), gloss())
        bench._deliver("gloss", "chunk", gloss_key(60, 90.1))
        bench.service._ports.failed(RecordingError("full"))
        with pytest.raises(RecordingError, match="full"):
            bench.service.pump(0.0)
        assert bench.told("reading") == ["1 of 3: 90.1 GU (unchecked today)"]


def test_a_full_queue_holds_the_port_back_and_drops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("acquire.service.opening.QUEUE_EVENTS", 3)
    with rig(tmp_path, gauges=["gloss"]) as bench:
        bench.service.measure(bench.trial(), gloss())
        deliver = bench.service._open["gloss"].owner._deliver
        recorder = bench.service._open["gloss"].recorder
        waiting: list[PortEvent] = []
        for value in (90.1, 90.2, 90.3, 90.4):
            bench.clock.move(2.0)
            t_us = recorder.now_us()
            recorder.chunk(gloss_key(60, value), t_us)
            waiting.append(PortEvent("gloss", "chunk", t_us, bench.clock.utc(), gloss_key(60, value)))
        for event in waiting[:3]:
            deliver(event)
        with pytest.raises(queue.Full):
            deliver(waiting[3])
        assert bench.service.pump(0.0) == 3
        deliver(waiting[3])
        bench.pump()
        assert [reading.value for reading in bench.readings] == [90.1, 90.2, 90.3, 90.4]


def test_a_failure_on_a_port_does_not_wait_for_ever_once_the_service_ends(tmp_path: Path) -> None:
    bench = Rig(lay_out(tmp_path), SteppedClock(), gauges=["gloss"])
    while not bench.service._events.full():
        bench.service._events.put(RecordingError("earlier"))
    thread = threading.Thread(target=bench.service._ports.failed, args=(RecordingError("late"),))
    thread.start()
    bench.end()
    thread.join(5.0)
    assert not thread.is_alive()


def test_a_pump_ends_though_a_gauge_never_stops_talking(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("acquire.service.opening.QUEUE_EVENTS", 4)
    with rig(tmp_path, gauges=["gloss"]) as bench:
        take = bench.service._open["gloss"].line.stream.take

        def chatter(event: PortEvent) -> object:
            bench.service._events.put(event)
            return take(event)

        monkeypatch.setattr(bench.service._open["gloss"].line.stream, "take", chatter)
        bench.service._events.put(PortEvent("gloss", "sent", 0, bench.clock.utc()))
        assert bench.service.pump(0.0) == 4


def test_a_clock_that_jumps_is_an_event_of_its_own(tmp_path: Path) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        clock.ahead_s = 2.5
        bench.wait(1.0)
        bench.wait(1.0)
        assert [event.body for event in events(bench, "clock step")] == [{"step_s": pytest.approx(2.5)}]
        assert bench.told("lost") == ["the clock jumped by +2.5 s, or the machine slept"]


def test_slow_corrections_of_the_clock_are_no_jump(tmp_path: Path) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        for _ in range(10):
            clock.ahead_s -= 0.4
            bench.wait(60.0)
        assert events(bench, "clock step") == []


def test_a_machine_that_slept_ends_acquisition_before_anything_is_misdated(tmp_path: Path) -> None:
    clock = SteppedClock()
    bench = Rig(lay_out(tmp_path), clock)
    clock.ahead_s = 8 * 3600
    with pytest.raises(TransportError, match=r"jumped by \+28800\.0 s.*wrong date") as caught:
        bench.wait(1.0)
    assert caught.value.hint == "start again; what was taken is kept"
    assert len(events(bench, "clock step")) == 1
    bench.end(caught.value)


def test_a_port_that_never_opens_is_told_with_what_to_do(tmp_path: Path) -> None:
    clock = SteppedClock()
    service = Service(lay_out(tmp_path), clock=clock, tell=lambda _: None, gauges=["gloss"])
    try:
        service._events.put(PortEvent("gloss", "lost", 0, clock.utc(), note="nobody answers"))
        with pytest.raises(TransportError) as caught:
            service.await_ports(0.0)
    finally:
        service.__exit__(None, None, None)
    assert str(caught.value) == "gauge 'gloss' on port tcp://127.0.0.1:2: nobody answers"
    assert "panelwright ports" in caught.value.hint


def test_a_port_that_is_open_is_not_waited_for(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.lose("gloss")
        bench.service.await_ports(0.0)
        assert bench.told("lost") == ["unplugged; trying to get it back"]


def test_every_loss_is_written_down(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.lose("gloss", "silent for 3 s")
        (event,) = events(bench, "incident")
        assert event.body["what"] == "lost: silent for 3 s"
        assert event.body["needs_check"] is False


def test_ctrl_c_keeps_the_strokes_under_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 13)

        def interrupted(_: float = 0.1) -> int:
            raise KeyboardInterrupt

        monkeypatch.setattr(bench.service, "pump", interrupted)
        with pytest.raises(KeyboardInterrupt):
            bench.service.run(task)
        assert sum(reading.value for reading in bench.readings) == 13


def test_a_run_lingers_for_extras_and_then_lets_the_gauge_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.2)
        values = iter([90.3, 90.4, 90.5])
        pump = bench.service.pump

        def press(timeout_s: float = 0.1) -> int:
            bench.clock.move(2.0)
            bench._deliver("gloss", "chunk", gloss_key(60, next(values)))
            return pump(timeout_s)

        monkeypatch.setattr(bench.service, "pump", press)
        bench.service.run(task, linger_s=3.0)
        assert [reading.extra for reading in bench.readings] == [False] * 3 + [True] * 2
        assert bench.service._open["gloss"].task is None


def test_an_orderly_end_leaves_a_journal_that_verifies(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        trial = bench.trial()
        bench.service.measure(trial, slip())
        bench.service.measure(trial, wash(60))
        bench.pull(2.5, "a")
        bench.strokes(1, 13)
    report = verify(bench.home)
    assert report.holds, report.faults
    assert (report.readings_n, report.recordings_n) == (4, 3)


def test_a_gauge_of_the_room_that_is_not_there_keeps_no_step_waiting(tmp_path: Path) -> None:
    room = (
        '\n[gauges.scale]\ndescription = "balance-line"\nport = "tcp://127.0.0.1:9"\n'
        "tolerance = { absolute = 0.1 }\n"
    )
    home = lay_out(tmp_path, BENCH + room)
    notes: list[Note] = []
    service = Service.for_step(home, gloss(), clock=SteppedClock(), tell=notes.append)
    try:
        assert list(service._open) == ["gloss", "scale"]
        service._events.put(PortEvent("gloss", "open", 0, SteppedClock().utc(), note="invented port"))
        service.await_ports(0.0)
    finally:
        service.__exit__(None, None, None)
    assert [note.kind for note in notes] == ["port"]


def test_a_port_that_opens_and_stays_silent_is_told_once_and_is_back_with_its_first_byte(
    tmp_path: Path,
) -> None:
    with rig(tmp_path) as bench:
        for _ in range(3):
            bench.lose("force", "silent for 1 s")
            bench.open("force")
        assert bench.told("lost") == [
            "silent for 1 s; trying to get it back; it has not sent a value yet: is it on, are its speed and "
            "description right?"
        ]
        assert len(events(bench, "incident")) == 1
        told = len(bench.told("port"))
        bench.hang(0.0, 0.1)
        assert bench.told("port")[told:] == ["back on invented port"]
        bench.lose("force", "silent for 1 s")
        assert bench.told("lost")[-1] == "silent for 1 s; trying to get it back"


def test_what_is_wrong_with_a_gauges_bytes_is_told_and_written_down_once(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.say("force", [gloss_key(60, 91.4)] * 12, every_s=0.2)
        assert bench.told("trouble") == [
            "what comes here is no line of this gauge but reads like gauge 'gloss': "
            "are two gauges swapped between their ports?"
        ]
        (incident,) = events(bench, "incident")
        assert incident.body["what"].startswith("in doubt: what comes here is no line of this gauge")
        bench.lose("force")
        bench.open("force")
        assert "answers as it should again" not in bench.told("port")
        bench.hang(0.0, 0.1)
        assert bench.told("port")[-1] == "answers as it should again"
