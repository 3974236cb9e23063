"""Every shipped description keeps the contract that we hand to third parties: the same suite, no other."""

from itertools import chain
from pathlib import Path
from typing import ClassVar

from drivers.contract import Checked, DriverContract, OwnBytesContract, ValuesAsText
from tests.contract.gauges import GAUGES
from tests.recordings import pairs

CHECKED = ("force-unit-mode",)
REGISTERS = ("modbus-climate", "modbus-force", "modbus-panel")
CONTACTS = ("contact-wash",)
KEYED = ("keyed-gloss",)
ALL = tuple(sorted(GAUGES.glob("*.toml")))


def files(names: tuple[str, ...]) -> tuple[Path, ...]:
    return tuple(GAUGES / f"{name}.toml" for name in names)


class TestText(ValuesAsText, DriverContract):
    gauges: ClassVar[tuple[Path, ...]] = tuple(
        path for path in ALL if path.stem not in (*CHECKED, *REGISTERS, *CONTACTS, *KEYED)
    )
    recordings = pairs.FOLDER


class TestCheckedText(Checked, ValuesAsText, DriverContract):
    gauges = files(CHECKED)
    recordings = pairs.FOLDER


class TestRegisters(Checked, DriverContract):
    gauges = files(REGISTERS)
    recordings = pairs.FOLDER


class TestKeyed(ValuesAsText, OwnBytesContract):
    gauges = files(KEYED)
    recordings = pairs.FOLDER


class TestContacts(OwnBytesContract):
    """A count is made here, of changes; it never was on the wire."""

    gauges = files(CONTACTS)
    recordings = pairs.FOLDER


def test_no_shipped_gauge_is_left_out() -> None:
    suites = (TestText, TestCheckedText, TestRegisters, TestKeyed, TestContacts)
    assert sorted(chain.from_iterable(suite.gauges for suite in suites)) == list(ALL)
