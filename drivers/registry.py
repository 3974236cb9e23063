"""Driver families by name: entry-point group `panelwright.drivers`, name -> "module:Class".

Our own families are entry points like any other, so there is no second table, and a package that adds a
family adds one line to its own `pyproject.toml`. Classes are imported on first use.
"""

from collections.abc import Iterable
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING

from drivers.base import Driver

if TYPE_CHECKING:
    from drivers.description import GaugeDescription

GROUP = "panelwright.drivers"


class DriverLoadError(ValueError):
    """A driver family is unknown, offered twice or cannot be imported."""


@cache
def _installed() -> tuple[EntryPoint, ...]:
    return tuple(entry_points(group=GROUP))


def _package(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else entry.module


def driver_class(name: str, known: Iterable[EntryPoint] | None = None) -> type[Driver]:
    """The class of a driver family.

    Args:
        name: the family, as `driver` in a description names it.
        known: the families to choose from; what is installed if left out.

    Raises:
        DriverLoadError: unknown (lists the known), offered by two packages (names both), or broken.
    """
    entries = _installed() if known is None else tuple(known)
    offers = [entry for entry in entries if entry.name == name]
    if not offers:
        names = ", ".join(sorted({entry.name for entry in entries})) or "none installed"
        raise DriverLoadError(f"no driver family is called {name!r}; known: {names}")
    if len(offers) > 1:
        packages = " and ".join(sorted(_package(entry) for entry in offers))
        raise DriverLoadError(f"driver family {name!r} is offered by {packages}; uninstall one of them")
    try:
        found = offers[0].load()
    except (ImportError, AttributeError) as error:
        where = f"{_package(offers[0])} ({offers[0].value})"
        raise DriverLoadError(f"driver family {name!r} from {where} cannot be loaded: {error}") from error
    if not (isinstance(found, type) and issubclass(found, Driver)):
        raise DriverLoadError(f"driver family {name!r}: {offers[0].value} is not a drivers.base.Driver")
    return found


def make_driver(description: "GaugeDescription", known: Iterable[EntryPoint] | None = None) -> Driver:
    """A fresh driver for one stream of the gauge described.

    Raises:
        DriverLoadError: see `driver_class`.
    """
    return driver_class(description.driver, known)(description)
