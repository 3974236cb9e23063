"""SCPI, contact and keyed gauges beyond the contract: descriptions, units, identity, order of replies."""

import pytest

from drivers.base import RequestError
from drivers.description import DescriptionError, GaugeDescription, parse_description
from drivers.registry import make_driver
from drivers.talks import Sent, converse
from tests.contract.families import ERRORS, IDENTIFY, MEASURE
from tests.contract.gauges import description


def changed(name: str, *pairs: tuple[str, str]) -> GaugeDescription:
    text = description(name).text
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return parse_description(text.encode(), name)


def faults(name: str, *pairs: tuple[str, str]) -> list[str]:
    with pytest.raises(DescriptionError) as error:
        changed(name, *pairs)
    return error.value.faults


@pytest.mark.parametrize(
    ("name", "old", "new", "fault"),
    [
        ("scpi-force", 'N = "N"\n', 'N = "g"\n', "scpi.units: 'N' stands for 'g', no unit of force"),
        ("scpi-force", '["value", "unit"]', '["unit"]', 'fields: one of them must be "value"'),
        ("scpi-force", '["value", "unit"]', '["value"]', "the table of units go together"),
        ("scpi-force", '["value", "unit"]', '["value", "value", "unit"]', "2 values need as many names"),
        ("scpi-force", 'query = "MEAS:FORC?"', 'query = "SYST:ERR?"', "query and error_query must differ"),
        ("scpi-force", 'mode = "poll"', 'mode = "on event"', "belongs to mode"),
        ("contact-wash", '"cts"', '"dtr"', "contact.line"),
        ("contact-wash", 'mode = "on event"', 'mode = "on event"\nmax_silence_s = 3.0', "max_silence_s"),
        (
            "contact-wash",
            'quantity = "count"\nunit = "1"',
            'quantity = "gloss"\nunit = "GU"',
            "a contact counts",
        ),
        (
            "keyed-gloss",
            'quantity = "gloss"\nunit = "GU"',
            'quantity = "count"\nunit = "1"',
            "they are not typed in",
        ),
        ("keyed-gloss", "[keyed]", "[serial]\nbaudrate = 9600\n[keyed]", "[serial]: a gauge without a port"),
        ("force-poll-gf", 'request = "D\\r"\n', "", 'timing.request: is needed when mode is "poll"'),
    ],
)
def test_what_descriptions_may_not_say(name: str, old: str, new: str, fault: str) -> None:
    assert any(fault in found for found in faults(name, (old, new))), faults(name, (old, new))


def test_units_in_the_reply_are_held_against_the_range() -> None:
    made = make_driver(description("scpi-force"))
    samples, _ = converse(made, [MEASURE, b"25.0,KGF\n", MEASURE, b"26.0,KGF\n"])
    assert [(s.value, s.kind.unit, s.kind.good) for s in samples] == [
        (25.0, "kgf", True),
        (26.0, "kgf", False),
    ]


def test_tension_negative_on_the_wire_comes_out_positive() -> None:
    made = make_driver(changed("scpi-force", ('tension = "positive"', 'tension = "negative"')))
    samples, _ = converse(made, [MEASURE, b"-12.5,N\n", MEASURE, b"9.91E37,N\n"])
    assert samples[0].value == 12.5


def test_several_values_come_as_channels_of_one_moment() -> None:
    text = """
title = "Invented"
driver = "scpi"
quantity = "temperature"
unit = "degC"
resolution = 0.1
range = [-40.0, 85.0]
[serial]
baudrate = 9600
[timing]
mode = "poll"
period_s = 1.0
reply_timeout_s = 0.5
[scpi]
query = "READ?"
fields = ["skip", "value", "value"]
channels = ["left", "right"]
separator = ";"
errors_every_n = 0
"""
    made = make_driver(parse_description(text.encode(), "two"))
    samples, errors = converse(made, [Sent(b"READ?\n"), b"7;21.5;+2.2E1\n"])
    assert [(s.value, s.kind.channel, s.end) for s in samples] == [(21.5, "left", 14), (22.0, "right", 14)]
    assert errors == []
    plan = made.plan()
    assert plan is not None
    assert [request.data for request in plan.requests] == [b"*IDN?\n", b"READ?\n"]
    assert b"SYST:ERR?\n" in plan.known


def test_values_wait_for_the_identity_where_one_is_expected() -> None:
    made = make_driver(changed("scpi-force", ('# serial_number = "EX0042"', 'serial_number = "EX0042"')))
    before, _ = converse(made, [MEASURE, b"1.0,N\n"])
    assert before[0].kind.flags == {"fault", "whether it is number EX0042 is not known yet"}
    after, errors = converse(made, [IDENTIFY, b"Works,Type,EX0042,1\n", MEASURE, b"1.0,N\n"])
    assert errors == []
    assert after[0].kind.good
    assert made.complaint is None
    made.reset()
    other, errors = converse(made, [IDENTIFY, b"Works,Type,EX0043,1\n", MEASURE, b"1.0,N\n"])
    assert [why for why, _, _ in errors] == ["the gauge is not number EX0042"]
    assert not other[0].kind.good
    assert made.complaint == "it says it is number EX0043, not EX0042: another gauge is plugged in"


def test_a_late_identity_counts_and_a_late_value_does_not() -> None:
    made = make_driver(changed("scpi-force", ('# serial_number = "EX0042"', 'serial_number = "EX0042"')))
    _, errors = converse(made, [IDENTIFY, IDENTIFY, b"Works,Type,EX0042,1\n"])
    assert [why for why, _, _ in errors] == ["no reply to the request before"]
    samples, errors = converse(made, [MEASURE, MEASURE, b"1.0,N\n", MEASURE, b"2.0,N\n"])
    assert [sample.value for sample in samples] == [2.0]
    assert [why for why, _, _ in errors] == [
        "no reply to the request before",
        "may be the late reply to an earlier request",
    ]


@pytest.mark.parametrize(
    ("entry", "spoils"),
    [
        (b'-113,"Undefined header"\n', False),
        (b'-410,"Query INTERRUPTED"\n', False),
        (b'-222,"Data out of range"\n', True),
        (b'-310,"System error"\n', True),
        (b'101,"Sensor head loose"\n', True),
    ],
)
def test_the_value_behind_an_error_of_the_measurement_is_not_good(entry: bytes, *, spoils: bool) -> None:
    made = make_driver(description("scpi-force"))
    samples, errors = converse(made, [ERRORS, entry, MEASURE, b"1.0,N\n", MEASURE, b"1.0,N\n"])
    assert len(errors) == 1
    assert [sample.kind.good for sample in samples] == [not spoils, True]


def test_a_recording_with_other_requests_is_of_another_gauge() -> None:
    made = make_driver(description("scpi-force"))
    with pytest.raises(RequestError, match=r"b'MEAS:VOLT\?\\n' was sent, but scpi-force sends"):
        made.sent(b"MEAS:VOLT?\n")


def test_what_is_typed_for_another_display() -> None:
    comma = make_driver(changed("keyed-gloss", ("decimals_n = 1", 'decimals_n = 2\ndecimal = ","')))
    assert comma.feed(b"91,40\n91,40\n").values.tolist() == [91.4]
    whole = make_driver(changed("keyed-gloss", ("decimals_n = 1", "decimals_n = 0")))
    assert whole.feed(b"91\n91\n").values.tolist() == [91.0]
    assert len(whole.feed(b"91.0\n91.0\n").errors) == 2
