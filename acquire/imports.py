"""Takes earlier results into the journal, and proves later that they are what the table said.

    table ──kept beside the recordings──> rows ──> trials, readings, ratings, inspections, all marked as typed

An imported figure traces to a line of the kept table as a measured one traces to bytes of its recording.
"""

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from pydantic import ValidationError

from acquire.clock import Clock
from acquire.comparison import Fault
from acquire.earlier import Earlier, Item, read_earlier
from acquire.errors import ConfigError, PanelwrightError
from acquire.facts import facts
from acquire.home import Home
from acquire.journal import Draft, Journal
from acquire.model import Inspection, Rating, Reading
from acquire.protocol_events import Imported
from acquire.trials import trials_of

_KINDS: dict[type[Item], str] = {
    Reading: "reading",
    Rating: "rating",
    Inspection: "inspection",
}


def import_results(home: Home, journal: Journal, clock: Clock, path: Path) -> Earlier:
    """Imports a table, all of it or nothing.

    Raises:
        SourceError: with every fault at once, each with its line and column.
        ConfigError: it was imported before, or the journal has a trial of the same id.
        JournalError: it could not be written.
    """
    data = path.read_bytes()
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} is not UTF-8 text: {error}", hint="save it as CSV UTF-8") from error
    sha256 = hashlib.sha256(data).hexdigest()
    for _, earlier in facts(journal, "import", Imported):
        if earlier.sha256 == sha256:
            raise ConfigError(
                f"{path} was imported before, as {earlier.recording}", hint="each table is imported once"
            )
    name = f"{clock.utc():%Y%m%dT%H%M%S.%fZ}-import.csv"
    found = read_earlier(text, name)
    _must_be_new(journal, clock, found)
    home.recordings.mkdir(exist_ok=True)
    _keep(home.recordings / name, data)
    noted = Imported(recording=name, sha256=sha256, rows_n=len(found.items), t_utc=clock.utc())
    drafts = [Draft("import", noted), *(Draft("trial", trial) for trial in found.trials.values())]
    drafts += [Draft(_KINDS[type(item)], item, item.id) for item in found.items]
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return found


def _must_be_new(journal: Journal, clock: Clock, found: Earlier) -> None:
    known = trials_of(journal)
    taken = [id_ for id_ in found.trials if id_ in known]
    if taken:
        raise ConfigError(
            f"the journal has these trials already: {', '.join(taken)}", hint="give the rows other ids"
        )
    late = [item.id.split("#")[-1] for item in found.items if item.t_utc > clock.utc()]
    if late:
        raise ConfigError(f"dated in the future: line {', '.join(late)}", hint="earlier results have been")


def _keep(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def imported_names(journal: Journal) -> dict[str, Imported]:
    """Every import by the name its table is kept under."""
    return {one.recording: one for _, one in facts(journal, "import", Imported)}


def compare_imports(home: Home, journal: Journal) -> Iterator[Fault]:
    """What no longer agrees with the kept tables.

    Raises:
        JournalError: the journal cannot be read.
    """
    imports = imported_names(journal)
    logged: dict[str, dict[str, object]] = {name: {} for name in imports}
    for kind in _KINDS.values() if imports else ():
        for event in journal.events(kind):
            name = event.id.rpartition("#")[0]
            if name in logged:
                logged[name][event.id] = event.body
    for name, noted in imports.items():
        yield from _compare(home.recordings / name, noted, logged[name])


def _compare(path: Path, noted: Imported, logged: dict[str, object]) -> Iterator[Fault]:
    name = noted.recording
    if not path.is_file():
        yield Fault(f"{name}: the imported table is missing from {path.parent.name}/", name)
        return
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != noted.sha256:
        yield Fault(f"{name}: the table was altered since it was imported", name)
    try:
        items = read_earlier(data.decode(), name).items
    except (PanelwrightError, UnicodeDecodeError) as error:
        yield Fault(f"{name}: cannot be read any more: {error}", name)
        return
    derived = {item.id: item for item in items}
    for id_ in sorted(derived.keys() | logged.keys()):
        if not _agree(derived.get(id_), logged.get(id_)):
            line = id_.rpartition("#")[2]
            yield Fault(f"{name}: line {line} and the journal do not say the same", name, id_)


def _agree(derived: Item | None, body: object) -> bool:
    if derived is None or body is None:
        return False
    try:
        said = type(derived).model_validate(body)
    except ValidationError:
        return False
    # How a stamp is worded may change from version to version.
    wording = {"stamp": {"reason", "parts"}}
    return said.model_dump(exclude=wording) == derived.model_dump(exclude=wording)
