"""From recordings on disk to samples and items."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import config
from acquire.errors import ConfigError, RecordingError
from acquire.ports import PortEvent
from acquire.recordings import Header, Recorder
from acquire.sources import description_for, description_named, recorded_force, replay
from acquire.stream import GaugeStream
from simulators.speech import ForceState, Shown, force_stream_n, gloss_key, gloss_poll
from tests.benches import pull_lines
from tests.manual_clock import ManualClock

GAUGES = config.FOLDER / "gauges"


def record(
    folder: Path, name: str, play: Callable[[Recorder, ManualClock], None], sha256: str | None = None
) -> Path:
    path = folder / f"{name}.rec"
    clock = ManualClock()
    with Recorder(path, Header(driver=name, description_sha256=sha256), clock) as recorder:
        recorder.mark("open", "", 0)
        play(recorder, clock)
    return path


def say(
    recorder: Recorder, clock: ManualClock, lines: list[bytes], every_s: float, per_chunk: int = 1
) -> None:
    for first in range(0, len(lines), per_chunk):
        group = lines[first : first + per_chunk]
        clock.move(every_s * len(group))
        recorder.chunk(b"".join(group), recorder.now_us())


def two_pulls(recorder: Recorder, clock: ManualClock) -> None:
    say(recorder, clock, [b"00.00\r\n", *pull_lines(2.5, "a"), *pull_lines(2.7, "b")], 0.01, 5)


def presses(recorder: Recorder, clock: ManualClock) -> None:
    say(recorder, clock, [gloss_key(60, 90.0 + number) for number in range(4)], 1.5)


def polled(recorder: Recorder, clock: ManualClock) -> None:
    for number in range(4):
        clock.move(0.5)
        recorder.sent(b"READ?\n", recorder.now_us())
        clock.move(0.02)
        recorder.chunk(gloss_poll(60, 91.0 + number, number + 1), recorder.now_us())


CASES = {"force-stream-n": two_pulls, "gloss-key": presses, "gloss-poll": polled}


@pytest.mark.parametrize("name", CASES)
def test_a_replay_at_a_pace_gives_what_the_fast_one_gives(tmp_path: Path, name: str) -> None:
    path = record(tmp_path, name, CASES[name])
    description = description_for(path)
    fast = list(replay(path, GaugeStream(description)))
    paced = list(replay(path, GaugeStream(description), pace=2.0, clock=ManualClock()))
    assert fast == paced
    assert len(fast) == (2 if name == "force-stream-n" else 4)


def test_a_paced_replay_keeps_to_the_recordings_own_times(tmp_path: Path) -> None:
    path = record(tmp_path, "gloss-key", presses)
    clock = ManualClock()
    start_ns = clock.monotonic_ns()
    at_s = [
        (clock.monotonic_ns() - start_ns) / 1e9
        for _ in replay(path, GaugeStream(description_for(path)), pace=3.0, clock=clock)
    ]
    assert at_s == pytest.approx([0.5, 1.0, 1.5, 2.0])


def test_a_pace_needs_a_clock(tmp_path: Path) -> None:
    path = record(tmp_path, "gloss-key", presses)
    with pytest.raises(ValueError, match="needs a clock"):
        list(replay(path, GaugeStream(description_for(path)), pace=1.0))


def test_a_recording_made_with_another_description_is_refused_with_what_to_give(tmp_path: Path) -> None:
    path = record(tmp_path, "gloss-key", presses, sha256="0" * 64)
    with pytest.raises(RecordingError, match="another version of the description 'gloss-key'") as caught:
        description_for(path)
    assert "--gauge FILE.toml" in caught.value.hint


def test_the_description_it_was_made_with_is_taken_from_where_it_lies(tmp_path: Path) -> None:
    own = tmp_path / "my-gauge.toml"
    own.write_bytes((GAUGES / "gloss-key.toml").read_bytes() + b"\n# mine\n")
    sha256 = description_named("my-gauge", tmp_path).sha256
    path = record(tmp_path, "my-gauge", presses, sha256=sha256)
    with pytest.raises(ConfigError, match="no gauge description 'my-gauge'"):
        description_for(path)
    assert description_for(path, own).sha256 == sha256


def test_forces_of_a_recording_come_with_its_times_and_its_breaks(tmp_path: Path) -> None:
    line = force_stream_n(Shown(1.0), ForceState())

    def play(recorder: Recorder, clock: ManualClock) -> None:
        say(recorder, clock, [line] * 11, 0.01)
        recorder.mark("lost", "unplugged", recorder.now_us())
        clock.move(5.0)
        recorder.mark("open", "", recorder.now_us())
        say(recorder, clock, [force_stream_n(Shown(2.0), ForceState())] * 11, 0.01)

    t_s, force_n, breaks = recorded_force(record(tmp_path, "force-stream-n", play))
    # The first line of each opening may be cut and is dropped.
    assert force_n.tolist() == [1.0] * 10 + [2.0] * 10
    assert breaks == (10,)
    assert np.diff(t_s)[9] == pytest.approx(5.02)
    assert all(earlier < later for earlier, later in pairwise(t_s.tolist()))


def test_a_recording_of_another_quantity_has_no_forces(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="for gloss, not for force") as caught:
        recorded_force(record(tmp_path, "gloss-key", presses))
    assert caught.value.hint == "panelwright replay shows its readings"


def test_a_recording_without_samples_has_no_forces(tmp_path: Path) -> None:
    path = record(tmp_path, "force-stream-n", lambda recorder, clock: None)
    with pytest.raises(RecordingError, match="fewer than two force samples"):
        recorded_force(path)


def test_a_replay_ends_a_pull_that_the_recording_leaves_open(tmp_path: Path) -> None:
    def play(recorder: Recorder, clock: ManualClock) -> None:
        say(recorder, clock, [b"00.00\r\n", *pull_lines(2.5, "a")[:180]], 0.01)

    path = record(tmp_path, "force-stream-n", play)
    (item,) = replay(path, GaugeStream(description_for(path)))
    assert item.verdict == "refused"


def test_the_live_stream_and_the_replay_of_its_recording_agree(tmp_path: Path) -> None:
    live: list[object] = []
    stream = GaugeStream(description_named("gloss-key", GAUGES))
    path = tmp_path / "live.rec"
    clock = ManualClock()
    with Recorder(path, Header(driver="gloss-key"), clock) as recorder:
        recorder.mark("open", "", 0)
        stream.take(PortEvent("g", "open", 0, recorder.start_utc))
        for cut in (4, 13, 20):
            clock.move(1.0)
            t_us = recorder.now_us()
            data = (gloss_key(60, 90.0) + gloss_key(60, 91.0))[:cut][-7:]
            recorder.chunk(data, t_us)
            live += stream.take(PortEvent("g", "chunk", t_us, recorder.start_utc, data))
    again = GaugeStream(description_for(path))
    assert list(replay(path, again)) == live
    assert (again.damaged, again.samples) == (stream.damaged, stream.samples)
