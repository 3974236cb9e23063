"""Identification of every shipped simulated gauge, on real pseudo-terminals and sockets."""

import os

import pytest

from acquire.identify import infer, prove
from tests.identify_shipped import GAUGES, Found, identify_all, shipped_description

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals"),
]

ASKED = [name for name, gauge in GAUGES.items() if gauge.truth]
LINES = [name for name, gauge in GAUGES.items() if not gauge.truth and not gauge.tcp]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Found]:
    return identify_all(tmp_path_factory.mktemp("gauges"))


@pytest.mark.parametrize("name", LINES)
def test_a_shipped_gauge_is_identified(name: str, found: dict[str, Found]) -> None:
    one = found[name]
    assert one.description is not None, one.why
    assert one.heard is not None
    shipped, description = shipped_description(name), one.description
    understood = infer(one.heard)
    if one.asked_unit:
        assert any("no unit is printed" in ask for ask in understood.asks)
        assert understood.measured.quantity == shipped.quantity
    assert one.wrong == ""
    assert (description.quantity, description.unit) == (shipped.quantity, shipped.unit)
    assert (description.timing.mode, description.timing.request) == (
        shipped.timing.mode,
        shipped.timing.request,
    )
    if shipped.timing.rate_hz is not None:
        assert description.timing.rate_hz == pytest.approx(shipped.timing.rate_hz, rel=0.1)
    mine, theirs = prove(description, one.heard), prove(shipped, one.heard)
    assert len(mine.damaged) <= len(theirs.damaged)


@pytest.mark.parametrize("name", ASKED)
def test_an_asked_gauge_gets_a_description_that_reads_the_truth(name: str, found: dict[str, Found]) -> None:
    one = found[name]
    assert one.description is not None, one.why
    assert one.description.driver == ("scpi" if name.startswith("scpi") else "modbus")
    assert one.wrong == ""


def test_the_step_and_number_of_a_scpi_gauge_are_found(found: dict[str, Found]) -> None:
    description = found["scpi-force"].description
    assert description is not None
    assert description.resolution == shipped_description("scpi-force").resolution
    assert 'serial_number = "EX0042"' in description.text
    assert "# Range: said by a person; the gauge does not tell it." in description.text


def test_a_contact_is_told_from_a_gauge_and_what_to_do_is_said(found: dict[str, Found]) -> None:
    one = found["contact-wash"]
    assert one.description is None
    assert "changes of a dry contact" in one.why
    assert "contact-wash.toml" in one.why
