"""The readings of a journal, had their recordings been captured by another method's rules.

    recordings ──another method's rules──> values ──their bytes──> readings and refusals of the journal
                                                                        │
                                       what came out otherwise <────────┘

Nothing is written, and only what came out otherwise is held. Which step a value belongs to is only known from
the journal: a reading that is refused now falls away, a refusal that is accepted now counts for the step it
was refused for, and a value where the journal has neither is told and counts for nothing. Checks stand as
they were evaluated.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from acquire.admitted import Admission
from acquire.archive import Share
from acquire.bench import Bench
from acquire.capture.taken import Taken
from acquire.capture_rules import Settings, chosen_anew
from acquire.errors import PanelwrightError, RecordingError
from acquire.facts import bodies
from acquire.facts import facts as events_of
from acquire.journal import Journal
from acquire.logger import Source, TimeSource, place_of, plain_details
from acquire.matching import Among, Item, Match, match
from acquire.model import CalibrationState, Model, Reading, Refusal, Stamp, Step, StreamStart, Test
from acquire.recordings import read_header
from acquire.scoring.method import LocalGravity, Method
from acquire.scoring.selection import left_out_by_stamp, wanted
from acquire.sources import must_match, replay
from acquire.stream import GaugeStream
from drivers.description import DescriptionError, parse_description

What = Literal["now accepted", "now refused", "no longer found", "other value", "found anew"]

_MODELS: dict[str, type[Reading] | type[Refusal]] = {"reading": Reading, "refusal": Refusal}
_RECORDING = re.compile(r'"recording":"((?:[^"\\]|\\.)*)"')
_UNSTAMPED = Stamp(state=CalibrationState.UNCHECKED, reason="not stamped yet")


class Difference(Model):
    """One value that came out otherwise than the journal has it."""

    what: What
    recording: str
    id: str
    """Of the reading or refusal; of a value found anew, its place in the recording."""
    trial: str
    step: Step
    unit: str
    old: float | None
    new: float | None
    reasons: tuple[str, ...] = ()
    """Why it is, or was, refused."""


@dataclass(frozen=True, slots=True)
class Anew:
    """Makes what a trial gave into what it would have given."""

    updates: Mapping[str, Mapping[str, object]]
    """Fields of readings that came out otherwise, by id."""
    gone: frozenset[str]
    """Ids of readings that are none."""
    added: Mapping[str, tuple[Reading, ...]]
    """Readings that were refused, by trial."""
    steps: frozenset[tuple[str, Step]]
    """Where readings came or went, so that which are extras is to be told again."""
    method: Method

    def __call__(self, share: Share) -> Share:
        trial = share.trial.id
        kept = [
            one.model_copy(update=self.updates.get(one.id)) if one.id in self.updates else one
            for one in share.readings
            if one.id not in self.gone
        ]
        touched = {step for name, step in self.steps if name == trial}
        if not touched:
            return replace(share, readings=kept)
        every = [*kept, *self.added.get(trial, ())]
        readings = [one for one in every if one.step not in touched]
        for step in touched:
            readings += _extras_anew([one for one in every if one.step == step], self.method)
        return replace(share, readings=readings)


@dataclass(slots=True)
class Recaptured:
    """What another capture gives."""

    method: Method
    recordings_n: int = 0
    """How many were gone through."""
    readings_n: int = 0
    differences: list[Difference] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    """Recordings that could not be gone through; what rests on them stands as it was."""
    updates: dict[str, Mapping[str, object]] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)
    added: dict[str, list[Reading]] = field(default_factory=dict)
    steps: set[tuple[str, Step]] = field(default_factory=set)

    def add(self, other: "Recaptured") -> None:
        """Takes over what was found in another recording."""
        self.recordings_n += other.recordings_n
        self.readings_n += other.readings_n
        self.differences += other.differences
        self.updates |= other.updates
        self.gone |= other.gone
        self.steps |= other.steps
        for trial, readings in other.added.items():
            self.added.setdefault(trial, []).extend(readings)

    @property
    def anew(self) -> Anew:
        added = {trial: tuple(readings) for trial, readings in self.added.items()}
        return Anew(self.updates, frozenset(self.gone), added, frozenset(self.steps), self.method)


def recapture(
    journal: Journal,
    recordings: Path,
    bench: Bench,
    method: Method,
    *,
    watch: Callable[[str], None] | None = None,
) -> Recaptured:
    """Goes through every recording that readings or refusals of a trial rest on, one at a time.

    Args:
        recordings: the folder they are in.
        bench: for local gravity, and for the rules of gauges where the journal does not keep its file.
        watch: told the name of each recording before it is gone through.

    Raises:
        JournalError: the journal cannot be read.
    """
    found = Recaptured(method)
    spans = _spans(journal)
    admission = Admission(journal, bench)
    for _, start in events_of(journal, "stream", StreamStart):
        items = list(_items(journal, start, spans.get(start.recording)))
        if not items:
            continue
        if watch is not None:
            watch(start.recording)
        path = recordings / start.recording
        try:
            again = _Again(start, path, items, method, bench.gravity(), admission)
            found.add(again.go_through())
        except PanelwrightError as error:
            found.problems.append(str(error).replace(str(path), start.recording))
    return found


def _spans(journal: Journal) -> dict[str, tuple[int, int]]:
    """Numbers of the first and the last event that rests on each recording."""
    spans: dict[str, tuple[int, int]] = {}
    for kind in _MODELS:
        for seq, text in journal.bodies(kind):
            name = _RECORDING.search(text)
            if name is not None:
                first, last = spans.get(name[1], (seq, seq))
                spans[name[1]] = min(first, seq), max(last, seq)
    return spans


def _items(journal: Journal, start: StreamStart, span: tuple[int, int] | None) -> Iterator[tuple[int, Item]]:
    """Readings and refusals of one gauge in a recording, with their places in the journal."""
    if span is None:
        return

    def rests_on_it(text: str) -> bool:
        name = _RECORDING.search(text)
        return name is not None and name[1] == start.recording

    for kind, model in _MODELS.items():
        for seq, item in bodies(journal.as_of(span[1]), kind, model, since=span[0] - 1, only=rests_on_it):
            # Gauges on one line share a recording and number their items in turn.
            if item.raw.ordinal % start.places == start.place:
                yield seq, item


class _Again:
    """One gauge's part in a recording, captured anew.

    Raises:
        PanelwrightError: recording or description cannot be used.
    """

    def __init__(
        self,
        start: StreamStart,
        path: Path,
        items: Sequence[tuple[int, Item]],
        method: Method,
        gravity: LocalGravity,
        admission: Admission,
    ) -> None:
        self._start, self._path, self._admission = start, path, admission
        self._items = [item for _, item in items]
        self._seq = {item.id: seq for seq, item in items}
        if not path.is_file():
            raise RecordingError(f"{path.name}: the recording is missing from {path.parent.name}/")
        try:
            self._description = parse_description(start.description_text.encode(), start.description)
        except DescriptionError as error:
            what = f"{path.name}: its gauge description {start.description!r} cannot be used"
            raise RecordingError(f"{what}: {error.faults[0]}") from error
        header = read_header(path)
        must_match(path, header, self._description)
        assert header.start_utc is not None  # a header read from a file always has one
        self._source = Source(path.name, header.start_utc)
        self._settings = chosen_anew(start.capture, method, gravity, self._description.quantity)
        self._t_source: TimeSource = "host read"
        self._found = Recaptured(method)

    def go_through(self) -> Recaptured:
        """What came out otherwise.

        Raises:
            PanelwrightError: the recording cannot be gone through to its end.
        """
        stream = self._stream(self._settings)
        self._t_source = stream.t_source
        matches = match(self._items, replay(self._path, stream))
        for one in matches:
            if one.item is not None:
                self._note(one.item, one.taken)
        self._found.differences += self._found_anew(matches)
        self._found.recordings_n = int(self._start.place == 0)
        self._found.readings_n = sum(isinstance(item, Reading) for item in self._items)
        return self._found

    def _stream(self, settings: Settings) -> GaugeStream:
        start = self._start
        return GaugeStream(self._description, settings, place=start.place, places=start.places)

    def _note(self, item: Item, taken: Taken | None) -> None:
        if item.trial is None or item.step is None:
            return
        if isinstance(item, Refusal):
            if taken is not None and taken.verdict == "accepted":
                self._admit(item, taken)
        elif taken is None:
            self._drop(item, "no longer found", ())
        elif taken.verdict == "refused":
            self._drop(item, "now refused", taken.reasons)
        else:
            self._compare(item, taken)

    def _drop(self, reading: Reading, what: What, reasons: tuple[str, ...]) -> None:
        self._found.gone.add(reading.id)
        self._found.steps.add((reading.trial, reading.step))
        self._found.differences.append(_difference(what, reading, reading.value, None, reasons))

    def _admit(self, refusal: Refusal, taken: Taken) -> None:
        assert refusal.trial is not None  # who calls has looked
        assert refusal.step is not None
        at, raw = place_of(taken, self._source)
        reading = Reading(
            id=refusal.id,
            trial=refusal.trial,
            step=refusal.step,
            quantity=taken.quantity,
            value=taken.value,
            unit=taken.unit,
            resolution=taken.resolution,
            under_read=taken.under_read,
            gauge=refusal.gauge,
            t_utc=at,
            t_mono_ns=taken.t_us * 1000,
            t_source=self._t_source,
            raw=raw,
            details=plain_details(taken.details),
            stamp=_UNSTAMPED,
        )
        admitted = self._admission.admitted(self._seq[refusal.id], reading)
        self._found.added.setdefault(reading.trial, []).append(admitted)
        self._found.steps.add((reading.trial, reading.step))
        self._found.differences.append(
            _difference("now accepted", refusal, None, taken.value, refusal.reasons)
        )

    def _compare(self, reading: Reading, taken: Taken) -> None:
        came_out = _came_out(reading, taken)
        differing = {name: value for name, value in came_out.items() if getattr(reading, name) != value}
        if not differing:
            return
        value = came_out["value"]
        if reading.correction is not None and "value" in differing:
            now = reading.model_copy(update=differing)
            _, differing["correction"] = self._admission.stamped(self._seq[reading.id], now)
        self._found.updates[reading.id] = differing
        if value != reading.value:
            self._found.differences.append(_difference("other value", reading, reading.value, taken.value))

    def _found_anew(self, matches: Sequence[Match]) -> list[Difference]:
        """Values in the middle of a step where the rules of then found none: nobody said what they are of."""
        among = Among(self._items)
        new = [
            (taken, beside[0])
            for taken in map(_new_value, matches)
            if taken is not None and (beside := among.neighbours(taken)) is not None and _same_step(*beside)
        ]
        if not new:
            return []
        then = replay(self._path, self._stream(dict(self._start.capture)))
        before = {(one.opening, one.last_byte) for one in then}
        return [
            _difference("found anew", beside, None, taken.value).model_copy(
                update={"id": f"bytes {taken.first_byte} to {taken.last_byte} of {self._start.recording}"}
            )
            for taken, beside in new
            if (taken.opening, taken.last_byte) not in before
        ]


def _difference(
    what: What, item: Item, old: float | None, new: float | None, reasons: tuple[str, ...] = ()
) -> Difference:
    assert item.trial is not None  # what belongs to no trial is not looked at
    assert item.step is not None
    return Difference(
        what=what,
        recording=item.raw.recording,
        id=item.id,
        trial=item.trial,
        step=item.step,
        unit=item.unit,
        old=old,
        new=new,
        reasons=reasons,
    )


def _came_out(reading: Reading, taken: Taken) -> dict[str, object]:
    """What of a reading follows from its bytes."""
    if reading.quantity == "count":
        # A reading of strokes spans many values: from the total it began at to that of its last one.
        before = reading.details.get("from_total")
        return {"value": taken.value - before if isinstance(before, int | float) else reading.value}
    return {
        "value": taken.value,
        "under_read": taken.under_read,
        "resolution": taken.resolution,
        "details": plain_details(taken.details),
    }


def _new_value(one: Match) -> Taken | None:
    """What was accepted where the journal has nothing; of strokes, it has only every tenth or so."""
    taken = one.taken
    found = one.item is None and taken is not None and taken.verdict == "accepted"
    return taken if found and taken is not None and taken.quantity != "count" else None


def _same_step(one: Item, other: Item) -> bool:
    return one.trial is not None and (one.trial, one.step) == (other.trial, other.step)


def _extras_anew(readings: list[Reading], method: Method) -> list[Reading]:
    """Readings of one step in the order they were taken, those beyond the number asked for as extras."""
    test = readings[0].step.test if readings else Test.WASH
    if test not in (Test.SLIP, Test.GLOSS, Test.UV):
        return readings
    want = wanted(test, method)
    taken_n = 0
    found = []
    for reading in sorted(readings, key=lambda one: (one.t_utc, one.id)):
        if not isinstance(want.value_of(reading), str):
            reading = reading.model_copy(update={"extra": taken_n >= want.asked})
            counts = reading.counts is not False and left_out_by_stamp(reading, method) is None
            taken_n += counts and not reading.extra
        found.append(reading)
    return found
