"""Values of a gauge without a port: typed by a person, recorded as they were typed, logged like any others.

    entries ──held against the description──> recording (one line each) ──stream──> readings, "typed in"

What was typed is the raw record: a reading made of it points at its line, and verification derives it again.
"""

from collections.abc import Sequence
from functools import partial
from typing import Literal

from acquire.capture import CAPTURE_VERSION
from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.logger import Logger, Source
from acquire.model import Reading, Step, StreamStart, Test, Trial
from acquire.notes import Note, Tell
from acquire.ports import PortEvent
from acquire.recordings import Header, Recorder
from acquire.stream import GaugeStream
from acquire.tasks import Line, Measure
from acquire.trials import record_of
from drivers.description import GaugeDescription
from drivers.keyed import KeyedSettings
from drivers.registry import make_driver

_QUANTITY_OF = {Test.SLIP: "force", Test.GLOSS: "gloss", Test.UV: "irradiance"}

Entry = tuple[str, ...]
"""One value as it was typed; twice where the description asks for double entry."""


def keyed_gauge(home: Home, test: Test, gauge: str | None = None) -> tuple[str, GaugeDescription]:
    """The gauge without a port whose values a test takes: `gauge`, else the bench's first that fits.

    Raises:
        ConfigError: there is none, or `gauge` is another kind of gauge.
    """
    bench = home.bench()
    wanted = _QUANTITY_OF.get(test)
    names = list(bench.gauges) if gauge is None else [gauge]
    for name in names:
        entry = bench.gauge(name)
        description = home.description(entry.description)
        if isinstance(description.settings, KeyedSettings) and description.quantity == wanted:
            if entry.port != "none":
                raise ConfigError(
                    f"gauge {name!r} has no port, but bench.toml says {entry.port!r}",
                    hint=f'write port = "none" under [gauges.{name}]',
                )
            return name, description
    if wanted is None:
        raise ConfigError(
            f"{test.value} takes no typed values", hint="panelwright rate or inspect takes them"
        )
    which = "no gauge of this bench is" if gauge is None else f"gauge {gauge!r} is not"
    raise ConfigError(
        f"{which} one whose {wanted} is typed in",
        hint='describe one with driver = "keyed" (see keyed-gloss) and give it port = "none"',
    )


def check_entry(description: GaugeDescription, entry: Entry) -> None:
    """Holds one value against the description.

    Raises:
        ConfigError: it is no number as the display shows it, is out of bounds, or its two entries differ.
    """
    settings = description.settings_as(KeyedSettings, "keyed")
    wanted_n = 2 if settings.double_entry else 1
    if len(entry) != wanted_n:
        wanted = "twice" if settings.double_entry else "once"
        raise ConfigError(
            f"{' '.join(entry)}: {description.name} wants every value {wanted}",
            hint="nothing was written down; type it again",
        )
    batch = make_driver(description).feed(_typed(entry))
    if batch.errors or len(batch) != 1:
        why = batch.errors[0].why if batch.errors else "not one line of text"
        raise ConfigError(f"{entry[0]!r}: {why}", hint="nothing was written down; type it again")


def key_in(
    home: Home,
    clock: Clock,
    tell: Tell,
    *,
    trial: Trial,
    step: Step,
    entries: Sequence[Entry],
    gauge: str | None = None,
) -> list[Reading]:
    """Logs typed values as readings of a step; all of them, or none if one cannot be accepted.

    Raises:
        ConfigError: see `keyed_gauge` and `check_entry`.
        JournalError, RecordingError: it could not be written.
    """
    name, description = keyed_gauge(home, step.test, gauge)
    for entry in entries:
        check_entry(description, entry)
    logged: list[Reading] = []

    def hear(note: Note) -> None:
        # Nobody is asked to press a key on a gauge that is read by eye.
        if note.kind != "waiting":
            tell(note)
        if note.kind in ("reading", "extra") and isinstance(note.about, Reading):
            logged.append(note.about)

    home.recordings.mkdir(exist_ok=True)
    path = home.recordings / f"{clock.utc():%Y%m%dT%H%M%S.%fZ}-{name}.rec"
    header = Header(
        driver=description.name,
        description_sha256=description.sha256,
        device=name,
        port="none",
        scenario="typed in",
    )
    with home.journal() as journal, Recorder(path, header, clock) as recorder:
        stream = GaugeStream(description)
        start = StreamStart(
            recording=path.name,
            gauge=name,
            description=description.name,
            description_text=description.text,
            description_sha256=description.sha256,
            capture={},
            capture_version=CAPTURE_VERSION,
            t_utc=recorder.start_utc,
        )
        journal.append("stream", start, t_utc=recorder.start_utc, t_mono_ns=clock.monotonic_ns())
        logger = Logger(journal, home.bench(), clock, lambda announcement: None)
        task = Measure(
            Line(name, Source(path.name, recorder.start_utc), recorder.sync, stream, "typed in"),
            logger,
            hear,
            trial=trial,
            step=step,
            method=home.method(),
            record=partial(record_of, journal, trial.id),
        )
        stream.take(_mark(recorder, name, "open"))
        for entry in entries:
            t_us = recorder.now_us()
            recorder.chunk(_typed(entry), t_us)
            event = PortEvent(name, "chunk", t_us, recorder.utc_at(t_us), _typed(entry))
            for taken in stream.take(event):
                task.take(taken)
        stream.take(_mark(recorder, name, "closed"))
    return logged


def _mark(recorder: Recorder, name: str, kind: Literal["open", "closed"]) -> PortEvent:
    t_us = recorder.now_us()
    note = recorder.mark(kind, "typed in" if kind == "open" else "", t_us)
    return PortEvent(name, kind, t_us, recorder.utc_at(t_us), note=note)


def _typed(entry: Entry) -> bytes:
    return "".join(f"{text}\n" for text in entry).encode("ascii", "replace")
