"""Registers, requests and refusals of Modbus gauges, beyond the contract."""

import pytest

from acquire.sources import recorded_force
from drivers.base import RequestError
from drivers.description import DescriptionError, GaugeDescription, parse_description
from drivers.modbus import missing_of, read_request
from drivers.registry import make_driver
from tests.contract.families import CLIMATE_ASK, FORCE_ASK, ask, crc, frame, refusal
from tests.contract.gauges import description
from tests.recordings import pairs

HEAD = """
title = "Invented"
driver = "modbus"
quantity = "temperature"
unit = "degC"
resolution = 0.1
range = [-40.0, 85.0]
[serial]
baudrate = 19200
[timing]
mode = "poll"
period_s = 1.0
reply_timeout_s = 0.5
[modbus]
unit = 5
"""


def value(address: int, type_: str = "int16", more: str = "") -> str:
    return f'[[modbus.values]]\naddress = {address}\ntype = "{type_}"\n{more}\n'


def described(*values: str, head: str = HEAD) -> GaugeDescription:
    return parse_description((head + "".join(values)).encode(), "invented")


def faults(*values: str, head: str = HEAD) -> list[str]:
    with pytest.raises(DescriptionError) as error:
        described(*values, head=head)
    return error.value.faults


def channels(*addresses: int, type_: str = "int16") -> list[str]:
    return [value(address, type_, f'channel = "c{address}"') for address in addresses]


@pytest.mark.parametrize(
    ("addresses", "blocks"),
    [
        ((0, 1, 2), [(0, 3)]),
        ((9, 0), [(0, 10)]),  # eight registers between are read in vain
        ((10, 0), [(0, 1), (10, 1)]),
        ((0, 124), [(0, 1), (124, 1)]),
        (tuple(range(0, 127, 9)), [(0, 118), (126, 1)]),  # 125 registers at most
    ],
)
def test_neighbours_are_read_in_one_request(
    addresses: tuple[int, ...], blocks: list[tuple[int, int]]
) -> None:
    made = make_driver(described(*channels(*addresses)))
    plan = made.plan()
    assert plan is not None
    assert [request.data for request in plan.requests] == [ask(5, 3, *block).data for block in blocks]
    assert all(int.from_bytes(request.data[4:6], "big") <= 125 for request in plan.requests)


def test_every_value_is_found_in_its_block() -> None:
    made = make_driver(described(*channels(3, 9, type_="int32")))
    made.sent(ask(5, 3, 3, 8).data)
    registers = [0, 11, 0, 0, 0, 0, 0, 22]
    batch = made.feed(frame(5, 3, registers))
    assert [(sample.value, sample.kind.channel) for sample in batch] == [(11.0, "c3"), (22.0, "c9")]


def test_scaling_is_exact_in_decimals() -> None:
    made = make_driver(described(value(0, more="scale = 0.1\noffset = -40.0")))
    made.sent(ask(5, 3, 0, 1).data)
    assert made.feed(frame(5, 3, [403])).values.tolist() == [0.3]


def test_an_exception_is_counted_by_name_and_the_next_reply_is_good() -> None:
    made = make_driver(description("modbus-climate"))
    made.sent(CLIMATE_ASK.data)
    errors = made.feed(refusal(2, 3, 6)).errors
    assert [error.why for error in errors] == ["the gauge refuses: exception 06, server device busy"]
    made.sent(CLIMATE_ASK.data)
    assert made.feed(frame(2, 3, [231, 498])).values.tolist() == [23.1, 49.8]


def test_an_echo_of_the_request_is_told_and_the_reply_behind_it_read() -> None:
    made = make_driver(description("modbus-force"))
    made.sent(FORCE_ASK.data)
    batch = made.feed(FORCE_ASK.data + frame(1, 4, (0, 0x3F80)))
    assert batch.values.tolist() == [1.0]
    assert len(batch.errors) == 1


def test_three_unanswered_requests_are_a_complaint_until_it_answers() -> None:
    made = make_driver(description("modbus-climate"))
    for _ in range(4):
        made.sent(CLIMATE_ASK.data)
    assert made.complaint == "no reply to 3 requests; it is still asked"
    made.feed(frame(2, 3, [231, 498]))  # perhaps late, so not used
    made.sent(CLIMATE_ASK.data)
    assert len(made.feed(frame(2, 3, [231, 498]))) == 2
    assert made.complaint is None


def test_requests_to_others_on_the_line_are_known_and_nonsense_is_not() -> None:
    made = make_driver(description("modbus-climate"))
    assert made.sent(FORCE_ASK.data) == []
    for wrong in (ask(2, 3, 0, 1).data, FORCE_ASK.data[:-1] + b"\x00", b"D\r"):
        with pytest.raises(RequestError, match="was sent, but modbus-climate sends"):
            made.sent(wrong)


def test_how_much_of_a_reply_is_missing() -> None:
    missing = missing_of(read_request(1, 4, 10, 2))
    reply = frame(1, 4, (1, 2))
    assert [missing(reply[:n]) for n in range(len(reply) + 1)] == [9, 8, 7, 6, 5, 4, 3, 2, 1, 0]
    assert missing(b"\xff\xff" + reply) == 0
    assert missing(refusal(1, 4, 2)) == 0
    assert missing(refusal(1, 4, 2)[:3]) == 2
    assert missing(reply[:-1] + bytes([reply[-1] ^ 1])) == 9


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ((), "modbus.values: is missing"),
        (channels(0, 0)[:1] * 2, "two values have the same quantity and channel"),
        ((value(65535, "int32"),), "beyond the last register"),
        ((value(0, more="scale = 0.0"),), "a scale of 0"),
        ((value(0, more='quantity = "humidity"'),), "quantity, unit and range go together"),
        (
            (value(0, more='quantity = "humidity"\nunit = "degC"\nrange = [0, 100]'),),
            "'degC' is not a unit of humidity",
        ),
        (
            (value(0, more='quantity = "humidity"\nunit = "%"\nrange = [0, 100]'),),
            "modbus.values: none of them is a temperature",
        ),
    ],
)
def test_what_a_description_may_not_say(values: tuple[str, ...], fault: str) -> None:
    assert any(fault in found for found in faults(*values))


def test_a_family_that_asks_is_polled_and_makes_its_own_requests() -> None:
    request = HEAD.replace("period_s", 'request = "D"\nperiod_s')
    assert faults(value(0), head=request) == [
        "timing.request: this family makes its requests itself; leave it out"
    ]
    stream = HEAD.replace(
        'mode = "poll"\nperiod_s = 1.0\nreply_timeout_s = 0.5', 'mode = "stream"\nrate_hz = 1.0'
    )
    assert faults(value(0), head=stream) == [
        'timing.mode: this family asks its gauges, so it must be "poll", not "stream"'
    ]
    two = HEAD.replace('"temperature"', '"force"').replace('"degC"', '"N"')
    assert faults(*channels(0, 1), head=two) == [
        "modbus.values: a gauge for force has one value of it, not 2"
    ]


@pytest.mark.parametrize("name", ["modbus-force", "scpi-force"])
def test_the_force_of_a_recording_is_found_by_what_was_asked(name: str) -> None:
    times, forces, breaks = recorded_force(pairs.recording(f"{name}/steady"))
    assert (len(times), len(forces), breaks) == (40, 40, ())


def test_crc_of_the_tests_is_that_of_the_wire() -> None:
    assert frame(1, 3, [1])[-2:] == crc(frame(1, 3, [1])[:-2])
