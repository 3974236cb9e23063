"""The contract finds drivers that break it: each law, and a driver made to break just that."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from drivers.base import Driver, FrameError, Kind, Sample
from drivers.contract import Checked, DriverContract, Gauge, ValuesAsText, main
from drivers.line import LineDriver
from drivers.plan import Plan, Request, any_bytes
from drivers.talks import openings
from tests.contract.gauges import GAUGES
from tests.recordings import pairs

STREAM, POLL, COUNT = (GAUGES / f"{name}.toml" for name in ("force-stream-n", "wash-poll", "wash-stroke"))


@dataclass(frozen=True)
class BrokenGauge(Gauge):
    made: type[Driver]

    def driver(self) -> Driver:
        return self.made(self.description)


class Suite(Checked, ValuesAsText, DriverContract):
    recordings = pairs.FOLDER

    def __init__(self, made: type[Driver]) -> None:
        self.made = made

    def under_test(self, gauge: Path) -> Gauge:
        one = super().under_test(gauge)
        return BrokenGauge(one.description, one.folder, one.known, self.made)


class LooksAtChunks(LineDriver):
    """Takes the end of a chunk for the end of a line."""

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        at_end = (len(data), len(data)) if start < len(data) else None
        return super().split(data, start) or at_end


class Raises(LineDriver):
    def decode_all(self, frames: Any, ends: Any) -> Any:
        for frame in frames:
            frame.decode("ascii")
        return super().decode_all(frames, ends)


class OneByOne(LineDriver):
    """Ground for the next ones: goes through `decode`, frame by frame."""

    decode_all = Driver.decode_all

    def __init__(self, description: Any) -> None:
        super().__init__(description)
        self.bulk_from_bytes = None


class Keeps(OneByOne):
    """Keeps all it ever saw."""

    def begin(self) -> None:
        super().begin()
        self.log: list[bytes] = []

    def decode(self, frame: bytes) -> Sample | None:
        self.log.append(frame)
        return super().decode(frame)


class Remembers(OneByOne):
    """Smooths over the values before, across a reset."""

    last = 0.0

    def decode(self, frame: bytes) -> Sample | None:
        said = super().decode(frame)
        if said is None:
            return None
        self.last = 0.5 * (self.last + said.value)
        return Sample(said.kind, self.last)


class InventsKinds(OneByOne):
    def decode(self, frame: bytes) -> Sample | None:
        try:
            return super().decode(frame)
        except FrameError:
            return Sample(Kind("force", "N", frame.decode("latin-1"), frozenset({"fault"})), 0.0)


class BelievesAll(OneByOne):
    """Makes a good zero of a line it does not understand."""

    def decode(self, frame: bytes) -> Sample | None:
        try:
            return super().decode(frame)
        except FrameError:
            return Sample(Kind("force", "N"), float("nan"))


class RoundsAway(OneByOne):
    def decode(self, frame: bytes) -> Sample | None:
        said = super().decode(frame)
        return None if said is None else Sample(said.kind, said.value * 1.000001)


class NeverRecovers(OneByOne):
    """Gives up for good after many damaged lines."""

    bad_n = 0

    def decode(self, frame: bytes) -> Sample | None:
        try:
            said = super().decode(frame)
        except FrameError:
            self.bad_n += 1
            raise
        return None if self.bad_n > 20 else said


class BulkDiffers(LineDriver):
    def decode_bulk(self, data: bytes, start: int, origin: int) -> Any:
        found = super().decode_bulk(data, start, origin)
        if found is not None:
            found[0].values += 0.01
        return found


class AsksForEver(LineDriver):
    """Takes a reply for whole as soon as a byte is there."""

    def plan(self) -> Plan:
        assert self.description.timing.request is not None
        return Plan((Request(self.description.timing.request, any_bytes),))


class SilentErrors(OneByOne):
    def decode(self, frame: bytes) -> Sample | None:
        try:
            return super().decode(frame)
        except FrameError as error:
            raise FrameError(" ", error.frame) from error


Law = Callable[[Suite, Path], None]
BROKEN: list[tuple[type[Driver], Law, Path, str]] = [
    (LooksAtChunks, Suite.test_damage_gives_the_same_however_cut, STREAM, "pieces of up to .* give: other"),
    (Keeps, Suite.test_arbitrary_bytes_never_raise_and_never_pile_up, COUNT, "state grew by"),
    (InventsKinds, Suite.test_arbitrary_bytes_never_raise_and_never_pile_up, STREAM, "kinds: garbage"),
    (Remembers, Suite.test_a_reset_driver_is_as_new, STREAM, "a driver that was reset gives: other samples"),
    (BelievesAll, Suite.test_good_values_are_usable, STREAM, "a good value is nan"),
    (RoundsAway, Suite.test_every_good_value_was_on_the_wire, STREAM, "was not on the wire"),
    (LineDriver, Suite.test_no_single_damaged_byte_gives_another_value, STREAM, "damaged to .* gave Sample"),
    (NeverRecovers, Suite.test_noise_is_left_behind, STREAM, "noise is not left behind"),
    (BulkDiffers, Suite.test_the_quick_way_gives_what_the_slow_way_gives, STREAM, "decode_bulk gives"),
    (AsksForEver, Suite.test_asking_is_pure_and_complete, POLL, "is held for whole at b'N'"),
    (SilentErrors, Suite.test_offsets_are_in_order_and_in_the_stream, STREAM, "does not say what is wrong"),
]


@pytest.mark.parametrize(
    ("made", "law", "gauge", "says"), BROKEN, ids=lambda one: getattr(one, "__name__", "")
)
def test_a_broken_driver_is_found(made: type[Driver], law: Law, gauge: Path, says: str) -> None:
    with pytest.raises(AssertionError, match=says):
        law(Suite(made), gauge)


def test_an_exception_that_escapes_is_not_caught() -> None:
    with pytest.raises(UnicodeDecodeError):
        Suite(Raises).test_arbitrary_bytes_never_raise_and_never_pile_up(STREAM)


class StandsStill(OneByOne):
    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        return (start, start)


def test_a_split_that_does_not_move_on_is_told_and_not_run_for_ever() -> None:
    with pytest.raises(RuntimeError, match=r"StandsStill\.split\(0\) gave \(0, 0\): it must move on"):
        Suite(StandsStill).test_arbitrary_bytes_never_raise_and_never_pile_up(COUNT)


def pair(folder: Path, expected: str | None) -> DriverContract:
    """A suite over one recording, with this expectation."""
    (folder / "wash-poll").mkdir()
    (folder / "wash-poll" / "idle.rec").write_bytes(pairs.recording("wash-poll/idle").read_bytes())
    if expected is not None:
        (folder / "wash-poll" / "idle.expected.jsonl").write_text(expected, encoding="utf-8")

    class OnePair(DriverContract):
        gauges = (POLL,)
        recordings = folder
        scenarios = ("idle",)

    return OnePair()


def test_a_missing_expectation_and_a_missing_scenario_are_failures(tmp_path: Path) -> None:
    suite = pair(tmp_path, None)
    with pytest.raises(AssertionError, match="without expectation, or the other way round: idle"):
        suite.test_recordings_are_complete(POLL)
    type(suite).scenarios = ("idle", "steady")
    with pytest.raises(AssertionError, match="lacks recordings: steady"):
        suite.test_recordings_are_complete(POLL)


def test_another_outcome_is_shown_by_its_first_line(tmp_path: Path) -> None:
    expected = pairs.expectation("wash-poll/idle").read_text(encoding="utf-8").replace("42.0", "43.0", 1)
    with pytest.raises(AssertionError, match=r"as recorded: line 1 of the expectation\n  expected .*43\.0"):
        pair(tmp_path, expected).test_recording_gives_what_is_expected_however_cut(POLL, "idle")


def test_an_expectation_can_be_written(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(POLL), str(pairs.recording("wash-poll/mixed"))]) is None
    assert capsys.readouterr().out == pairs.expectation("wash-poll/mixed").read_text(encoding="utf-8")
    assert main([str(POLL)]) == "say: python -m drivers.contract GAUGE.toml RECORDING.rec"
    complaint = main([str(POLL), str(pairs.recording("gloss-poll/idle"))])
    assert complaint is not None
    assert complaint.startswith("b'READ?\\n' was sent, but wash-poll sends")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("# driver: x\n+0.1 ! open\n+0.2 < 31", "its last line is cut"),
        ("# driver: x\n+0.1 ! open\nnonsense\n", "line 3: neither a header nor an event"),
        ("# driver: x\n+0.1 < 31\n", "line 2: bytes before the port was opened"),
    ],
)
def test_a_damaged_recording_is_not_taken(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "steady.rec"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=says):
        openings(path)


def test_noise_of_a_seed_is_the_same_noise() -> None:
    one = Suite(LineDriver).under_test(STREAM)
    assert one.noise(Random(1), 5) == one.noise(Random(1), 5)
