"""What a port tells the rest of the house, live or out of a recording."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from acquire.recordings import LineKind, read_recording


@dataclass(frozen=True, slots=True)
class PortEvent:
    """Something that happened at a port, exactly as it stands in the recording.

    `t_us` counts microseconds from the start of the recording (for a chunk: when its last byte had been
    read). `data` belongs to chunk and sent; `note` says in plain words what was opened or why it was lost.
    """

    gauge: str
    kind: LineKind
    t_us: int
    t_utc: datetime
    data: bytes = b""
    note: str = ""


def replay_events(path: Path, gauge: str | None = None) -> Iterator[PortEvent]:
    """The events of a recording, equal to those delivered while it was made.

    Args:
        path: the recording.
        gauge: name to put on the events; by default the header's device, or else its driver.

    Raises:
        RecordingError: the header is damaged; iterating raises it at the first damaged line.
    """
    header, lines = read_recording(path)
    start_utc = header.start_utc
    assert start_utc is not None  # a header read from a file always has one
    name = gauge or header.device or header.driver
    return (
        PortEvent(
            name, line.kind, line.t_us, start_utc + timedelta(microseconds=line.t_us), line.data, line.note
        )
        for line in lines
    )
