"""Ports on real pseudo-terminals: exclusive, unplugged, silent, flooded, stopped."""

import os
import select
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.errors import PortBusy
from acquire.ports import list_ports, replay_events
from acquire.ports.wire import open_serial_port
from drivers.description import SerialSettings, Timing
from tests.listed_port import Listed
from tests.port_tools import SETTINGS, STREAM, Cable, Inbox, owning

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")

POLL = Timing(mode="poll", request=b"D\r", period_s=0.02, reply_timeout_s=0.05)


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    cable = Cable(tmp_path / "gauge")
    yield cable
    cable.pull()


def test_bytes_arrive_are_recorded_and_replay_as_the_same_events(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        assert inbox.until_kind("open").note == str(cable.link)
        cable.send(b"+012.34\r\n")
        assert inbox.until_bytes(9) == b"+012.34\r\n"
    events = inbox.drain()
    assert [event.kind for event in events] == ["open", "chunk", "closed"]
    assert list(replay_events(tmp_path / "a.rec")) == events
    assert not inbox.failures


def test_every_byte_value_comes_through(cable: Cable, tmp_path: Path) -> None:
    """XON and XOFF, carriage returns, interrupts and end of file are bytes like any other."""
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        cable.send(bytes(range(256)) * 4)
        assert inbox.until_bytes(1024) == bytes(range(256)) * 4


def test_seven_bits_and_even_parity_are_accepted_on_a_pseudo_terminal(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    settings = SerialSettings(baudrate=9600, bytesize=7, parity="even", dtr=False, rts=False)
    with owning(tmp_path / "a.rec", str(cable.link), inbox, settings=settings):
        inbox.until_kind("open")
        cable.send(b"-01230 gf S\r")
        assert inbox.until_bytes(12) == b"-01230 gf S\r"


def test_seven_bits_are_accepted_again_where_the_first_time_changed_nothing(cable: Cable) -> None:
    settings = SerialSettings(baudrate=9600, bytesize=7, parity="even")
    for _ in range(3):
        port = open_serial_port(str(cable.link), settings)
        assert port.is_open
        port.close()


def test_an_owned_port_is_busy_for_others(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        with pytest.raises(PortBusy, match="is in use by another program"):
            open_serial_port(str(cable.link), SETTINGS)
    open_serial_port(str(cable.link), SETTINGS).close()


def test_a_busy_port_is_told_in_plain_words(cable: Cable, tmp_path: Path) -> None:
    other = open_serial_port(str(cable.link), SETTINGS)
    try:
        inbox = Inbox()
        with owning(tmp_path / "a.rec", str(cable.link), inbox):
            assert inbox.until_kind("lost").note == f"{cable.link} is in use by another program"
        assert [event.kind for event in inbox.drain()] == ["lost", "closed"]
    finally:
        other.close()


def test_unplugging_is_seen_at_once_and_plugging_in_again_too(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        cable.send(b"before")
        inbox.until_bytes(6)
        pulled = time.monotonic()
        cable.pull()
        assert inbox.until_kind("lost", limit_s=1.0).note == "unplugged"
        assert time.monotonic() - pulled < 1.0
        cable.plug()
        inbox.until_kind("open")
        cable.send(b"after")
        assert inbox.until_bytes(11) == b"beforeafter"
    kinds = [event.kind for event in inbox.drain()]
    assert kinds == ["open", "chunk", "lost", "open", "chunk", "closed"]
    assert [event.kind for event in replay_events(tmp_path / "a.rec")] == kinds


def test_a_usb_serial_number_is_found_again_under_another_name(cable: Cable, tmp_path: Path) -> None:
    there = [Listed(str(cable.link), "F1")]
    inbox = Inbox()
    with owning(tmp_path / "a.rec", "serial:usb=F1", inbox, ports=lambda: there):
        assert inbox.until_kind("open").note == str(cable.link)
        there.clear()
        cable.pull()
        assert inbox.until_kind("lost").note == "unplugged"
        moved = Cable(tmp_path / "elsewhere")
        there.append(Listed(str(moved.link), "F1"))
        assert inbox.until_kind("open").note == str(moved.link)
        moved.pull()


def test_another_adapter_at_the_same_path_is_never_taken_for_the_first(cable: Cable, tmp_path: Path) -> None:
    there = [Listed(str(cable.link), "F1")]
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox, ports=lambda: there):
        inbox.until_kind("open")
        there[:] = [Listed(str(cable.link), "F2")]
        cable.pull()
        assert inbox.until_kind("lost").note == "unplugged"
        cable.plug()
        swapped = inbox.until_kind("lost").note
        assert swapped.endswith("USB serial number F2 and not F1: were gauges swapped?")
    assert [event.kind for event in inbox.drain()] == ["open", "lost", "lost", "closed"]


def test_a_polled_gauge_that_is_unplugged_is_lost_too(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox, POLL):
        inbox.until_kind("sent")
        cable.pull()
        assert inbox.until_kind("lost", limit_s=1.0).note == "unplugged"


@pytest.mark.slow
def test_silence_beyond_the_limit_is_a_loss(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    timing = Timing(mode="stream", rate_hz=100.0, max_silence_s=0.1)
    with owning(tmp_path / "a.rec", str(cable.link), inbox, timing):
        inbox.until_kind("open")
        cable.send(b"+012.34\r\n")
        chunk = inbox.until_kind("chunk")
        lost = inbox.until_kind("lost")
        assert lost.note == "silent for 0.1 s"
        assert lost.t_us - chunk.t_us >= 100_000
        inbox.until_kind("open")


def test_requests_go_out_and_replies_come_in(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    timing = Timing(mode="poll", request=b"D\r", period_s=0.02, reply_timeout_s=5.0)
    with owning(tmp_path / "a.rec", str(cable.link), inbox, timing):
        inbox.until_kind("open")
        for number in range(3):
            ready, _, _ = select.select([cable.end], [], [], 5.0)
            assert ready
            assert os.read(cable.end, 100) == b"D\r"
            cable.send(b"%d\r" % number)
            inbox.until_kind("chunk")
        inbox.until_kind("sent")
    spoken = [(event.kind, event.data) for event in inbox.seen[1:7]]
    assert spoken == [pair for n in range(3) for pair in (("sent", b"D\r"), ("chunk", b"%d\r" % n))]


def test_three_unanswered_requests_are_a_loss(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox, POLL):
        assert inbox.until_kind("lost").note == "no reply to 3 requests"
    assert [event.kind for event in inbox.seen] == ["open", "sent", "sent", "sent", "lost"]


@pytest.mark.slow
def test_a_megabyte_in_one_burst_arrives_whole_though_the_taker_is_slow(cable: Cable, tmp_path: Path) -> None:
    """The inbox holds four events, so the port has to wait for it again and again."""
    inbox = Inbox(size=4)
    burst = bytes(index * 7 % 251 for index in range(1_000_000))
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        os.set_blocking(cable.end, False)
        rest, received = memoryview(burst), 0
        deadline = time.monotonic() + 15.0
        while received < len(burst) and time.monotonic() < deadline:
            if rest and select.select([], [cable.end], [], 0)[1]:
                rest = rest[os.write(cable.end, rest[:4096]) :]
            if not inbox.queue.empty():
                received += len(inbox.until_kind("chunk").data)
        assert inbox.received == burst
    recorded = b"".join(event.data for event in replay_events(tmp_path / "a.rec") if event.kind == "chunk")
    assert recorded == burst


def test_a_stream_in_small_pieces_is_gathered_into_few_chunks(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        for _ in range(200):
            cable.send(b"+012.34\r\n")
        inbox.until_bytes(1800)
    chunks_n = sum(event.kind == "chunk" for event in inbox.seen)
    assert chunks_n < 100


@pytest.mark.slow
def test_stopping_does_not_wait_for_a_taker_who_is_gone(cable: Cable, tmp_path: Path) -> None:
    inbox = Inbox(size=1)
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        for byte in b"01":
            cable.send(bytes([byte]))
            wait_for_text(tmp_path / "a.rec", f" < {byte:02X}\n")
    # Nobody took the second chunk: it, and the end, are in the recording all the same.
    assert [(event.kind, event.data) for event in inbox.drain()] == [("open", b""), ("chunk", b"0")]
    kinds = [event.kind for event in replay_events(tmp_path / "a.rec")]
    assert kinds == ["open", "chunk", "chunk", "closed"]


def test_a_port_that_was_never_there_appears_later(tmp_path: Path) -> None:
    inbox = Inbox()
    link = tmp_path / "gauge"
    with owning(tmp_path / "a.rec", f"serial:{link}", inbox):
        assert inbox.until_kind("lost").note == f"{link} is not there"
        cable = Cable(link)
        inbox.until_kind("open")
        cable.pull()
    assert [event.kind for event in inbox.seen] == ["lost", "open"]


def test_a_file_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "gauge").write_text("", encoding="utf-8")
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(tmp_path / "gauge"), inbox):
        assert "gauge cannot be used: " in inbox.until_kind("lost").note


def test_probing_tells_free_from_busy(cable: Cable, tmp_path: Path) -> None:
    listed = [Listed(str(cable.link), None)]
    (free,) = list_ports(ports=lambda: listed)
    assert (free.state, free.address, free.description) == ("free", f"serial:{cable.link}", "")
    inbox = Inbox()
    with owning(tmp_path / "a.rec", str(cable.link), inbox):
        inbox.until_kind("open")
        (busy,) = list_ports(ports=lambda: listed)
        (untried,) = list_ports(ports=lambda: listed, probe=False)
    assert (busy.state, untried.state) == ("busy", "not tried")
    cable.pull()
    (gone,) = list_ports(ports=lambda: listed)
    assert gone.state == f"{cable.link} is not there"


def test_tcp_is_owned_lost_and_found_again(tmp_path: Path) -> None:
    inbox = Inbox()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5.0)
        with owning(tmp_path / "a.rec", f"tcp://127.0.0.1:{server.getsockname()[1]}", inbox, POLL):
            first, _ = server.accept()
            with first:
                first.settimeout(5.0)
                assert first.recv(2) == b"D\r"
                first.sendall(b"1\r")
                assert inbox.until_bytes(2) == b"1\r"
            assert inbox.until_kind("lost").note in (
                "the other side closed the connection",
                "the connection broke",
            )
            second, _ = server.accept()
            with second:
                second.settimeout(5.0)
                assert second.recv(2) == b"D\r"
    assert [event.kind for event in inbox.seen if event.kind != "sent"][:3] == ["open", "chunk", "lost"]


def test_a_tcp_server_that_is_not_there_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
    inbox = Inbox()
    with owning(tmp_path / "a.rec", address, inbox, STREAM):
        assert inbox.until_kind("lost").note.startswith(f"{address}: nobody answers")


def wait_for_text(path: Path, text: str) -> None:
    deadline = time.monotonic() + 5.0
    while text not in path.read_text(encoding="utf-8"):
        assert time.monotonic() < deadline, f"{text!r} never came into {path.name}"
