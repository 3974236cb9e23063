"""What is known of the gauges: checks and incidents in the order of the journal.

Order counts, not the clock: a failed check stays the newest one even if somebody set the computer's clock
back afterwards.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from acquire.calibration.checks import Check
from acquire.model import Details, Model

IncidentKind = Literal[
    "re-plug", "drop", "battery change", "battery low", "adjustment", "port", "trouble", "other"
]


class Incident(Model):
    """Something happened to a gauge that a person should know of: re-plugged, dropped, adjusted."""

    gauge: str
    t_utc: datetime
    what: str
    """Completes "the gauge was …"."""
    needs_check: bool
    """Checks made before it no longer count as proof."""
    kind: IncidentKind = "other"
    by: str = ""
    """Who said so; empty for the program."""


@dataclass(frozen=True, slots=True)
class Known:
    """One event of a gauge's history: its place in the journal, its id, what it says."""

    seq: int
    id: str
    fact: Check | Incident


Checked = tuple[Known, Check]
"""A check with its place in the journal."""


def channel_of(details: Details) -> str | None:
    """The angle of a gloss value, from what capture noted; None where the gauge has no channels."""
    channel = details.get("channel")
    return None if channel is None else str(channel)


def own_of(history: Iterable[Known], gauge: str, channel: str | None) -> list[Known]:
    """What concerns one gauge: its incidents, and its checks at that angle."""
    return [known for known in history if _concerns(known.fact, gauge, channel)]


def _concerns(fact: Check | Incident, gauge: str, channel: str | None) -> bool:
    return fact.gauge == gauge and (isinstance(fact, Incident) or fact.channel == channel)


def checks_of(own: Iterable[Known]) -> Iterator[Checked]:
    """All checks, whatever came of them."""
    for known in own:
        if isinstance(known.fact, Check):
            yield known, known.fact


def decided(own: Iterable[Known]) -> Iterator[Checked]:
    """Checks that passed or failed."""
    return (pair for pair in checks_of(own) if pair[1].verdict != "undecided")


def covers(check: Check, other: Check) -> bool:
    """Whether a check was made against all the references of another one."""
    return set(other.references) <= set(check.references)


def needs_check(known: Known) -> bool:
    """Whether it took the proof from the checks before it."""
    return isinstance(known.fact, Incident) and known.fact.needs_check
