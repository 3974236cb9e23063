"""The recordings, and the tool that rewrites an expectation; what they must give: tests/contract."""

import subprocess
from pathlib import Path

import pytest

from acquire.recordings import read_header, read_recording
from drivers import talks
from drivers.base import RequestError
from drivers.talks import Sent, Talk, openings
from tests.contract.families import ALL_FAMILIES, Family
from tests.contract.gauges import ALL, Gauge
from tests.recordings import accept, invent, pairs

every_pair = pytest.mark.parametrize("name", pairs.names())


@every_pair
def test_the_header_says_that_it_is_simulated(name: str) -> None:
    header = read_header(pairs.recording(name))
    assert header.scenario is not None
    assert header.scenario.startswith("simulated")


@every_pair
def test_the_contract_reads_recordings_as_everybody_else_does(name: str) -> None:
    header, lines = read_recording(pairs.recording(name))
    said: list[Talk] = []
    for line in lines:
        if line.kind == "open":
            said.append([])
        elif line.kind in ("chunk", "sent"):
            said[-1].append(line.data if line.kind == "chunk" else Sent(line.data))
    assert lines.cut is None
    assert openings(pairs.recording(name)) == said
    assert talks.read_header(pairs.recording(name))["driver"] == header.driver


def test_every_gauge_has_its_recordings_and_none_is_left_over() -> None:
    assert pairs.names() == sorted(
        f"{one.name}/{scenario}" for one in (*ALL, *ALL_FAMILIES) for scenario in invent.SCENARIOS
    )
    expectations = {path.name.split(".")[0] for path in pairs.FOLDER.glob("*/*.expected.jsonl")}
    assert expectations == set(invent.SCENARIOS)


@pytest.mark.parametrize("gauge", [*ALL, *ALL_FAMILIES], ids=lambda gauge: gauge.name)
def test_recordings_can_be_made_again(gauge: Gauge | Family) -> None:
    for scenario in invent.SCENARIOS:
        assert invent.made(gauge, scenario) == pairs.recording(f"{gauge.name}/{scenario}").read_bytes()


def test_the_wrong_request_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (
        pairs.recording("wash-poll/steady")
        .read_text(encoding="utf-8")
        .replace("> 4E 3F 0D 0A", "> 4E 3F 0D", 1)
    )
    (tmp_path / "wash-poll").mkdir()
    (tmp_path / "wash-poll" / "steady.rec").write_text(text, encoding="utf-8")
    monkeypatch.setattr(pairs, "FOLDER", tmp_path)
    with pytest.raises(RequestError, match=r"b'N\?\\r' was sent, but wash-poll sends b'N\?\\r\\n'"):
        pairs.outcome("wash-poll/steady")


def git(folder: Path, *words: str) -> None:
    identity = ["-c", "user.name=tester", "-c", "user.email=tester@example.invalid"]
    subprocess.run(["git", *identity, *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small repository with one pair in it."""
    folder = tmp_path / "wash-poll"
    folder.mkdir()
    (folder / "idle.rec").write_bytes(pairs.recording("wash-poll/idle").read_bytes())
    (folder / "idle.expected.jsonl").write_text("old\n", encoding="utf-8")
    git(tmp_path, "init", "-q")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "a pair")
    monkeypatch.setattr(pairs, "FOLDER", tmp_path)
    return tmp_path


def test_accepting_rewrites_and_shows_the_difference(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert accept.main(["wash-poll/idle"]) is None
    shown = capsys.readouterr().out
    assert "-old\n" in shown
    assert '+{"opening": 0, "end": 10, "value": 42.0' in shown
    git(tree, "commit", "-q", "-a", "-m", "accepted")
    assert accept.main(["wash-poll/idle"]) is None
    assert capsys.readouterr().out == "nothing changed\n"


def test_accepting_refuses_on_a_dirty_tree(tree: Path) -> None:
    (tree / "wash-poll" / "idle.expected.jsonl").write_text("changed by hand\n", encoding="utf-8")
    complaint = accept.main(["wash-poll/idle"])
    assert complaint is not None
    assert "commit or undo these first" in complaint
    assert (tree / "wash-poll" / "idle.expected.jsonl").read_text(encoding="utf-8") == "changed by hand\n"


@pytest.mark.usefixtures("tree")
def test_accepting_needs_one_known_recording() -> None:
    assert accept.main(["wash-poll/steady"]) == (
        "no recording is called 'wash-poll/steady'; there are: wash-poll/idle"
    )
    assert accept.main([]) == "name one recording, such as force-stream-n/steady"
