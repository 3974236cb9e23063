"""What is noticed in a stream of bytes whose port is fine, and what is not."""

from collections.abc import Sequence
from itertools import permutations

import pytest

import config
from acquire.health import ECHO, Health, whose
from acquire.ports import PortEvent
from acquire.recordings import LineKind, read_recording
from acquire.stream import GaugeStream
from drivers.description import GaugeDescription, load_description
from drivers.registry import driver_class, make_driver
from tests.manual_clock import START_UTC
from tests.recordings.pairs import FOLDER

GAUGES = {path.stem: load_description(path) for path in sorted((config.FOLDER / "gauges").glob("*.toml"))}
BY_LINES = [name for name, one in GAUGES.items() if one.driver == "line"]


class Heard:
    """A stream with its health, fed by hand."""

    def __init__(self, name: str, others: dict[str, GaugeDescription] | None = None) -> None:
        self.stream = GaugeStream(GAUGES[name])
        self.health = Health(self.stream, "serial:COM3", others)
        self.t_us = 0
        self.say("open")

    def say(self, kind: LineKind, data: bytes = b"") -> None:
        event = PortEvent("g", kind, self.t_us, START_UTC, data)
        self.stream.take(event)
        self.health.hear(event)

    def lines(self, lines: Sequence[bytes], every_s: float) -> None:
        for line in lines:
            self.t_us += round(every_s * 1e6)
            self.say("chunk", line)

    def asked(self, request: bytes, replies: Sequence[bytes], every_s: float) -> None:
        for reply in replies:
            self.t_us += round(every_s * 1e6)
            self.say("sent", request)
            if reply:
                self.say("chunk", reply)

    def trouble(self, later_s: float = 0.0, *, expecting: bool = False) -> str:
        return self.health.trouble(self.t_us + round(later_s * 1e6), expecting=expecting) or ""


def noisy(count: int) -> list[bytes]:
    return [b"+000.%02d\r\n" % (number % 3) for number in range(count)]


def test_a_sound_stream_gives_no_cause() -> None:
    heard = Heard("force-stream-n")
    heard.lines(noisy(12_000), 0.01)
    assert heard.trouble() == ""
    assert heard.health.well


def test_damaged_lines_are_told_once_none_was_good_for_a_second() -> None:
    heard = Heard("force-stream-n")
    heard.lines(noisy(50), 0.01)
    heard.lines([b"+0x0.01\r\n"] * 90, 0.01)
    assert heard.trouble() == ""
    heard.lines([b"+0x0.01\r\n"] * 20, 0.01)
    assert heard.trouble().startswith("bytes arrive but no line is understood: wrong speed, parity")
    assert heard.trouble().endswith("`panelwright identify serial:COM3` finds out")
    assert not heard.health.well
    heard.lines(noisy(1), 0.01)
    assert heard.trouble() == ""


def test_one_good_line_in_ten_is_not_a_wrong_speed() -> None:
    heard = Heard("force-stream-n")
    for _ in range(100):
        heard.lines([*noisy(1), *[b"+0x0.01\r\n"] * 9], 0.01)
    assert heard.trouble() == ""


def test_bytes_without_any_line_end_are_noticed() -> None:
    heard = Heard("force-stream-n")
    heard.lines([b"\x8d\x0a" * 8] * 20, 0.1)
    assert heard.trouble().startswith("bytes arrive but no line is understood")


def test_a_key_pressed_in_vain_is_noticed_at_the_first_press() -> None:
    heard = Heard("gloss-key")
    heard.lines([b"20 091.4 GU\r\n"], 1.0)
    heard.lines([b"20 091.4 GU\x8d\x0a"], 1.0)
    assert heard.trouble(0.5) == ""
    assert heard.trouble(1.5).startswith("bytes arrive but no line is understood")


def test_answers_without_news_are_no_trouble_however_long_and_one_bad_among_them_neither() -> None:
    heard = Heard("gloss-poll")
    for _ in range(20):
        heard.asked(b"READ?\n", [*[b"NONE\n"] * 50, b"NO#E\n"], 0.5)
    assert heard.trouble() == ""


def test_a_gauge_in_the_wrong_mode_says_why_nothing_counts() -> None:
    heard = Heard("force-unit-mode")
    line = b"PEA;+0012,345;N;-"
    check = 0
    for byte in line:
        check ^= byte
    heard.lines([b"%s*%02X\r\n" % (line, check)] * 40, 0.05)
    assert heard.trouble() == "no value of it can be used: gauge is in peak hold"


@pytest.mark.parametrize(
    ("gauge", "request_", "reply"),
    [
        ("force-poll-gf", b"D\r", b"D\r-01230 gf S\r\n"),
        ("wash-poll", b"N?\r\n", b"N?\r\nN=000123\r\n"),
        ("scpi-force", b"MEAS:FORC?\n", b"MEAS:FORC?\n+1.0E+0,N\n"),
    ],
)
def test_an_echo_is_called_by_its_name_and_forgotten_when_it_is_over(
    gauge: str, request_: bytes, reply: bytes
) -> None:
    heard = Heard(gauge)
    heard.asked(request_, [reply] * 4, 0.1)
    assert heard.trouble() == ECHO
    heard.asked(request_, [reply[len(request_) :]] * 40, 0.1)
    assert heard.trouble() == ""


def test_garbage_replies_are_not_mistaken_for_silence() -> None:
    heard = Heard("modbus-force")
    plan = make_driver(GAUGES["modbus-force"]).plan()
    assert plan is not None
    request = plan.requests[0].data
    heard.asked(request, [b"\x00\x81\x00\x77"] * 12, 0.2)
    assert heard.trouble().startswith("bytes arrive but no line is understood")
    silent = Heard("modbus-force")
    silent.asked(request, [b""] * 12, 0.2)
    assert silent.trouble() == ""


def test_a_value_whose_noise_has_gone_is_told_after_half_a_minute() -> None:
    heard = Heard("force-stream-n")
    heard.lines(noisy(500), 0.01)
    heard.lines([b"+000.01\r\n"] * 2990, 0.01)
    assert heard.trouble() == ""
    heard.lines([b"+000.01\r\n"] * 20, 0.01)
    assert heard.trouble() == "shows exactly 0.01 N for 30 s while it changed before: is it stuck?"
    heard.lines(noisy(2), 0.01)
    assert heard.trouble() == ""


def test_a_coarse_gauge_at_rest_is_given_ten_times_its_longest_rest() -> None:
    heard = Heard("force-poll-gf")
    heard.asked(b"D\r", [b"+00000 gf S\r\n"] * 200, 0.1)
    heard.asked(b"D\r", [b"-00%03d gf U\r\n" % (10 * n) for n in range(1, 20)], 0.1)
    heard.asked(b"D\r", [b"+00000 gf S\r\n"] * 1900, 0.1)
    assert heard.trouble(expecting=True) == ""
    heard.asked(b"D\r", [b"+00000 gf S\r\n"] * 110, 0.1)
    assert heard.trouble().startswith("shows exactly 0 gf for 199 s")


def test_a_gap_between_samples_is_no_evidence_of_stillness() -> None:
    heard = Heard("force-stream-n")
    heard.lines(noisy(50), 0.01)
    heard.t_us += 10_000_000
    heard.lines(noisy(50), 0.01)
    heard.lines([b"+000.01\r\n"] * 3020, 0.01)
    assert heard.trouble().startswith("shows exactly 0.01 N for 30 s")


def test_a_value_that_never_moved_is_told_only_while_something_is_measured() -> None:
    heard = Heard("force-poll-gf")
    heard.asked(b"D\r", [b"+00000 gf S\r\n"] * 620, 0.1)
    assert heard.trouble() == ""
    assert heard.trouble(expecting=True).startswith("has shown nothing but 0 gf since it was opened")


def test_nothing_is_carried_over_a_loss() -> None:
    heard = Heard("force-stream-n")
    heard.lines([b"+0x0.01\r\n"] * 200, 0.01)
    heard.say("lost")
    assert heard.trouble(10.0) == ""
    heard.say("open")
    assert heard.trouble(10.0) == ""


def received(name: str) -> bytes:
    _, lines = read_recording(FOLDER / name / "steady.rec")
    return b"".join(line.data for line in lines if line.kind == "chunk")


@pytest.mark.parametrize(("sends", "plugged_in_as"), list(permutations(BY_LINES, 2)))
def test_no_gauge_of_ours_is_read_as_another(sends: str, plugged_in_as: str) -> None:
    batch = make_driver(GAUGES[plugged_in_as]).feed(received(sends))
    assert [sample for sample in batch if sample.kind.good] == []


@pytest.mark.parametrize("sends", BY_LINES)
def test_the_owner_of_the_lines_is_found(sends: str) -> None:
    asked = {name for name, one in GAUGES.items() if driver_class(one.driver).asks_itself}
    assert whose(received(sends), {name: GAUGES[name] for name in [*asked, *BY_LINES]}) == sends


def test_lines_of_another_gauge_are_told_with_its_name() -> None:
    heard = Heard("force-stream-n", {"wash": GAUGES["wash-stroke"], "gloss": GAUGES["gloss-key"]})
    heard.lines([b"60 091.4 GU\r\n"] * 7, 0.3)
    assert heard.trouble() == (
        "what comes here is no line of this gauge but reads like gauge 'gloss': "
        "are two gauges swapped between their ports?"
    )
