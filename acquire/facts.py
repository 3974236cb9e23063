"""Events of the journal, read back as the models they were written from."""

from collections.abc import Iterator
from typing import TypeVar

from pydantic import ValidationError

from acquire.chain import Event
from acquire.errors import JournalError
from acquire.journal import Journal
from acquire.model import Model
from drivers.keys import faults

_M = TypeVar("_M", bound=Model)


def read_fact(model: type[_M], event: Event) -> _M:
    """What an event says.

    Raises:
        JournalError: its body is not what events of its kind say.
    """
    try:
        return model.model_validate(event.body)
    except ValidationError as error:
        raise JournalError(
            f"event {event.seq} ({event.kind}) does not say what a {event.kind} must: "
            + "; ".join(faults(error, model)),
            hint="it was written by another version of the program, or altered; verify the journal",
        ) from error


def facts(journal: Journal, kind: str, model: type[_M], *, since: int = 0) -> Iterator[tuple[Event, _M]]:
    """Every event of a kind after number `since`, in order, each with what it says.

    Raises:
        JournalError: the journal cannot be read, or an event as `read_fact`.
    """
    for event in journal.events(kind, since=since):
        yield event, read_fact(model, event)
