"""Events of the journal, read back as the models they were written from."""

from collections.abc import Callable, Iterator
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
        raise _unlike(model, event.seq, event.kind, error) from error


def _unlike(model: type[Model], seq: int, kind: str, error: ValidationError) -> JournalError:
    return JournalError(
        f"event {seq} ({kind}) does not say what a {kind} must: " + "; ".join(faults(error, model)),
        hint="it was written by another version of the program, or altered; verify the journal",
    )


def facts(journal: Journal, kind: str, model: type[_M], *, since: int = 0) -> Iterator[tuple[Event, _M]]:
    """Every event of a kind after number `since`, in order, each with what it says.

    Raises:
        JournalError: the journal cannot be read, or an event as `read_fact`.
    """
    for event in journal.events(kind, since=since):
        yield event, read_fact(model, event)


def bodies(
    journal: Journal,
    kind: str,
    model: type[_M],
    *,
    since: int = 0,
    trial: str | None = None,
    only: Callable[[str], bool] | None = None,
) -> Iterator[tuple[int, _M]]:
    """Number of every event of a kind, in order, each with what it says: the fast way through many.

    Args:
        since: only events behind this number.
        trial: only events that name this trial; the others are passed over unread.
        only: by their text, which of them; the others are passed over unread.

    Raises:
        JournalError: as `facts`.
    """
    for seq, text in journal.bodies(kind, since=since, trial=trial):
        if only is not None and not only(text):
            continue
        try:
            yield seq, model.model_validate_json(text)
        except ValidationError as error:
            raise _unlike(model, seq, kind, error) from error
