"""A small invented bench with trials in its journal, made the honest way: from bytes to readings.

Hand-made lines of simulated gauges go through a recorder, the live stream, the logger and the journal, with a
clock that stands still. What the tests then find in the journal is what a bench would have written.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random

from acquire.bench import Bench
from acquire.calibration.checks import evaluate_check
from acquire.calibration.references import assigned_value
from acquire.capture import CAPTURE_VERSION
from acquire.capture.taken import Taken
from acquire.home import Home
from acquire.journal import Journal
from acquire.logger import Logger, Source
from acquire.model import Inspection, Model, Phase, Rating, Reading, Step, StreamStart, Test, Trial
from acquire.ports.events import PortEvent
from acquire.recordings import Header, Recorder
from acquire.stream import GaugeStream
from simulators.speech import ForceState, Shown, force_stream_n, gloss_key, wash_stroke
from tests.manual_clock import ManualClock
from tests.scoring_kit import SHIPPED

RATE_HZ = 100
LINES_PER_CHUNK = 5
PULLS_N = 3
GLOSSES_N = 3

BENCH = """
format = "panelwright-bench 1"
name = "Test bench (invented)"
time_zone = "UTC"

[place]
latitude_deg = 52.0
height_m = 80.0

[gauges.force]
description = "force-stream-n"
port = "tcp://127.0.0.1:1"
tolerance = { absolute = 0.03 }

[gauges.gloss]
description = "gloss-key"
port = "tcp://127.0.0.1:2"
tolerance = { absolute = 1.0 }

[gauges.wash]
description = "wash-stroke"
port = "tcp://127.0.0.1:3"
tolerance = { absolute = 0.5 }

[references.weight-200g]
kind = "weight"
mass_g = 200.0
expanded_uncertainty = 0.01
certificate = "W-1 (invented)"
due = 2031-12-31
"""


def method_text() -> str:
    """The shipped method with fewer readings, so that tests stay quick."""
    text = SHIPPED.replace("pulls = 6 ", f"pulls = {PULLS_N} ").replace(
        "readings = 8 ", f"readings = {GLOSSES_N} "
    )
    assert text.count(f"pulls = {PULLS_N} ") == 1
    assert text.count(f"readings = {GLOSSES_N} ") == 1
    return text


def pull_lines(break_n: float, seed: str, *, over: bool = False) -> list[bytes]:
    """One pull as a 100 Hz gauge tells it: rest, rise, break, sliding at 8/10 of it, release, rest."""
    chance = Random(seed)
    rise = [break_n * i / 90 for i in range(91)]
    slide = [0.8 * break_n] * 90
    release = [0.8 * break_n * (1 - i / 12) for i in range(1, 13)]
    level = [0.0] * 120 + rise + slide + release + [0.0] * 60
    shown = [Shown(value + chance.gauss(0.0, 0.006)) for value in level]
    if over:
        shown[205:210] = [Shown(500.0, overload=True)] * 5
    return [force_stream_n(one, ForceState()) for one in shown]


@dataclass
class Tape:
    """One recording being made, with the stream that goes through it live."""

    made: "MadeBench"
    gauge: str
    recorder: Recorder
    stream: GaugeStream
    taken: list[Taken] = field(default_factory=list)

    @property
    def source(self) -> Source:
        return Source(self.recorder.path.name, self.recorder.start_utc)

    def say(self, lines: Sequence[bytes], *, every_s: float, per_chunk: int = 1) -> list[Taken]:
        """The gauge sends lines; returns what capture found in them."""
        found: list[Taken] = []
        for first in range(0, len(lines), per_chunk):
            group = lines[first : first + per_chunk]
            self.made.clock.move(every_s * len(group))
            t_us = self.recorder.now_us()
            self.recorder.chunk(b"".join(group), t_us)
            event = PortEvent(self.gauge, "chunk", t_us, self.recorder.utc_at(t_us), b"".join(group))
            found += self.stream.take(event)
        self.taken += found
        return found

    def log(self, found: Sequence[Taken], trial: str, step: Step, *, asked: int = 99) -> list[Reading]:
        """Logs what was found; what comes behind `asked` accepted ones is an extra."""
        logged: list[Reading] = []
        for taken in found:
            if taken.verdict == "refused":
                self.made.logger.refuse(
                    taken,
                    source=self.source,
                    gauge=self.gauge,
                    sync_recording=self.recorder.sync,
                    trial=trial,
                    step=step,
                )
                continue
            logged.append(
                self.made.logger.log(
                    taken,
                    source=self.source,
                    gauge=self.gauge,
                    trial=trial,
                    step=step,
                    sync_recording=self.recorder.sync,
                    extra=len(logged) >= asked,
                )
            )
        return logged


class MadeBench:
    """A bench under `folder` with an open journal; close it, or use `with`."""

    def __init__(self, folder: Path, *, scenario: str | None = "simulated, invented") -> None:
        self.home = Home(folder)
        self.home.create()
        self.home.bench_file.write_text(BENCH, encoding="utf-8")
        self.home.method_file.write_text(method_text(), encoding="utf-8")
        self.clock = ManualClock()
        self.scenario = scenario
        self.bench: Bench = self.home.bench()
        self.journal: Journal = self.home.journal()
        self.logger = Logger(self.journal, self.bench, self.clock, lambda _: None)
        self._tapes_n = 0

    def __enter__(self) -> "MadeBench":
        return self

    def __exit__(self, *_: object) -> None:
        self.journal.close()

    def reopen(self) -> None:
        """Reads the bench file again, as a program that is started anew does."""
        self.bench = self.home.bench()
        self.logger = Logger(self.journal, self.bench, self.clock, lambda _: None)

    def write(self, kind: str, body: Model, event_id: str | None = None) -> None:
        """Appends an event as the service would."""
        self.journal.append(
            kind, body, t_utc=self.clock.utc(), t_mono_ns=self.clock.monotonic_ns(), event_id=event_id
        )

    @contextmanager
    def tape(self, gauge: str, capture: dict[str, float | None] | None = None) -> Iterator[Tape]:
        """A new recording of one gauge, announced in the journal.

        Args:
            capture: settings of a force gauge that are chosen; None: what most tests need.
        """
        self._tapes_n += 1
        description = self.home.description(self.bench.gauge(gauge).description)
        name = f"{gauge}-{self._tapes_n:03d}.rec"
        header = Header(
            driver=description.name,
            description_sha256=description.sha256,
            device=gauge,
            scenario=self.scenario,
        )
        if capture is None:
            capture = {"max_pull_s": 30.0} if gauge == "force" else {}
        with Recorder(self.home.recordings / name, header, self.clock) as recorder:
            self.write(
                "stream",
                StreamStart(
                    recording=name,
                    gauge=gauge,
                    description=description.name,
                    description_text=description.text,
                    description_sha256=description.sha256,
                    capture=capture,
                    capture_version=CAPTURE_VERSION,
                    t_utc=recorder.start_utc,
                ),
            )
            tape = Tape(self, gauge, recorder, GaugeStream(description, capture))
            tape.stream.take(PortEvent(gauge, "open", 0, recorder.start_utc))
            recorder.mark("open", "", 0)
            # A stream may begin inside a line: the first one is not looked at.
            if gauge == "force":
                tape.say([b"00.00\r\n"], every_s=0.01)
            yield tape

    def begin(
        self, trial: str, product: str, *, panels: Sequence[str] = ("A",), control: bool = False
    ) -> Trial:
        """Begins a trial."""
        begun = Trial(
            id=trial, product=product, panels=tuple(panels), control=control, t_utc=self.clock.utc()
        )
        self.write("trial", begun, f"trial.{trial}")
        return begun

    def check_force(self, off_n: float = 0.0) -> None:
        """Checks the force gauge on the 200 g weight; beyond 0.03 N it fails."""
        assigned = assigned_value(self.bench, "weight-200g")
        self.clock.move(60)
        check = evaluate_check(
            "force",
            assigned,
            [round(assigned.value + off_n, 2)] * 3,
            unit="N",
            resolution=0.01,
            tolerance=self.bench.gauge("force").tolerance,
            t_utc=self.clock.utc(),
        )
        self.logger.record_check(check, sync_recording=lambda: None)

    def slip(
        self, trial: str, panel: str, phase: Phase, breaks_n: Sequence[float], *, refused: int = 0
    ) -> None:
        """Pulls, the first `refused` of them beyond the gauge's range."""
        step = Step(test=Test.SLIP, panel=panel, phase=phase)
        with self.tape("force") as tape:
            over = [
                line
                for i in range(refused)
                for line in pull_lines(breaks_n[0], f"{step} over {i}", over=True)
            ]
            good = [line for i, one in enumerate(breaks_n) for line in pull_lines(one, f"{trial} {step} {i}")]
            found = tape.say(over + good, every_s=1 / RATE_HZ, per_chunk=LINES_PER_CHUNK)
            tape.log(found, trial, step, asked=PULLS_N)

    def gloss(self, trial: str, panel: str, phase: Phase, values_gu: Sequence[float]) -> None:
        """Key presses at 60 degrees."""
        with self.tape("gloss") as tape:
            found = tape.say([gloss_key(60, value) for value in values_gu], every_s=2.0)
            tape.log(found, trial, Step(test=Test.GLOSS, panel=panel, phase=phase), asked=GLOSSES_N)

    def wash(
        self,
        trial: str,
        panel: str,
        stage: int,
        strokes: int,
        *,
        passed: bool,
        run: int = 10,
        ask: bool = True,
    ) -> None:
        """Strokes, one reading for each `run` of them, then the answer unless nobody asks."""
        step = Step(test=Test.WASH, panel=panel, stage=stage)
        with self.tape("wash") as tape:
            found = tape.say([wash_stroke(i + 1) for i in range(strokes)], every_s=1.7)
            before = 0.0
            for last in found[run - 1 :: run]:
                details = {**last.details, "from_total": before, "total": last.value}
                reading = replace(last, value=last.value - before, details=details)
                before = last.value
                tape.log([reading], trial, step)
        if ask:
            self.inspect(trial, panel, stage, strokes, passed=passed)

    def inspect(self, trial: str, panel: str, stage: int, strokes: int, *, passed: bool) -> None:
        """A person's answer at a wash stage."""
        self.write(
            "inspection",
            Inspection(
                id=f"inspection.{trial}.{panel}.{stage}",
                trial=trial,
                panel=panel,
                stage=stage,
                strokes=strokes,
                passed=passed,
                t_utc=self.clock.utc(),
            ),
            f"inspection.{trial}.{panel}.{stage}",
        )

    def rate(self, trial: str, test: Test, panel: str, value: float, event_id: str) -> None:
        """A person's judgement."""
        rating = Rating(
            id=event_id,
            trial=trial,
            step=Step(test=test, panel=panel),
            value=value,
            t_utc=self.clock.utc(),
        )
        self.write("rating", rating, event_id)
