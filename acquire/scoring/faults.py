"""Turns pydantic's faults into lines that a tester can act on."""

import difflib
import typing
from typing import Any

from pydantic import BaseModel, ValidationError


def describe(model: type[BaseModel], error: ValidationError) -> list[str]:
    """One line per fault: key, what is wrong, and for an unknown key the nearest known one."""
    return [_line(model, fault) for fault in error.errors(include_url=False)]


def _line(model: type[BaseModel], fault: Any) -> str:
    loc: tuple[str | int, ...] = fault["loc"]
    key = ".".join(str(part) for part in loc) or "(whole file)"
    if fault["type"] == "extra_forbidden":
        known = _known_keys(model, loc[:-1])
        near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.5)
        advice = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
        return f"{key}: unknown key; {advice}"
    if fault["type"] == "missing":
        return f"{key}: missing"
    given = fault["input"]
    shown = "" if isinstance(given, dict | list | BaseModel) else f", not {given!s}"
    return f"{key}: {fault['msg'].removeprefix('Value error, ')}{shown}"


def _known_keys(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[str]:
    for part in loc:
        if isinstance(part, str):
            model = _inner_model(model.model_fields[part].annotation)
    return list(model.model_fields)


def _inner_model(annotation: Any) -> type[BaseModel]:
    """The model inside a bare, optional or list annotation."""
    candidates = (annotation, *typing.get_args(annotation))
    return next(item for item in candidates if isinstance(item, type) and issubclass(item, BaseModel))
