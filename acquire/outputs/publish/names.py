"""File names and places inside pages, made from names that people gave."""

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from unicodedata import normalize

from acquire.model import Step, Test

_NOT_IN_FILES = re.compile(r"[^a-z0-9]+")
_NOT_IN_PLACES = re.compile(r"[^A-Za-z0-9_.]+")
_LONGEST = 60


def slugs(names: Iterable[str]) -> dict[str, str]:
    """A part of a file name for each name, all different, the same whatever other names there are beside it
    unless two would be alike."""
    found = {name: _slug(name) for name in names}
    often = Counter(found.values())
    return {
        name: slug if slug and often[slug] == 1 else f"{slug or 'name'}-{_digest(name)}"
        for name, slug in found.items()
    }


def _slug(name: str) -> str:
    plain = normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return _NOT_IN_FILES.sub("-", plain).strip("-")[:_LONGEST].strip("-")


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()[:8]


def place(prefix: str, name: str) -> str:
    """The id of an element, such as `place("r", "force-001.rec#3")`."""
    plain = _NOT_IN_PLACES.sub("-", name)
    # What was replaced may have told two names apart; the one kind of id that is everywhere stays readable.
    exact = plain == name or re.fullmatch(r"[A-Za-z0-9_.-]+#\d+", name)
    return f"{prefix}-{plain}" if exact else f"{prefix}-{plain}-{_digest(name)}"


def of_step(step: Step) -> str:
    return place("step", str(step))


def of_test(trial: str, test: Test) -> str:
    return place(f"t-{trial}", test.value)
