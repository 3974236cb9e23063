"""What the bench tells the person at it. Nothing is told before it is on disk."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from acquire.calibration.checks import Check
from acquire.model import Amendment, Reading, Refusal

NoteKind = Literal[
    "reading",  # taken for the step
    "extra",  # good, but beyond what the step asks for, or by a gauge that the method does not let count
    "refused",  # found, and not accepted
    "strokes",  # the count so far
    "full",  # the step has all it asks for
    "check",  # a gauge was checked
    "amended",  # an outlier was flagged, readings were put in doubt
    "waiting",  # what a person should do now
    "port",  # opened
    "climate",  # the room, or what else surrounds the tests
    "lost",  # unplugged, silent, busy
    "trouble",  # its port is fine, but what it sends is not
]


@dataclass(frozen=True, slots=True)
class Note:
    """One thing to tell, in words and as data."""

    kind: NoteKind
    text: str
    gauge: str = ""
    about: Reading | Refusal | Check | Amendment | None = None
    progress: tuple[int, int] | None = None
    """How many are taken, of how many, where that has changed."""


Tell = Callable[[Note], None]
