"""Each simulated gauge as a process on a real pseudo-terminal or TCP port, read with pyserial."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import click
import pytest
import serial
from click.testing import CliRunner

from simulators.cli import simulate
from tests.sim_process import DEADLINE_S, SimProcess, lines, truths

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


def until(done: Callable[[], object], what: str) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not done():
        assert time.monotonic() < deadline_s, f"waited in vain until {what}"
        time.sleep(0.002)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("station", "speaks", "command", "request_", "pattern", "count"),
    [
        ("force", "force-stream-n", "pull 1", None, rb"[+-]\d{3}\.\d\d\r\n", 300),
        ("force", "force-poll-gf", "weight 0.2", b"D\r", rb"[+-]\d{4}0 gf [SU]\r\n", 300),
        (
            "force",
            "force-unit-mode",
            "unit lbf",
            None,
            rb"LIV;[+-]\d{4},\d{3};(N|lbf);-\*[0-9A-F]{2}\r\n",
            50,
        ),
        ("gloss", "gloss-key", "press 10 angle=20", None, rb"20 \d{3}\.\d GU\r\n", 10),
        ("gloss", "gloss-poll", "press 1", b"READ?\n", rb"NONE\n|60;\d{3},\d;\d{4}\n", 300),
        ("wash", "wash-stroke", "strokes 20", None, rb"S \d{6}\r\n", 20),
        ("wash", "wash-poll", "strokes 20", b"N?\r\n", rb"N=\d{6}\r\n", 300),
    ],
)
def test_each_format_is_spoken(
    tmp_path: Path,
    station: str,
    speaks: str,
    command: str,
    request_: bytes | None,
    pattern: bytes,
    count: int,
) -> None:
    link = tmp_path / "gauge"
    with SimProcess(station, "--speaks", speaks, "--link", str(link), "--speed", "50") as sim:
        assert sim.port == f"serial:{link}"
        with sim.open() as port:
            lines(port, 1, request_) if speaks.startswith("force") else None  # a stream begins in mid line
            sim.tell(command)
            got = lines(port, count, request_)
            assert sim.answer() == {"done": command.split()[0], "command": command}
        assert [line for line in got if not re.fullmatch(pattern, line)] == []
        assert sim.end() == (0, "")
    assert not os.path.lexists(link)


@pytest.mark.slow
def test_pulls_and_weights_arrive_as_forces_and_as_truth(tmp_path: Path) -> None:
    link, truth = tmp_path / "gauge", tmp_path / "truth.jsonl"
    args = ("--link", str(link), "--truth", str(truth), "--speed", "40", "--noise-n", "0")
    with SimProcess("force", "--speaks", "force-stream-n", *args) as sim, sim.open() as port:
        sim.tell("pull 2 hand=steady")
        sim.tell("weight 0.1")
        weight_n = 0.1 * 9.80665
        shown_n = [0.0]
        lines(port, 1)
        until(lambda: _settled(shown_n, port, weight_n), "the weight has settled")
        assert [sim.answer()["done"] for _ in range(2)] == ["pull", "weight"]
    pulls = truths(str(truth), "pull")
    assert [pull["number"] for pull in pulls] == [1, 2]
    assert [pull["verdict"] for pull in pulls] == ["accepted", "accepted"]
    # At 100 Hz the highest sample may miss the top by one sample's rise.
    highest_n = max(pull["highest_n"] for pull in pulls)
    assert max(shown_n) == pytest.approx(highest_n, abs=0.05)
    assert truths(str(truth), "weight")[0]["force_n"] == pytest.approx(weight_n)


def _settled(shown_n: list[float], port: serial.Serial, level_n: float) -> bool:
    shown_n.append(float(port.readline()))
    return all(abs(value_n - level_n) < 0.011 for value_n in shown_n[-50:])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("station", "speaks", "request_", "answer"),
    [
        ("force", "force-poll-gf", b"D\r", b"+00000 gf S\r\n"),
        ("gloss", "gloss-poll", b"READ?\n", b"NONE\n"),
        ("wash", "wash-poll", b"N?\r\n", b"N=000000\r\n"),
    ],
)
def test_a_polled_gauge_speaks_once_for_each_request(
    tmp_path: Path, station: str, speaks: str, request_: bytes, answer: bytes
) -> None:
    link = tmp_path / "gauge"
    with SimProcess(station, "--speaks", speaks, "--link", str(link)) as sim, sim.open(timeout_s=0.1) as port:
        assert port.read(1) == b""
        port.write(request_ * 3)
        assert port.read(1000) == answer * 3


@pytest.mark.slow
def test_a_pseudo_terminal_is_raw_again_after_a_listener_left_it_otherwise(tmp_path: Path) -> None:
    termios = pytest.importorskip("termios")
    link = tmp_path / "gauge"
    cooked = termios.ECHO | termios.ICANON | termios.ISIG

    def flags(turn_on: int = 0) -> int:
        descriptor = os.open(link, os.O_RDWR | os.O_NOCTTY)
        settings = termios.tcgetattr(descriptor)
        settings[3] |= turn_on
        termios.tcsetattr(descriptor, termios.TCSANOW, settings)
        os.close(descriptor)
        return int(settings[3])

    with SimProcess("wash", "--speaks", "wash-stroke", "--link", str(link)):
        assert flags() & cooked == 0
        assert flags(turn_on=cooked) & cooked == cooked
        until(lambda: flags() & cooked == 0, "the settings are raw again")


def captured(tmp_path: Path, seed: int) -> tuple[bytes, list[float]]:
    """What came of twelve presses, the first two of them cut (perhaps their line ends too), and the truth."""
    link, truth = tmp_path / "gauge", tmp_path / "truth.jsonl"
    args = ("--link", str(link), "--truth", str(truth), "--speed", "100", "--seed", str(seed))
    with SimProcess("gloss", "--speaks", "gloss-key", *args) as sim, sim.open() as port:
        sim.tell("fault cut n=2")
        assert sim.answer()["done"] == "fault"
        sim.tell("press 12")
        assert sim.answer()["done"] == "press"
        port.timeout = 0.1
        got = port.read(4096)
    return got, [fact["shown_gu"] for fact in truths(str(truth), "measurement")]


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    first, truth = captured(tmp_path, 5)
    assert captured(tmp_path, 5) == (first, truth)
    assert captured(tmp_path, 6)[0] != first
    assert [float(line) for line in re.findall(rb"60 (\d{3}\.\d) GU\r\n", first)][-10:] == truth[2:]


def connected(sim: SimProcess) -> socket.socket:
    return socket.create_connection(("127.0.0.1", int(sim.port.rsplit(":", 1)[1])), timeout=DEADLINE_S)


def asked(connection: socket.socket) -> bytes:
    connection.sendall(b"N?\r\n")
    return connection.recv(100)


@pytest.mark.slow
def test_tcp_serves_one_listener_and_the_next_after_it() -> None:
    with SimProcess("wash", "--speaks", "wash-poll", "--tcp", "0") as sim:
        assert re.fullmatch(r"tcp://127\.0\.0\.1:\d+", sim.port)
        with connected(sim) as first:
            assert asked(first) == b"N=000000\r\n"
            with connected(sim) as second:
                assert second.recv(1) == b""
            assert asked(first) == b"N=000000\r\n"
        with connected(sim) as third:
            assert asked(third) == b"N=000000\r\n"


def gone(port: serial.Serial) -> bool:
    try:
        return port.read(1000) is None
    except (serial.SerialException, OSError):
        return True


@pytest.mark.slow
def test_unplugging_is_seen_by_the_reader_and_ends_under_the_same_link(tmp_path: Path) -> None:
    link = tmp_path / "gauge"
    with SimProcess("force", "--speaks", "force-stream-n", "--link", str(link)) as sim:
        with sim.open(timeout_s=0.1) as port:
            lines(port, 5)
            sim.tell("unplug s=0.3")
            until(lambda: gone(port), "the reader sees the loss")
            assert not os.path.lexists(link)
            sim.tell("unplug")
            assert "unplugged already" in sim.answer()["error"]
        assert sim.answer() == {"done": "unplug", "command": "unplug s=0.3"}
        with sim.open() as port:
            assert lines(port, 3)[-1] in (b"+000.00\r\n", b"-000.01\r\n", b"+000.01\r\n", b"-000.02\r\n")


@pytest.mark.slow
def test_a_tcp_gauge_comes_back_on_its_port() -> None:
    with SimProcess("wash", "--speaks", "wash-poll", "--tcp", "0") as sim:
        with connected(sim) as before:
            assert asked(before) == b"N=000000\r\n"
            sim.tell("unplug s=0.05")
            assert before.recv(1) == b""
        assert sim.answer()["done"] == "unplug"
        with connected(sim) as after:
            assert asked(after) == b"N=000000\r\n"


@pytest.mark.slow
def test_faults_are_seen_on_the_wire_and_noted(tmp_path: Path) -> None:
    link, truth = tmp_path / "gauge", tmp_path / "truth.jsonl"
    args = ("--link", str(link), "--truth", str(truth), "--rate-hz", "1000")
    with SimProcess("force", "--speaks", "force-stream-n", *args) as sim, sim.open() as port:
        lines(port, 2)
        sim.tell("fault garble p=0.2")
        assert sim.answer() == {"done": "fault", "command": "fault garble p=0.2"}
        until(lambda: not re.fullmatch(rb"[+-]\d{3}\.\d\d\r\n", port.readline()), "a line is garbled")
        sim.tell("fault none")
        assert sim.answer()["done"] == "fault"
        began_s = time.monotonic()
        sim.tell("fault silence s=0.15")
        assert sim.answer()["done"] == "fault"
        assert time.monotonic() - began_s >= 0.15
        sim.tell("fault burn")
        assert "known: garble, cut" in sim.answer()["error"]
    noted = truths(str(truth), "fault")
    assert {fact["fault"] for fact in noted} == {"garble", "silence"}
    assert all(fact["meant"] != fact["sent"] for fact in noted)
    assert sum(fact["fault"] == "silence" for fact in noted) == pytest.approx(150, rel=0.2)


@pytest.mark.slow
def test_bytes_that_nobody_listens_to_are_lost(tmp_path: Path) -> None:
    link = tmp_path / "gauge"
    with SimProcess("wash", "--speaks", "wash-stroke", "--link", str(link), "--speed", "1000") as sim:
        sim.tell("strokes 5")
        assert sim.answer()["done"] == "strokes"
        with sim.open() as port:
            until(lambda: _strokes_heard(sim, port), "somebody listens")
            sim.tell("strokes 2")
            assert sim.answer()["done"] == "strokes"
            last = lines(port, 2)
            assert int(last[1][2:]) == int(last[0][2:]) + 1
            assert int(last[0][2:]) > 6
        sim.tell("strokes 3")
        assert sim.answer()["done"] == "strokes"
        with sim.open(timeout_s=0.05) as port:
            assert port.read(1) == b""


def _strokes_heard(sim: SimProcess, port: serial.Serial) -> bool:
    """A port takes a moment to notice its listener: strokes until one is heard."""
    sim.tell("strokes 1")
    assert sim.answer()["done"] == "strokes"
    return port.in_waiting > 0 and port.readline().startswith(b"S ")


@pytest.mark.slow
@pytest.mark.parametrize("signum", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(tmp_path: Path, signum: int) -> None:
    link = tmp_path / "gauge"
    with SimProcess("gloss", "--speaks", "gloss-key", "--link", str(link)) as sim:
        assert os.path.islink(link)
        assert sim.end(signum) == (0, "")
    assert not os.path.lexists(link)


@pytest.mark.slow
def test_left_alone_it_goes_on_by_itself(tmp_path: Path) -> None:
    args = ("--link", str(tmp_path / "gauge"), "--speed", "100", "--auto")
    with SimProcess("wash", "--speaks", "wash-stroke", *args) as sim, sim.open() as port:
        got = lines(port, 25)
        assert int(got[-1][2:]) - int(got[0][2:]) == 24
        assert sim.end(signal.SIGTERM)[0] == 0


@pytest.mark.slow
def test_what_was_asked_before_the_end_of_stdin_is_still_done(tmp_path: Path) -> None:
    args = ("--link", str(tmp_path / "gauge"), "--speed", "100")
    with SimProcess("wash", "--speaks", "wash-stroke", *args) as sim:
        sim.tell("strokes 5")
        sim.tell("pause 2")
        sim.tell("pull 1")
        assert sim.end() == (0, "")
        assert "no command 'pull'" in sim.answer()["error"]
        assert [sim.answer()["done"] for _ in range(2)] == ["strokes", "pause"]


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["force", "--speaks", "force-stream-n"], "--link PATH or --tcp PORT"),
        (["force", "--speaks", "gloss-key", "--tcp", "0"], "'gloss-key' is not one of"),
        (
            ["force", "--speaks", "force-stream-n", "--tcp", "0", "--hand", "robot"],
            "'robot' is not one of clean",
        ),
        (
            ["force", "--speaks", "force-stream-n", "--tcp", "0", "--rate-hz", "1"],
            "between 5 and 10000 Hz, got 1",
        ),
        (
            ["force", "--speaks", "force-stream-n", "--tcp", "0", "--mu-static", "0.1"],
            "mu_kinetic <= mu_static",
        ),
        (
            ["gloss", "--speaks", "gloss-key", "--tcp", "0", "--panel", "60:90"],
            "for example: 20=88.4 60=91.0",
        ),
        (["gloss", "--speaks", "gloss-key", "--tcp", "0", "--panel", "45=90"], "45 degrees"),
        (
            ["wash", "--speaks", "wash-poll", "--tcp", "0", "--truth", "{tmp}/no/where"],
            "cannot write the truth file",
        ),
    ],
)
def test_bad_options_give_one_clear_error(tmp_path: Path, args: list[str], message: str) -> None:
    result = CliRunner().invoke(simulate, [arg.replace("{tmp}", str(tmp_path)) for arg in args])
    assert result.exit_code != 0
    assert message in result.output.replace("\n", " ")


def failed(*args: str) -> str:
    command = [sys.executable, "-m", "simulators.cli", "wash", "--speaks", "wash-poll", *args]
    done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S, check=False)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    return done.stderr


@pytest.mark.slow
def test_a_place_that_cannot_be_had_gives_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    assert "is not a link" in failed("--link", str(tmp_path / "notes.txt"))
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert "cannot make the link" in failed("--link", str(tmp_path / "no" / "gauge"))
    with SimProcess("wash", "--speaks", "wash-poll", "--tcp", "0") as sim:
        assert "try another" in failed("--tcp", sim.port.rsplit(":", 1)[1])


@pytest.mark.parametrize("name", ["", *simulate.commands])
def test_every_command_has_help_with_an_example(name: str) -> None:
    result = CliRunner().invoke(simulate, [name, "--help"] if name else ["--help"])
    assert result.exit_code == 0
    assert "Example: panelwright simulate" in result.output


def test_the_help_names_every_command_that_hands_can_give() -> None:
    from simulators.asked_force import ModbusForceStation, ScpiForceStation
    from simulators.gloss_station import GlossStation
    from simulators.room import RoomStation
    from simulators.run import COMMON_FORMS
    from simulators.wash_station import WashStation

    forms = {
        "force": {**ScpiForceStation.forms, **ModbusForceStation.forms},
        "gloss": GlossStation.forms,
        "wash": WashStation.forms,
        "room": RoomStation.forms,
        "bus": {"refuse": RoomStation.forms["refuse"]},
    }
    for name, command in simulate.commands.items():
        assert isinstance(command, click.Command)
        assert all(re.search(rf"\b{word}\b", command.help or "") for word in forms[name])
    assert all(re.search(rf"\b{word}\b", simulate.help or "") for word in COMMON_FORMS)


@pytest.mark.slow
def test_asking_for_help_does_not_load_the_heavy_libraries() -> None:
    code = "import sys, simulators.cli; sys.exit(' '.join({'numpy', 'scipy', 'serial'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr == "\n"
