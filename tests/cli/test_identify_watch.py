"""`panelwright identify` and `panelwright watch` as a person meets them, on a pseudo-terminal."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

import config
from acquire.cli import main
from acquire.cli.identify import _understand as understand
from acquire.cli.identify_said import Said
from acquire.identify import CannotTell, Heard
from acquire.recordings import read_recording
from drivers.description import load_description
from tests.port_tools import Cable

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")

GAUGE = config.FOLDER / "gauges" / "force-stream-n.toml"
DEADLINE_S = 20.0


@contextmanager
def streaming(cable: Cable) -> Iterator[None]:
    """Sends 50 lines a second until left."""
    done = threading.Event()

    def send() -> None:
        count = 0
        while not done.wait(0.02):
            cable.send(b"%+07.2f N\r\n" % (count * 7 % 41 * 0.53 - 9))
            count += 1

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


@pytest.mark.slow
def test_identify_writes_a_description_and_never_overwrites_it(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "gauge")
    args = ["identify", str(cable.link), "--json", "--name", "my-force", "--home", str(tmp_path / "bench")]
    with streaming(cable):
        first = CliRunner().invoke(main, args)
    again = CliRunner().invoke(main, args)
    cable.pull()
    assert first.exit_code == 0, first.output
    written = tmp_path / "bench" / "gauges" / "my-force.toml"
    description = load_description(written)
    assert (description.unit, description.timing.mode) == ("N", "stream")
    assert description.timing.rate_hz == pytest.approx(50, rel=0.1)
    assert f'port = "serial:{cable.link}"' in first.output
    assert again.exit_code == 1
    assert "exists already" in again.output
    data = json.loads(first.stdout)
    assert (data["quantity"], data["unit"], data["damaged"]) == ("force", "N", 0)
    assert load_description(written).sha256 == description.sha256


@pytest.mark.slow
def test_identify_sends_nothing_if_it_may_only_listen(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "gauge")
    # Held open, so that what was sent would still be there to read after the command has closed its side.
    held = os.open(cable.link, os.O_RDWR | os.O_NOCTTY)
    result = CliRunner().invoke(main, ["identify", str(cable.link), "--listen-only"])
    os.set_blocking(cable.end, False)
    with pytest.raises(BlockingIOError):
        os.read(cable.end, 100)
    os.close(held)
    cable.pull()
    assert result.exit_code == 1
    assert "says nothing" in result.output


def test_a_serial_setting_that_is_none_is_refused(tmp_path: Path) -> None:
    for command in ("identify", "watch"):
        result = CliRunner().invoke(main, [command, str(tmp_path / "gauge"), "--serial", "fast"])
        assert result.exit_code == 2
        assert "9600-8N1" in result.output


class Watching:
    """`panelwright watch` as a process whose output is no terminal."""

    def __init__(self, *args: str | Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-u", "-c", "from acquire.cli import main; main()", "watch", *map(str, args)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONUTF8": "1"},
        )
        assert self._process.stdout is not None
        self._out = self._process.stdout

    def until(self, words: str) -> str:
        for line in self._out:
            if words in line:
                return line
        raise AssertionError(f"ended before {words!r}")

    def end(self) -> tuple[int, str]:
        self._process.send_signal(signal.SIGINT)
        rest = self._out.read()
        self._out.close()
        return self._process.wait(DEADLINE_S), rest


@pytest.mark.slow
def test_watch_shows_bytes_values_and_faults_and_ends_cleanly(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "gauge")
    recording = tmp_path / "watched.rec"
    watching = Watching(cable.link, "--gauge", GAUGE, "--record", recording)
    watching.until("open")
    cable.send(b"12.34\r\n")
    assert watching.until(r"12.34\r\n").rstrip().endswith("no value")
    cable.send(b"+012.34\r\n+01x.34\r\n")
    assert watching.until(r"+012.34\r\n").rstrip().endswith("12.34 N")
    assert "!! the line does not follow the pattern" in watching.until(r"+01x.34\r\n")
    cable.pull()
    assert "!! lost: unplugged" in watching.until("lost")
    code, rest = watching.end()
    assert code == 0
    assert "1 values, 1 damaged" in rest
    received = b"".join(line.data for line in read_recording(recording)[1] if line.kind == "chunk")
    assert received == b"12.34\r\n+012.34\r\n+01x.34\r\n"


@pytest.mark.slow
def test_watch_without_description_shows_bare_bytes_and_keeps_nothing(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "gauge")
    watching = Watching(cable.link)
    watching.until("open")
    cable.send(b"\x02+1.5\x03\xff\n")
    assert r"\x02+1.5\x03\xff\n" in watching.until("1.5")
    code, rest = watching.end()
    cable.pull()
    assert code == 0
    assert "Nothing was recorded." in rest
    assert [path.name for path in tmp_path.iterdir()] == ["gauge"]


def test_ending_does_not_take_long_where_the_port_is_missing(tmp_path: Path) -> None:
    begin_s = time.monotonic()
    watching = Watching(tmp_path / "absent")
    assert "is not there" in watching.until("lost")
    assert watching.end()[0] == 0
    assert time.monotonic() - begin_s < DEADLINE_S


def test_a_person_says_what_cannot_be_heard(tmp_path: Path) -> None:
    lines = [(n * 50_000, b"%+07.2f\r\n" % (n * 7 % 41 * 0.53 - 9)) for n in range(60)]
    with CliRunner().isolation(input="force lbf\ny\nmine\n") as streams:
        understand(Heard(tuple(lines)), "serial:./gauge", None, Said(ask=True), tmp_path, False)
        said = streams[0].getvalue().decode()
    description = load_description(tmp_path / "gauges" / "mine.toml")
    assert (description.unit, description.tension) == ("lbf", "negative")
    assert "To be confirmed" not in description.text
    assert "prints no unit" in said
    assert 'description = "mine"' in said


def test_what_a_person_says_on_the_command_line_goes_into_the_description(tmp_path: Path) -> None:
    lines = [(n * 50_000, b"%+07.2f\r\n" % (n * 7 % 41 * 0.53 - 9)) for n in range(60)]
    said = Said(ask=False, unit="lbf", range=(-50.0, 50.0), resolution=0.02)
    with CliRunner().isolation():
        understand(Heard(tuple(lines)), "serial:./gauge", "told", said, tmp_path, False)
    description = load_description(tmp_path / "gauges" / "told.toml")
    assert (description.unit, description.range, description.resolution) == ("lbf", (-50.0, 50.0), 0.02)


def test_a_unit_that_contradicts_the_gauge_is_refused(tmp_path: Path) -> None:
    lines = [(n * 50_000, b"%+07.2f N\r\n" % (n * 7 % 41 * 0.53 - 9)) for n in range(60)]
    with CliRunner().isolation(), pytest.raises(CannotTell, match="prints 'N', which is not lbf"):
        understand(Heard(tuple(lines)), "serial:./gauge", "told", Said(False, "lbf"), tmp_path, False)
