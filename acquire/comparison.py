"""What a recording gives, held against what the journal says it gave."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from pathlib import Path
from typing import Any

from acquire.capture.taken import Taken
from acquire.model import Details, Reading, Refusal, StreamStart
from acquire.ports.events import replay_events

Item = Reading | Refusal


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that does not hold."""

    what: str
    """One sentence for a person, naming recording, reading and difference."""
    recording: str | None = None
    item: str | None = None
    """Id of the reading or refusal, if one is concerned."""

    def __str__(self) -> str:
        return self.what


_Place = tuple[int, int]
"""Opening, and offset behind the last byte: no two items end at the same one."""


class Comparison:
    """Holds what a recording gives against what the journal says it gave.

    Everything but the wording of reasons, which a later version of the program may put more plainly.
    Matched by the bytes they come from, so that an item lost or added does not seem to change all behind it.
    """

    def __init__(self, start: StreamStart, start_utc: datetime, items: Iterable[Item]) -> None:
        self._found: list[tuple[int, Fault]] = []
        self._start = start
        self._start_utc = start_utc
        self._missing: dict[_Place, Item] = {}
        for item in items:
            place = (item.raw.opening, item.raw.last_byte)
            if place in self._missing:
                self._say(item, f"rests on the same bytes as {self._missing[place].id}")
            else:
                self._missing[place] = item
        self._compare_runs(self._missing.values())
        self._ordinals = {item.raw.ordinal for item in self._missing.values()}
        self._elsewhere: dict[int, Taken] = {}
        self._moved: list[tuple[Item, Taken]] = []

    def take(self, taken: Taken) -> None:
        """The next item that the recording gives."""
        item = self._missing.pop((taken.opening, taken.last_byte), None)
        if item is None:
            if taken.ordinal in self._ordinals:
                self._elsewhere[taken.ordinal] = taken
            return
        if item.raw.ordinal != taken.ordinal:
            self._moved.append((item, taken))
        self._compare(item, taken)

    @property
    def faults(self) -> list[Fault]:
        """What was found so far, in the order of the items: a cause comes before its consequences."""
        return [fault for _, fault in sorted(self._found, key=lambda found: found[0])]

    @property
    def waiting(self) -> list[Item]:
        """Items that the recording has not given so far."""
        return list(self._missing.values())

    def finish(self, path: Path) -> None:
        """All of the recording, at `path`, was seen: says of every item still waiting what became of it."""
        received = _received(path) if self._missing else []
        for (opening, last_byte), item in self._missing.items():
            held = received[opening] if opening < len(received) else 0
            where = f"rests on bytes {item.raw.first_byte} to {last_byte} of opening {opening}"
            taken = self._elsewhere.get(item.raw.ordinal)
            if held < last_byte:
                self._say(item, f"{where}, but the recording was shortened: it holds only {held} there")
            elif taken is None:
                self._say(item, f"{where}, and the recording no longer gives anything there")
            else:
                self._compare(item, taken)
        if self._moved:
            item, taken = self._moved[0]
            more_n = len(self._moved) - 1
            others = f", and so {'was' if more_n == 1 else 'were'} {more_n} more" if more_n else ""
            self._say(
                item,
                f"was item {item.raw.ordinal} and is item {taken.ordinal} now{others}: something before it "
                "was lost or added",
            )

    def _compare(self, item: Item, taken: Taken) -> None:
        says = _said_by_journal(item)
        gives = _given_by(taken, item, self._start, self._start_utc)
        differences = [
            f"{name} is {_shown(says.get(name))} in the journal, {_shown(gives.get(name))} by the recording"
            for name in says | gives
            if name not in says or name not in gives or says[name] != gives[name]
        ]
        if differences:
            more = f" (and {len(differences) - 3} more differences)" if len(differences) > 3 else ""
            self._say(item, "; ".join(differences[:3]) + more)

    def _compare_runs(self, items: Iterable[Item]) -> None:
        """Readings of strokes follow each other on one count; where two overlap, strokes count twice."""
        ahead: tuple[float, Item] | None = None
        for item in sorted(items, key=lambda one: one.raw.ordinal):
            began, ended = item.details.get("from_total"), item.details.get("total")
            if not (_of_run(item) and isinstance(began, int | float) and isinstance(ended, int | float)):
                continue
            if ahead is not None and began < ahead[0]:
                twice = min(ended, ahead[0]) - began
                self._say(
                    item,
                    f"counts the strokes from {began:g} to {ended:g}, but {ahead[1].id} counts those up to "
                    f"{ahead[0]:g}: {twice:g} would count twice",
                )
            if ahead is None or ended > ahead[0]:
                ahead = ended, item

    def _say(self, item: Item, what: str) -> None:
        kind = "reading" if isinstance(item, Reading) else "refusal"
        step = f" ({item.trial}, {item.step})" if item.trial and item.step else ""
        text = f"{self._start.recording}: {kind} {item.id}{step}: {what}"
        self._found.append((item.raw.ordinal, Fault(text, self._start.recording, item.id)))


def _said_by_journal(item: Item) -> dict[str, Any]:
    accepted = isinstance(item, Reading)
    fields: dict[str, Any] = {
        "id": item.id,
        "verdict": "accepted" if accepted else "refused",
        "quantity": item.quantity,
        "value": item.value,
        "unit": item.unit,
        "gauge": item.gauge,
        "time": item.t_utc,
        "time_ns": item.t_mono_ns,
        "first_byte": item.raw.first_byte,
        "last_byte": item.raw.last_byte,
        "opening": item.raw.opening,
    }
    if isinstance(item, Reading):
        fields |= {"resolution": item.resolution, "under_read": item.under_read}
    if _of_run(item):
        fields["total"] = item.details.get("total")
    else:
        fields |= _named(item.details)
    return fields


def _given_by(taken: Taken, item: Item, start: StreamStart, start_utc: datetime) -> dict[str, Any]:
    value: float | None = taken.value
    fields: dict[str, Any] = {}
    if _of_run(item):
        # A reading of strokes spans many items: from the total it began at to the total of its last one.
        before = item.details.get("from_total")
        fields["total"] = taken.value
        value = taken.value - before if isinstance(before, int | float) else None
    else:
        fields |= _named(taken.details)
        value = taken.value if isfinite(taken.value) or taken.verdict == "accepted" else None
    fields |= {
        # The id is compared as the journal spells it; a moved item is reported apart.
        "id": f"{start.recording}#{item.raw.ordinal}",
        "verdict": taken.verdict,
        "quantity": taken.quantity,
        "value": value,
        "unit": taken.unit,
        "gauge": start.gauge,
        "time": start_utc + timedelta(microseconds=taken.t_us),
        "time_ns": taken.t_us * 1000,
        "first_byte": taken.first_byte,
        "last_byte": taken.last_byte,
        "opening": taken.opening,
    }
    if isinstance(item, Reading):
        fields |= {"resolution": taken.resolution, "under_read": taken.under_read}
    return fields


def _of_run(item: Item) -> bool:
    return isinstance(item, Reading) and item.quantity == "count"


def _named(details: Details) -> dict[str, Any]:
    """As the journal keeps them: what has no number is null."""
    return {
        f"details.{key}": None if isinstance(value, float) and not isfinite(value) else value
        for key, value in details.items()
    }


def _shown(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    return "absent" if value is None else repr(value)


def _received(path: Path) -> list[int]:
    """How many bytes the recording holds of each opening."""
    received: list[int] = []
    for event in replay_events(path):
        if event.kind == "open":
            received.append(0)
        elif event.kind == "chunk":
            if not received:
                received.append(0)
            received[-1] += len(event.data)
    return received
