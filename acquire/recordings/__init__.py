"""Recordings: what one port received and sent, with times, as lines of text that can be replayed.

    # format: panelwright-rec 1        header, one `# key: value` a line
    # driver: force-stream-n
    # start-utc: 2031-05-04T08:00:00.000000Z
    +0.000000 ! open                   seconds since the start; ! open | lost | closed, and why
    +0.012345 > 44 0D                  sent
    +0.051002 < 2B 31 32 2E 34         received, cut where the operating system cut it

`Recorder` writes them, `read_recording` reads them line by line, `read_columns` in bulk; both readers
accept and refuse the same files and give the same content.
"""

from acquire.recordings.columns import ColumnBlocks, Columns, read_columns
from acquire.recordings.format import Header, Line, LineKind
from acquire.recordings.reader import Lines, read_header, read_recording
from acquire.recordings.recorder import Recorder

__all__ = [
    "ColumnBlocks",
    "Columns",
    "Header",
    "Line",
    "LineKind",
    "Lines",
    "Recorder",
    "read_columns",
    "read_header",
    "read_recording",
]
