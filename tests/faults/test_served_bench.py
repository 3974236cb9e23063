"""`panelwright serve` as a process: a gauge that goes and comes back, a mute broker, and its end."""

import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.home import Home
from acquire.logger import as_stamped
from acquire.verification import verify
from tests.browser.kit import ServedBench, Serving, served_bench

pytestmark = [pytest.mark.slow, pytest.mark.timeout(90)]

DEADLINE_S = 20.0
END_S = 3.0
SLIP = {"trial": "larch", "test": "slip", "panel": "A", "phase": "bare"}


def open_trial(home: Home) -> None:
    words = ["trial", "open", "larch", "--product", "Sample Wax (invented)", "--panel", "A"]
    assert CliRunner().invoke(main, [*words, "--home", str(home.folder)]).exit_code == 0


def ask(bench: ServedBench, path: str, body: object = None) -> dict[str, Any]:
    answer = httpx.request(
        "GET" if body is None else "POST",
        bench.url + path,
        json=body,
        headers={"Origin": bench.url},
        trust_env=False,
        timeout=DEADLINE_S,
    )
    assert answer.status_code == 200, answer.text
    said: dict[str, Any] = answer.json()
    return said


def until(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline_s, "did not happen in time"
        time.sleep(0.05)


def taken_n(bench: ServedBench) -> int:
    step = ask(bench, "/now.json")["step"]
    return 0 if step is None else int(step["taken"])


def ends_whole(home: Home, serving: Serving) -> None:
    code, said, took_s = serving.end()
    assert (code, said) == (0, "")
    assert took_s < END_S
    report = verify(home)
    assert report.holds, report.faults


def test_a_gauge_that_goes_and_comes_back_leaves_the_step_armed(tmp_path: Path) -> None:
    with served_bench(tmp_path / "home", "force", fill=open_trial) as bench:
        force = bench.gauges["force"]
        bench.serving.until("open on")
        ask(bench, "/do/arm", SLIP)
        force.tell("pull 1")
        until(lambda: taken_n(bench) == 1)
        force.tell("unplug s=4")
        bench.serving.until("trying to get it back")
        bench.serving.until("back on")
        force.tell("pull 1")
        until(lambda: taken_n(bench) == 2)
        # Ended in the middle of a pull, which is then none.
        force.tell("pull 1 hand=slow")
        ends_whole(bench.home, bench.serving)
        with bench.home.journal(readonly=True) as journal:
            assert len(as_stamped(journal)) == 2


def test_a_gauge_that_is_not_there_yet_holds_nothing_up(tmp_path: Path) -> None:
    absent = (
        "[gauges.spare]\ndescription = 'gloss-key'\nport = 'tcp://127.0.0.1:1'\n"
        "tolerance = { absolute = 1.0 }\n"
    )
    with served_bench(tmp_path / "home", "force", fill=open_trial, more_bench=absent) as bench:
        ask(bench, "/do/arm", SLIP)
        bench.gauges["force"].tell("pull 1")
        until(lambda: taken_n(bench) == 1)
        ends_whole(bench.home, bench.serving)


def test_a_broker_that_never_answers_holds_up_neither_the_bench_nor_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        monkeypatch.setenv("PANELWRIGHT_MQTT_URL", f"mqtt://127.0.0.1:{mute.getsockname()[1]}")
        with served_bench(tmp_path / "home", "force", fill=open_trial) as bench:
            mute.settimeout(DEADLINE_S)
            heard, _ = mute.accept()
            with heard:
                ask(bench, "/do/arm", SLIP)
                bench.gauges["force"].tell("pull 1")
                until(lambda: taken_n(bench) == 1)
                ends_whole(bench.home, bench.serving)


def test_the_unit_file_names_this_bench(tmp_path: Path) -> None:
    home = tmp_path / "my bench 100%"
    said = CliRunner().invoke(main, ["serve", "--print-unit", "--home", str(home)])
    assert said.exit_code == 0
    assert f'serve --home "{str(home).replace("%", "%%")}"' in said.output
    assert "@" not in said.output
    assert not home.exists()
