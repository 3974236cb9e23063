"""Does everything still hold? Walks the journal's chain, then gets every reading out of its bytes again, and
every stamp and check out of the events before it.

For each recording the gauge's description and the capture settings are taken from the journal, the bytes from
the recording, and the very code that ran live runs again. What it gives must be what the journal says, to the
last digit. Bytes that no reading rests on are not missed.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from acquire.blind import broken_seals
from acquire.capture import CAPTURE_VERSION
from acquire.capture.taken import Taken
from acquire.chain import Event, Verdict
from acquire.comparison import Comparison, Fault, Item
from acquire.errors import JournalError, PanelwrightError
from acquire.home import Home
from acquire.imports import compare_imports, imported_names
from acquire.journal import Journal
from acquire.judgements import judge_again
from acquire.model import Reading, Refusal, StreamStart
from acquire.notebook import altered_photos
from acquire.recordings import Header, read_header
from acquire.sources import replay
from acquire.stream import GaugeStream
from drivers.description import DescriptionError, GaugeDescription, parse_description

Run = Callable[[Path, GaugeStream], Iterable[Taken]]
"""Gives what a recording gives, run through a stream; see `acquire.sources.replay`."""

_MODELS: dict[str, type[Reading] | type[Refusal]] = {"reading": Reading, "refusal": Refusal}


@dataclass(frozen=True, slots=True)
class VerificationReport:
    """What `verify` found."""

    chain: Verdict
    recordings_n: int
    readings_n: int
    """Readings in the journal that were compared with their recordings."""
    refusals_n: int
    faults: tuple[Fault, ...]
    """What is wrong outside the chain: in the journal's order of recordings, then stamps and checks."""
    cut: tuple[str, ...]
    """Recordings whose last line was never finished (a killed program): told, and no fault."""
    stamps_n: int = 0
    """Stamps that were derived again."""
    checks_n: int = 0
    before_bench_n: int = 0
    """Readings from before the journal kept the bench file: their stamps cannot be derived; no fault."""

    @property
    def holds(self) -> bool:
        return self.chain.holds and not self.faults


@dataclass(slots=True)
class _Span:
    """Where in the journal the items of one recording lie."""

    first_seq: int
    last_seq: int
    items_n: int = 1


@dataclass(slots=True)
class Tally:
    """What was compared so far, and what is wrong with it."""

    readings_n: int = 0
    refusals_n: int = 0
    faults: list[Fault] = field(default_factory=list)
    cut: list[str] = field(default_factory=list)


def verify(
    home: Home,
    *,
    expected_head: str | None = None,
    photos: bool = True,
    watch: Callable[[str], None] | None = None,
) -> VerificationReport:
    """Verifies journal and recordings of a bench. Holds the items of one recording at a time.

    Args:
        expected_head: a hash of the journal's head that was noted elsewhere; it must occur in the chain.
        photos: whether photographs are looked at; no figure rests on one.
        watch: told the name of each recording before it is gone through.

    Raises:
        ConfigError: there is no journal.
        JournalError: it cannot be read at all.
    """
    tally = Tally()
    recordings_n = 0
    gone_through: set[str] = set()
    with home.journal(readonly=True) as journal:
        chain = journal.verify(expected_head=expected_head)
        spans = _spans(journal, tally.faults)
        for start in _starts(journal, tally.faults):
            if watch is not None:
                watch(start.recording)
            recordings_n += start.place == 0
            span = spans.get(start.recording)
            gone_through.add(start.recording)
            items = _items(journal, start, span, tally.faults)
            _verify_recording(home.recordings / start.recording, start, items, tally)
        imported = _typed_and_sealed(home, journal, tally.faults, photos=photos)
        judged = judge_again(journal)
    for name, span in spans.items():
        if name in gone_through or name in imported:
            continue
        what = f"{_count(span.items_n)} from {name}, but the journal does not tell of that recording's start"
        tally.faults.append(Fault(what, name))
    return VerificationReport(
        chain,
        recordings_n,
        tally.readings_n,
        tally.refusals_n,
        (*tally.faults, *judged.faults),
        tuple(tally.cut),
        judged.stamps_n,
        judged.checks_n,
        judged.before_bench_n,
    )


def _typed_and_sealed(home: Home, journal: Journal, faults: list[Fault], *, photos: bool) -> set[str]:
    """Looks at imported tables, opened seals and photographs; gives the names the tables are kept under."""
    try:
        faults += compare_imports(home, journal)
        faults += (Fault(said) for said in broken_seals(journal))
        if photos:
            faults += (Fault(said) for said in altered_photos(home, journal))
        return set(imported_names(journal))
    except JournalError as error:
        faults.append(Fault(f"{error}; imported tables, opened seals and photographs were not compared"))
        return set()


def verify_recording(journal: Journal, path: Path, run: Run = replay) -> Tally | None:
    """Verifies one recording, known by its file's name.

    Args:
        run: goes through the recording in another way than as fast as possible and unseen.

    Returns:
        What was compared and found, or None if the journal does not tell of such a recording.

    Raises:
        JournalError: the journal cannot be read.
    """
    tally = Tally()
    starts = [one for one in _starts(journal, tally.faults) if one.recording == path.name]
    for start in starts:
        items = _items(journal, start, _Span(1, journal.head()[0]), tally.faults)
        _verify_recording(path, start, items, tally, run)
    return tally if starts else None


def _spans(journal: Journal, faults: list[Fault]) -> dict[str, _Span]:
    spans: dict[str, _Span] = {}
    for kind in _MODELS:
        for event in _readable(journal.events(kind), kind, faults):
            recording = _recording_of(event)
            span = spans.get(recording)
            if span is None:
                spans[recording] = _Span(event.seq, event.seq)
            else:
                span.first_seq = min(span.first_seq, event.seq)
                span.last_seq = max(span.last_seq, event.seq)
                span.items_n += 1
    return spans


def _starts(journal: Journal, faults: list[Fault]) -> Iterator[StreamStart]:
    seen: set[tuple[str, int]] = set()
    for event in _readable(journal.events("stream"), "stream", faults):
        try:
            start = StreamStart.model_validate(event.body)
        except ValidationError as error:
            faults.append(_unreadable(event, error))
            continue
        # Several gauges on one line share a recording; each has a place in it.
        if (start.recording, start.place) in seen:
            what = f"event {event.seq} starts the recording {start.recording} a second time"
            faults.append(Fault(what, start.recording))
        else:
            seen.add((start.recording, start.place))
            yield start


def _items(journal: Journal, start: StreamStart, span: _Span | None, faults: list[Fault]) -> list[Item]:
    """The readings and refusals of one gauge in a recording. What cannot be read was reported by `_spans`."""
    items: list[Item] = []
    if span is None:
        return items
    for kind, model in _MODELS.items():
        for event in _readable(journal.events(kind, since=span.first_seq - 1), kind, []):
            if event.seq > span.last_seq:
                break
            if _recording_of(event) != start.recording:
                continue
            try:
                item = model.model_validate(event.body)
                # Gauges on one line number their items in turn.
                if item.raw.ordinal % start.places == start.place:
                    items.append(item)
            except ValidationError as error:
                faults.append(_unreadable(event, error))
    return items


def _recording_of(event: Event) -> str:
    """Name of the recording as the event has it, which may have been altered into anything."""
    body: object = event.body
    raw = body.get("raw") if isinstance(body, dict) else None
    return str(raw.get("recording")) if isinstance(raw, dict) else ""


def _readable(events: Iterator[Event], kind: str, faults: list[Fault]) -> Iterator[Event]:
    try:
        yield from events
    except JournalError as error:
        faults.append(Fault(f"{error}; no {kind} behind it was compared"))


def _unreadable(event: Event, error: ValidationError) -> Fault:
    first = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in first["loc"])
    return Fault(f"event {event.seq} ({event.kind} {event.id}) cannot be read: {where}: {first['msg']}")


def _verify_recording(
    path: Path, start: StreamStart, items: list[Item], tally: Tally, run: Run = replay
) -> None:
    readings_n = sum(isinstance(item, Reading) for item in items)
    tally.readings_n += readings_n
    tally.refusals_n += len(items) - readings_n
    try:
        description = _description(start)
        header = _header(path, start)
    except _UnusableError as why:
        tally.faults.append(Fault(f"{why}{_not_compared(items)}", start.recording))
        return
    assert header.start_utc is not None  # a header read from a file always has one
    if _unfinished(path):
        tally.cut.append(start.recording)
    comparison = Comparison(start, header.start_utc, items)
    stream = GaugeStream(description, dict(start.capture), place=start.place, places=start.places)
    try:
        for taken in run(path, stream):
            comparison.take(taken)
    except PanelwrightError as error:
        named = str(error).replace(str(path), start.recording)
        tally.faults += comparison.faults
        tally.faults.append(Fault(f"{named}{_not_compared(comparison.waiting)}", start.recording))
        return
    comparison.finish(path)
    tally.faults += comparison.faults
    if comparison.faults and start.capture_version != CAPTURE_VERSION:
        said = (
            f"captured by version {start.capture_version} of the capture rules, compared by {CAPTURE_VERSION}"
        )
        tally.faults.append(
            Fault(f"{start.recording}: {said}; a difference may be the program's", start.recording)
        )


class _UnusableError(Exception):
    """Why a recording's readings cannot be derived at all."""


def _description(start: StreamStart) -> GaugeDescription:
    name = f"{start.recording}: its gauge description {start.description!r}"
    try:
        description = parse_description(start.description_text.encode(), start.description)
    except DescriptionError as error:
        raise _UnusableError(f"{name} as kept in the journal cannot be used: {error.faults[0]}") from error
    if description.sha256 != start.description_sha256:
        raise _UnusableError(
            f"{name} was altered: the text in the journal has a hash beginning {description.sha256[:12]}, "
            f"the hash noted beside it begins {start.description_sha256[:12]}"
        )
    return description


def _header(path: Path, start: StreamStart) -> Header:
    name = start.recording
    if not path.is_file():
        raise _UnusableError(f"{name}: the recording is missing from {path.parent.name}/")
    try:
        header = read_header(path)
    except PanelwrightError as error:
        raise _UnusableError(str(error).replace(str(path), name)) from error
    noted = header.description_sha256
    if start.places > 1 and start.gauge in (header.device or "").split("+"):
        return header
    if header.driver != start.description or noted not in (None, start.description_sha256):
        raise _UnusableError(
            f"{name}: its header names the description {header.driver!r} ({(noted or 'no hash')[:12]}), "
            f"the journal {start.description!r} ({start.description_sha256[:12]}): one of them was altered"
        )
    return header


def _unfinished(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(0, 2)
        if not file.tell():
            return False
        file.seek(-1, 2)
        return file.read(1) != b"\n"


def _count(items_n: int) -> str:
    return "1 reading or refusal comes" if items_n == 1 else f"{items_n} readings and refusals come"


def _not_compared(items: list[Item]) -> str:
    if not items:
        return ""
    named = items[0].id if len(items) == 1 else f"{items[0].id} to {items[-1].id}"
    noun = "reading or refusal" if len(items) == 1 else "readings and refusals"
    return f"; {len(items)} {noun} ({named}) could not be compared"
