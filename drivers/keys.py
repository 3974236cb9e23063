"""Says what is wrong with a file a person edits: every fault, each with its key and the nearest known one."""

from collections.abc import Iterator
from decimal import Decimal
from difflib import get_close_matches
from typing import Annotated, Any, get_args

from pydantic import AfterValidator, BaseModel, ValidationError


def one_line(text: str) -> str:
    """The rule for every name: it can stand in one line of a recording, a table or a message.

    Raises:
        ValueError: it cannot.
    """
    if not text or not text.isprintable() or text != text.strip():
        raise ValueError(
            f"must be one line of printable text, not empty, without blanks around it, not {text!r}"
        )
    return text


OneLine = Annotated[str, AfterValidator(one_line)]


def nearest(key: str, known: list[str]) -> str:
    """A half-sentence that helps: the nearest known key, or all of them."""
    close = get_close_matches(key, known, n=1, cutoff=0.5)
    return f"did you mean {close[0]!r}?" if close else f"known here: {', '.join(sorted(known))}"


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _keys_at(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """The keys known in the table that `path` leads to."""
    for step in path:
        field = model.model_fields.get(str(step))
        if field is not None:  # else an index or a free key inside the field before
            model = next(_models_in(field.annotation), model)
    return list(model.model_fields)


def faults(error: ValidationError, model: type[BaseModel], prefix: str = "") -> list[str]:
    """One line per fault: `table.key: what is wrong`.

    Args:
        error: what pydantic found.
        model: the model the table was held against.
        prefix: key of that table in the file, empty for the file itself.
    """
    lines = []
    for fault in error.errors(include_url=False):
        path = fault["loc"]
        key = ".".join(str(step) for step in ((prefix, *path) if prefix else path)) or "(whole file)"
        if fault["type"] == "extra_forbidden":
            says = f"unknown key; {nearest(str(path[-1]), _keys_at(model, path[:-1]))}"
        elif fault["type"] == "missing":
            says = "is missing"
        elif fault["type"] == "value_error":
            says = str(fault["ctx"]["error"])
        else:
            given = fault["input"]
            shown = "" if isinstance(given, dict | BaseModel) else f", not {given!r}"
            # A method's numbers are decimals, and nobody wrote "Decimal" into a file.
            shown = f", not {given}" if isinstance(given, Decimal) else shown
            says = f"{fault['msg'][0].lower()}{fault['msg'][1:]}{shown}"
        lines.append(f"{key}: {says}")
    return lines
