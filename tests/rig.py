"""A service on an invented bench with the test in place of the ports' threads.

Everything behind the ports is the real thing: recordings, streams, capture, tasks, logger, journal. What a
port's thread would do (write the recording, then deliver the event) is done by `say`, `open` and `lose`,
with a clock that stands still, so every outcome is exact.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from acquire import answers
from acquire.home import Home
from acquire.logger import readings
from acquire.model import Amendment, Phase, Reading, Refusal, Step, Test, Trial
from acquire.notes import Note, NoteKind
from acquire.ports import PortEvent
from acquire.recordings import LineKind
from acquire.service import Service
from simulators.speech import ForceState, Shown, force_stream_n, gloss_key, wash_stroke
from tests.benches import BENCH, method_text, pull_lines
from tests.manual_clock import ManualClock

BENCH_MORE = (
    BENCH
    + """
[references.tile]
kind = "tile"
gloss_gu = { 60 = 93.0 }
expanded_uncertainty = 0.4
certificate = "T-1 (invented)"
due = 2031-12-31

[references.strokes-10]
kind = "strokes"
strokes = 10
"""
)
WEIGHT_N = 1.961
"""What 200 g show on this bench, to the gauge's hundredth."""


class SteppedClock(ManualClock):
    """Its calendar can be set while its seconds go on."""

    ahead_s = 0.0

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.ahead_s)


class Rig:
    """The service, the hands and the notes that were told."""

    def __init__(self, home: Home, clock: SteppedClock, **options: Any) -> None:
        self.home, self.clock = home, clock
        self.notes: list[Note] = []
        self.service = Service(home, clock=clock, tell=self.notes.append, **options)
        for name in self.service._open:
            self.open(name)

    def _deliver(self, gauge: str, kind: LineKind, data: bytes = b"", note: str = "") -> None:
        recorder = self.service._open[gauge].recorder
        t_us = recorder.now_us()
        if kind == "chunk":
            recorder.chunk(data, t_us)
        elif kind != "sent":
            recorder.mark(kind, note, t_us)
        self.service._events.put(PortEvent(gauge, kind, t_us, recorder.utc_at(t_us), data, note))

    def open(self, gauge: str) -> None:
        self._deliver(gauge, "open", note="invented port")
        self.pump()

    def lose(self, gauge: str, why: str = "unplugged") -> None:
        self._deliver(gauge, "lost", note=why)
        self.pump()

    def say(self, gauge: str, lines: Sequence[bytes], *, every_s: float, per_chunk: int = 1) -> None:
        """The gauge sends lines; the service takes them."""
        for first in range(0, len(lines), per_chunk):
            group = lines[first : first + per_chunk]
            self.clock.move(every_s * len(group))
            self._deliver(gauge, "chunk", b"".join(group))
            self.pump()

    def wait(self, seconds: float) -> None:
        """Nothing happens for so long."""
        self.clock.move(seconds)
        self.pump()

    def pump(self) -> None:
        while self.service.pump(0.0):
            pass

    def pull(self, break_n: float, seed: str) -> None:
        self.say("force", pull_lines(break_n, seed), every_s=0.01, per_chunk=5)

    def snatch(self, break_n: float) -> None:
        """A pull that no gauge of 100 Hz can follow."""
        for force_n, seconds in ((0.0, 1.5), (break_n, 0.5), (0.0, 1.0)):
            self.hang(force_n, seconds)

    def press(self, *values_gu: float, angle: int = 60) -> None:
        self.say("gloss", [gloss_key(angle, value) for value in values_gu], every_s=2.0)

    def strokes(self, first: int, last: int) -> None:
        """The counter shows each number from `first` to `last`."""
        self.say("wash", [wash_stroke(n) for n in range(first, last + 1)], every_s=1.7)

    def hang(self, force_n: float, seconds: float = 1.5) -> None:
        """So much hangs on the hook for so long."""
        line = force_stream_n(Shown(force_n), ForceState())
        self.say("force", [line] * round(100 * seconds), every_s=0.01, per_chunk=5)

    def trial(self, *panels: str) -> Trial:
        return answers.open_trial(
            self.service.journal,
            self.clock,
            "t",
            product="Invented wax",
            panels=panels or ("A",),
            control=False,
        )

    def told(self, *kinds: NoteKind) -> list[str]:
        return [note.text for note in self.notes if note.kind in kinds]

    @property
    def readings(self) -> list[Reading]:
        return readings(self.service.journal)

    @property
    def refusals(self) -> list[Refusal]:
        return [Refusal.model_validate(event.body) for event in self.service.journal.events("refusal")]

    @property
    def amendments(self) -> list[Amendment]:
        return [Amendment.model_validate(event.body) for event in self.service.journal.events("amendment")]

    def end(self, error: BaseException | None = None) -> None:
        self.service.__exit__(None if error is None else type(error), error, None)


def lay_out(folder: Path, bench: str = BENCH_MORE) -> Home:
    """A bench with three gauges, whose method asks for three pulls and three gloss readings."""
    home = Home(folder)
    home.create()
    home.bench_file.write_text(bench, encoding="utf-8")
    home.method_file.write_text(method_text(), encoding="utf-8")
    return home


@contextmanager
def rig(folder: Path, clock: SteppedClock | None = None, **options: Any) -> Iterator[Rig]:
    """A rig on the bench in `folder`, which is laid out if there is none; ended properly."""
    home = Home(folder)
    if not home.bench_file.exists():
        lay_out(folder)
    made = Rig(home, clock or SteppedClock(), **options)
    try:
        yield made
    finally:
        made.end()


def slip(panel: str = "A", phase: Phase = "bare") -> Step:
    return Step(test=Test.SLIP, panel=panel, phase=phase)


def gloss(panel: str = "A", phase: Phase = "bare") -> Step:
    return Step(test=Test.GLOSS, panel=panel, phase=phase)


def wash(stage: int = 60, panel: str = "A") -> Step:
    return Step(test=Test.WASH, panel=panel, stage=stage)
