"""Families by name: installed, unknown, offered twice, broken."""

from importlib.metadata import EntryPoint

import pytest

from drivers.line import LineDriver
from drivers.registry import GROUP, DriverLoadError, driver_class, make_driver
from tests.contract.gauges import description


def entry(name: str, value: str) -> EntryPoint:
    return EntryPoint(name, value, GROUP)


def test_our_own_family_is_an_entry_point_like_any_other() -> None:
    assert driver_class("line") is LineDriver
    assert isinstance(make_driver(description("gloss-key")), LineDriver)


def test_a_broken_family_that_is_not_asked_for_is_not_imported() -> None:
    known = [entry("line", "drivers.line:LineDriver"), entry("broken", "no_such_module_anywhere:X")]
    assert driver_class("line", known) is LineDriver


@pytest.mark.parametrize(
    ("name", "known", "says"),
    [
        ("lime", [entry("line", "drivers.line:LineDriver")], r"called 'lime'; known: line"),
        ("lime", [], "known: none installed"),
        ("line", [entry("line", "one.part:A"), entry("line", "two:B")], "offered by one.part and two"),
        ("line", [entry("line", "no_such_module_anywhere:X")], "cannot be loaded: No module named"),
        ("line", [entry("line", "drivers.line:Nothing")], "cannot be loaded: .* has no attribute 'Nothing'"),
        ("line", [entry("line", "drivers.line:UNKNOWN_UNIT")], "is not a drivers.base.Driver"),
    ],
)
def test_families_that_cannot_be_had(name: str, known: list[EntryPoint], says: str) -> None:
    with pytest.raises(DriverLoadError, match=says):
        driver_class(name, known)


@pytest.mark.parametrize("family", ["contact", "keyed", "line", "modbus", "scpi"])
def test_a_driver_refuses_a_description_of_another_family(family: str) -> None:
    other = description("keyed-gloss" if family == "line" else "gloss-key")
    with pytest.raises(TypeError, match=rf"{other.name} is described for '\w+', not '{family}'"):
        driver_class(family)(other)
