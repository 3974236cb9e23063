"""From a recording on disk to samples or items: finds the gauge's description and runs the bytes through."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import config
from acquire.capture.pulls import usable_force
from acquire.capture.taken import Taken
from acquire.clock import Clock
from acquire.errors import ConfigError, RecordingError
from acquire.ports.events import PortEvent, replay_events
from acquire.recordings import Header, Line, read_columns, read_header
from acquire.stream import GaugeStream
from drivers.description import DescriptionError, GaugeDescription, load_description

Floats = NDArray[np.float64]
Times = NDArray[np.int64]


def description_named(name: str, folder: Path) -> GaugeDescription:
    """The description `name`.toml in `folder`.

    Raises:
        ConfigError: there is none, or it is faulty.
    """
    path = folder / f"{name}.toml"
    if not path.exists():
        known = ", ".join(sorted(found.stem for found in folder.glob("*.toml"))) or "none"
        raise ConfigError(f"no gauge description {name!r} in {folder}", hint=f"there are: {known}")
    try:
        return load_description(path)
    except DescriptionError as error:
        raise ConfigError(str(error), hint="mend the file and try again") from error


def description_for(recording: Path, gauge: Path | None = None) -> GaugeDescription:
    """The description a recording was made with: `gauge` if given, else the shipped one its header names.

    Raises:
        ConfigError: there is none of that name.
        RecordingError: it is not the one the recording was made with.
    """
    header = read_header(recording)
    if gauge is not None:
        description = description_named(gauge.stem, gauge.parent)
    else:
        description = description_named(header.driver, config.FOLDER / "gauges")
    must_match(recording, header, description)
    return description


def must_match(recording: Path, header: Header, description: GaugeDescription) -> None:
    """Raises RecordingError unless `recording` was made with this very description."""
    wanted = header.description_sha256
    if wanted is not None and wanted != description.sha256:
        raise RecordingError(
            f"{recording}: made with another version of the description {header.driver!r} "
            f"(its hash begins {wanted[:12]}, this one's {description.sha256[:12]})",
            hint="give the one it was made with: --gauge FILE.toml",
        )


def replay(
    path: Path, stream: GaugeStream, *, pace: float = 0.0, clock: Clock | None = None
) -> Iterator[Taken]:
    """Runs a recording through `stream`, as fast as possible or at `pace` times real time.

    Raises:
        RecordingError: the recording is damaged, or holds a request the gauge's description does not send.
    """
    if pace > 0:
        if clock is None:
            raise ValueError("a paced replay needs a clock")
        start_ns = clock.monotonic_ns()
        for event in replay_events(path):
            due_ns = start_ns + int(event.t_us * 1000 / pace)
            clock.sleep(max(0.0, (due_ns - clock.monotonic_ns()) / 1e9))
            yield from stream.take(event)
    else:
        for block in run_through(path, stream):
            yield from block.taken
    yield from stream.finish()


@dataclass(frozen=True, slots=True)
class Block:
    """A part of a recording that went through a stream: many chunks at once, or one other line."""

    taken: list[Taken]
    line: Line | None
    """What was not a chunk; None after chunks, when `stream.latest` holds their samples."""
    t_us: int
    """When it ended."""


def run_through(path: Path, stream: GaugeStream) -> Iterator[Block]:
    """Runs a recording through `stream` as fast as possible, and stops after each part of it.

    Raises:
        RecordingError: the recording is damaged, or holds a request the gauge's description does not send.
    """
    blocks = read_columns(path)
    start_utc = blocks.header.start_utc
    assert start_utc is not None  # a header read from a file always has one
    for columns in blocks:
        if len(columns.data):
            taken = stream.take_chunks(columns.data, columns.t_us, columns.ends)
            yield Block(taken, None, int(columns.t_us[-1]))
        line = columns.control
        if line is not None:
            event = PortEvent("", line.kind, line.t_us, start_utc, line.data, line.note)
            yield Block(stream.take(event), line, line.t_us)


def latest_force(stream: GaugeStream) -> tuple[Times, Floats]:
    """The samples of the chunks that went through last, those without a usable force left out.

    Returns:
        Their times in µs and forces in N, shape (n,) each.
    """
    if stream.latest is None or not len(stream.latest):
        return np.empty(0, dtype=np.int64), np.empty(0)
    force_n, usable = usable_force(stream.latest, stream.full_scale_n)
    return stream.latest_t_us[usable], force_n[usable]


def recorded_force(path: Path, gauge: Path | None = None) -> tuple[Floats, Floats, tuple[int, ...]]:
    """The force samples of a recording: times in s, forces in N, indices where the port was lost.

    Raises:
        ConfigError, RecordingError: as `description_for`; also if it is not a force gauge's recording.
    """
    description = description_for(path, gauge)
    if description.quantity != "force":
        raise RecordingError(
            f"{path}: recorded from a gauge for {description.quantity}, not for force",
            hint="panelwright replay shows its readings",
        )
    stream = GaugeStream(description)
    times: list[Times] = []
    forces: list[Floats] = []
    breaks: list[int] = []
    count = 0
    for block in run_through(path, stream):
        if block.line is None:
            t_us, force_n = latest_force(stream)
            times.append(t_us)
            forces.append(force_n)
            count += len(t_us)
        elif block.line.kind == "lost" and count:
            breaks.append(count)
    if count < 2:
        raise RecordingError(f"{path}: fewer than two force samples in it", hint="was the gauge switched on?")
    t = np.asarray(np.concatenate(times) * 1e-6, dtype=np.float64)
    return t, np.concatenate(forces), tuple(at for at in sorted(set(breaks)) if at < count)
