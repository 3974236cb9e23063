"""Getting in: passwords, TLS, old protocol, refusals; and leaving in order or not."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.errors import JournalError
from acquire.outputs.mqtt.cursor import FILE
from acquire.outputs.mqtt.lanes import Durable
from tests.benches import MadeBench
from tests.broker.broker import Broker
from tests.broker.certificates import Certificates
from tests.broker.running import bus, following, hearing, on, until, write_events
from tests.must_run import program

SECRET = "hunter's invented secret"
UNSUPPORTED_LEVEL = b"\x20\x02\x00\x01"
"""CONNACK of MQTT 3.1.1, section 3.2.2.3: connection refused, unacceptable version. (From memory.)"""


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Broker]:
    """A broker that lets in user "bench" with its password only."""
    passwords = tmp_path / "passwords"
    maker = program("mosquitto_passwd")
    subprocess.run([maker, "-b", "-c", passwords, "bench", SECRET], check=True, capture_output=True)
    passwords.chmod(0o600)
    lines = ("allow_anonymous false", f"password_file {passwords}")
    with Broker(tmp_path / "guarded", lines) as one:
        yield one


def test_a_wrong_password_is_said_once_and_tried_again_without_haste(
    made: MadeBench, guarded: Broker
) -> None:
    wrong = guarded.settings(user="bench", password=f"not {SECRET}", first_wait_s=0.1, longest_wait_s=0.4)
    with bus(made.home, wrong) as running:
        until(lambda: "not authorised" in guarded.log)
        time.sleep(1.2)
    assert running.said == [
        f"the broker mqtt://127.0.0.1:{guarded.port} does not let in user 'bench' (Not authorized);"
        " check PANELWRIGHT_MQTT_USER and PANELWRIGHT_MQTT_PASSWORD"
    ]
    assert SECRET not in repr(wrong)
    # After 0, 0.1, 0.3, 0.7 and 1.1 s.
    assert 3 <= guarded.log.count("not authorised") <= 6


def test_the_right_password_lets_the_bus_in(made: MadeBench, guarded: Broker) -> None:
    right = guarded.settings(user="bench", password=SECRET)
    with hearing(right) as heard, bus(made.home, right):
        until(lambda: len(on(heard, "/event/trial")) == 1)


@pytest.fixture
def secured(tmp_path: Path) -> Iterator[Broker]:
    """A broker with a certificate of our own making for 127.0.0.1."""
    own = Certificates(tmp_path / "own")
    with Broker(tmp_path / "secured", ("allow_anonymous true", *own.lines("127.0.0.1"))) as one:
        yield one


def test_over_tls_with_the_authority_that_signed_the_broker(
    made: MadeBench, secured: Broker, tmp_path: Path
) -> None:
    settings = secured.settings(tls=True, ca=tmp_path / "own" / "ca.pem")
    with following(settings) as seen, bus(made.home, settings) as running:
        until(lambda: seen.seqs == [1])
    assert running.said == [f"connected to mqtts://127.0.0.1:{secured.port}, MQTT 5"]


@pytest.mark.parametrize("wrong", ["stranger", "other name"])
def test_a_broker_whose_certificate_is_not_to_be_trusted_gets_nothing(
    made: MadeBench, tmp_path: Path, wrong: str
) -> None:
    own = Certificates(tmp_path / "own")
    trusted = own if wrong == "other name" else Certificates(tmp_path / "stranger")
    name = "broker.example" if wrong == "other name" else "127.0.0.1"
    with Broker(tmp_path / "secured", ("allow_anonymous true", *own.lines(name))) as broker:
        settings = broker.settings(tls=True, ca=trusted.ca, user="bench", password=SECRET)
        with bus(made.home, settings) as running:
            until(lambda: bool(running.said))
        assert "is not to be trusted" in running.said[0]
        assert "PANELWRIGHT_MQTT_CA" in running.said[0]
        assert "u'bench'" not in broker.log


@contextmanager
def _only_3_1_1(broker: Broker, *, answers: bool) -> Iterator[int]:
    """In front of a real broker: refuses clients of MQTT 5, as brokers without it do; lets others through."""
    server = socket.create_server(("127.0.0.1", 0))
    threads: list[threading.Thread] = []
    open_sockets = [server]

    def carry(source: socket.socket, to: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                to.sendall(data)
        for one in (source, to):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def accept() -> None:
        with suppress(OSError):
            while True:
                client, _ = server.accept()
                open_sockets.append(client)
                first = client.recv(65536)
                # CONNECT: two bytes of fixed header (short packets), "MQTT" with its length, the level.
                level = first[first.index(b"MQTT") + 4]
                if level == 5:
                    if answers:
                        client.sendall(UNSUPPORTED_LEVEL)
                    client.close()
                    continue
                real = socket.create_connection(("127.0.0.1", broker.port))
                open_sockets.append(real)
                real.sendall(first)
                for pair in ((client, real), (real, client)):
                    threads.append(threading.Thread(target=carry, args=pair))
                    threads[-1].start()

    threads.append(threading.Thread(target=accept))
    threads[0].start()
    try:
        yield server.getsockname()[1]
    finally:
        for one in open_sockets:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        for thread in threads:
            thread.join(10.0)


@pytest.mark.parametrize("answers", [True, False], ids=["refuses", "hangs up"])
def test_where_the_broker_has_no_mqtt_5_it_goes_on_with_3_1_1(
    made: MadeBench, broker: Broker, *, answers: bool
) -> None:
    write_events(made.journal, 3)
    with _only_3_1_1(broker, answers=answers) as port, hearing(broker.settings()) as heard:
        settings = replace(broker.settings(timeout_s=0.5), port=port)
        with bus(made.home, settings) as running:
            until(lambda: len(on(heard, "/event/clock-step")) == 3, lambda: running.said)
    assert running.said[-1] == f"connected to mqtt://127.0.0.1:{port}, MQTT 3.1.1"


def test_what_the_broker_does_not_take_counts_as_not_delivered(made: MadeBench, tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic read panelwright/#\n", encoding="utf-8")
    rules.chmod(0o600)
    with Broker(tmp_path / "closed", ("allow_anonymous true", f"acl_file {rules}")) as broker:
        with bus(made.home, broker.settings()) as running:
            until(lambda: bool(running.said))
        assert "does not take what we publish: Not authorized" in running.said[0]
    with (
        Broker(tmp_path / "open", port=broker.port) as broker,
        following(broker.settings()) as seen,
        bus(made.home, broker.settings()),
    ):
        until(lambda: seen.seqs == [1])


@contextmanager
def _command(*words: str | Path, **environ: str) -> "Iterator[subprocess.Popen[str]]":
    program_text = "from acquire.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", program_text, *map(str, words)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUTF8": "1", **environ},
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.slow
def test_killed_without_warning_the_broker_says_that_the_bench_is_gone(
    made: MadeBench, broker: Broker
) -> None:
    url = f"mqtt://127.0.0.1:{broker.port}"
    with (
        hearing(broker.settings()) as heard,
        _command("bus", "run", "--home", made.home.folder, PANELWRIGHT_MQTT_URL=url) as process,
    ):
        until(lambda: bool(on(heard, "/state")) and on(heard, "/state")[-1]["seq"] == 1)
        assert on(heard, "/state")[-1]["online"] is True
        process.send_signal(signal.SIGKILL)
        until(lambda: on(heard, "/state")[-1]["online"] is False)
    assert on(heard, "/state")[-1]["said"] == "vanished"
    with hearing(broker.settings(), "panelwright/1/+/state") as late:
        until(lambda: len(late) == 1)
    assert on(late, "/state")[0]["online"] is False


def test_a_bus_that_ends_because_of_its_journal_does_not_leave_the_bench_online(
    made: MadeBench, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def unreadable(*_: object) -> None:
        raise JournalError("the journal cannot be read (invented)")

    monkeypatch.setattr(Durable, "run", unreadable)
    with (
        hearing(broker.settings()) as heard,
        pytest.raises(JournalError, match="invented"),
        bus(made.home, broker.settings()),
    ):
        until(lambda: bool(on(heard, "/state")) and not on(heard, "/state")[-1]["online"])
    assert [on(heard, "/state")[place]["said"] for place in (0, -1)] == ["connected", "vanished"]


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_commands_publish_and_follow_until_they_are_ended(
    made: MadeBench, broker: Broker, number: signal.Signals
) -> None:
    url = f"mqtt://127.0.0.1:{broker.port}"
    home = ("--home", made.home.folder)
    with _command("follow", "--url", url, "--json", "--since", "0") as follower:
        with _command("bus", "run", "--url", url, *home) as process:
            assert follower.stdout is not None
            lines = (json.loads(line) for line in follower.stdout)
            event = next(line for line in lines if line["what"] == "EventMessage")
            process.send_signal(number)
            left = next(line for line in lines if line["what"] == "BenchState" and not line["online"])
            assert process.wait(10.0) == 0
        follower.send_signal(signal.SIGINT)
        assert follower.wait(10.0) == 0
    assert event["body"]["product"] == "Sample Wax (invented)"
    assert left["said"] == "stopped"
    assert (made.home.folder / FILE).exists()
