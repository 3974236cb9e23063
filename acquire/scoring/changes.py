"""What two methods differ in, key by key, and methods that take over one change alone.

    old, new ──changes──> keys that differ ──apart──> old with one of them as in new

The last tell which change moved a figure. Keys that only make sense together change together.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar

from acquire.model import Model
from acquire.scoring.method import Method, Section, WashStage
from acquire.scoring.rounding import Rounding

MOST_APART = 10
"""Beyond so many, changes are told apart by section only: each costs another scoring of everything."""
_WITH = {
    "slip.least_pulls": "slip.pulls",
    "slip.block_mass_standard_uncertainty_kg": "slip.block_mass_kg",
    "slip.gravity_standard_uncertainty_m_s2": "slip.gravity_m_s2",
    "gloss.least_readings": "gloss.readings",
    "uv.least_readings": "uv.readings",
    "wash.unit": "wash.stages",
    "wash.strokes_per_wash": "wash.stages",
    **{f"{scale}.{key}": f"{scale}.min" for scale in ("handling", "appearance") for key in ("max", "step")},
}
"""Keys whose value must fit another's."""
_WORDS_ONLY = ("format", "title", "handling.anchors", "appearance.anchors")
CAPTURE = "slip.capture"

_S = TypeVar("_S", bound=Section)


class Change(Model):
    """One key of the method that differs."""

    key: str
    """With the tables it stands in, such as "slip.rounding.friction"."""
    old: str
    new: str

    @property
    def moves_points(self) -> bool:
        """Whether it can move points that are worked out from readings as the journal has them.

        Titles and anchors cannot; the rules of capture only do when recordings are gone through again.
        """
        return self.key not in _WORDS_ONLY and not self.of_capture

    @property
    def of_capture(self) -> bool:
        """Whether it says which pulls are accepted, which is decided before anything is scored."""
        return self.key.startswith(f"{CAPTURE}.")


class Reason(Model):
    """One change, or several that only make sense together, as the cause of something."""

    name: str
    """The key, or the section."""
    keys: tuple[str, ...]


def changes(old: Method, new: Method) -> list[Change]:
    """Every key that differs, in the order of the method file."""
    before, after = dict(_flat(old, "")), dict(_flat(new, ""))
    return [
        Change(key=key, old=_shown(key, before[key]), new=_shown(key, after[key]))
        for key in before
        if before[key] != after[key]
    ]


def reasons(found: Sequence[Change]) -> list[Reason]:
    """What may have moved points, as finely as it can be told apart."""
    keys = [change.key for change in found if change.moves_points]
    together = _grouped(keys, _WITH)
    if len(together) > MOST_APART:
        together = _grouped(keys, {key: key.partition(".")[0] for key in keys})
    return [Reason(name=name, keys=tuple(own)) for name, own in together.items()]


def apart(old: Method, new: Method, reason: Reason) -> Method:
    """The old method with what one reason names as in the new one.

    It is no method that anybody wrote: it has no text and no fingerprint.
    """
    mixed = old.model_copy()
    for key in reason.keys:
        mixed = _taken_over(mixed, new, key.split("."))
    mixed._text, mixed._sha256 = "", ""
    return mixed


def _grouped(keys: Sequence[str], under: Mapping[str, str]) -> dict[str, list[str]]:
    groups: dict[str, list[str]] = {}
    for key in keys:
        groups.setdefault(under.get(key, key), []).append(key)
    # Named after what did change, where the key it must fit did not.
    return {name if len(own) > 1 or "." not in name else own[0]: own for name, own in groups.items()}


def _flat(section: Section, above: str) -> Iterator[tuple[str, Any]]:
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, Section):
            yield from _flat(value, f"{above}{name}.")
        else:
            yield above + name, value


def _taken_over(into: _S, source: _S, path: Sequence[str]) -> _S:
    name, *below = path
    value = getattr(source, name)
    if below:
        value = _taken_over(getattr(into, name), value, below)
    return into.model_copy(update={name: value})


def _shown(key: str, value: Any) -> str:
    if value is None:
        return "none" if "rounding" in key else "left out"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Rounding):
        return f"to {value.quantum}, {value.rule}"
    if isinstance(value, list):
        return ", ".join(f"{stage.at}: {stage.points}" for stage in value if isinstance(stage, WashStage))
    if isinstance(value, dict):
        return "; ".join(f"{at}: {text}" for at, text in sorted(value.items()))
    return str(value)
