"""Plays recordings for `panelwright replay`: each item as it is taken, then how it compares."""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any

from acquire.capture.taken import Taken
from acquire.clock import SystemClock
from acquire.journal import Journal
from acquire.sources import description_for, replay
from acquire.stream import GaugeStream
from acquire.verification import Tally, verify_recording

Echo = Callable[[str], object]


@dataclass(slots=True)
class Played:
    """One recording and what came out of it; `tally` is None where there was nothing to compare with."""

    path: Path
    streams: list[GaugeStream] = field(default_factory=list)
    """One for each gauge on the recorded line."""
    taken: list[Taken] = field(default_factory=list)
    tally: Tally | None = None

    @property
    def same(self) -> bool:
        return self.tally is None or not self.tally.faults

    def data(self) -> dict[str, Any]:
        """As JSON shows it."""
        return {
            "recording": str(self.path),
            "descriptions": [stream.description.name for stream in self.streams],
            "samples": sum(stream.samples for stream in self.streams),
            "damaged_frames": sum(stream.damaged for stream in self.streams),
            "items": [asdict(taken) for taken in self.taken],
            "journal": None
            if self.tally is None
            else {
                "readings": self.tally.readings_n,
                "refusals": self.tally.refusals_n,
                "same": self.same,
                "faults": [fault.what for fault in self.tally.faults],
            },
        }


class Player:
    """Plays recordings, by the journal's settings where it knows them.

    Args:
        journal: what to compare with, if anything.
        gauge: the description of recordings that the journal does not know.
        pace: times real time; 0 for as fast as possible.
        echo: prints a line; None keeps still.
    """

    def __init__(self, journal: Journal | None, gauge: Path | None, pace: float, echo: Echo | None) -> None:
        self._journal, self._gauge, self._pace = journal, gauge, pace
        self._echo: Echo = echo or (lambda _: None)

    def play(self, path: Path) -> Played:
        """Plays one recording.

        Raises:
            RecordingError: it is damaged, or was made with another description.
            ConfigError: its description is not known.
        """
        played = Played(path)

        def run(path: Path, stream: GaugeStream) -> Iterator[Taken]:
            played.streams.append(stream)
            if stream.places > 1:
                self._echo(f"  gauge {stream.place + 1} of {stream.places}: {stream.description.title}")
            for taken in replay(path, stream, pace=self._pace, clock=SystemClock()):
                played.taken.append(taken)
                self._echo(_line(taken))
                yield taken

        self._echo(f"{path}:")
        if self._gauge is not None:
            description_for(path, self._gauge)  # refuses one that the recording was not made with
        if self._journal is not None:
            played.tally = verify_recording(self._journal, path, run)
        if played.tally is None:
            for _ in run(path, GaugeStream(description_for(path, self._gauge))):
                pass
        self._sum_up(played)
        return played

    def _sum_up(self, played: Played) -> None:
        data, tally = played.data(), played.tally
        refused_n = sum(taken.verdict == "refused" for taken in played.taken)
        if played.streams:
            self._echo(
                f"  {len(played.taken) - refused_n} accepted, {refused_n} refused, from {data['samples']} "
                f"samples; {data['damaged_frames']} damaged lines"
            )
        if tally is None:
            if self._journal is not None:
                self._echo("  the journal does not tell of this recording: nothing to compare with")
            return
        compared = f"{tally.readings_n} readings and {tally.refusals_n} refusals"
        if played.same:
            self._echo(f"  {compared}, all the same as in the journal")
            return
        self._echo(f"  {compared} in the journal, and {len(tally.faults)} thing(s) wrong:")
        for fault in tally.faults:
            self._echo(f"    {fault}")


def _line(taken: Taken) -> str:
    unit = "strokes" if taken.unit == "1" else taken.unit
    value = f"{taken.value:.5g} {unit}" if isfinite(taken.value) else "no number"
    opening = f" of opening {taken.opening}" if taken.opening else ""
    where = f"bytes {taken.first_byte} to {taken.last_byte}{opening}"
    line = f"{taken.t_us / 1e6:12.3f} s  {taken.verdict}  {value:<12}  {where}"
    return line + "".join(f"\n{'':16}{reason}" for reason in taken.reasons)
