"""Every command has help with an example; a newcomer's first mistakes each get one plain answer."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

import config
from acquire import cli
from acquire.cli import main
from acquire.home import Home
from acquire.recordings import Header, Recorder
from acquire.trials import trials_of
from acquire.verification import verify
from simulators.speech import gloss_key
from tests.manual_clock import ManualClock
from tests.rig import gloss, lay_out, rig, wash


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, list(map(str, args)))


def refused(*args: str | Path) -> str:
    """What a command says that must fail with one plain message and no traceback."""
    result = run(*args)
    assert isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code in (1, 2)
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    assert result.stderr.count("Error: ") == 1
    return result.stderr


def every_command(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from every_command(command, (*path, name))
        else:
            yield (*path, name)


@pytest.mark.parametrize("words", list(every_command(main)), ids=" ".join)
def test_every_command_has_help_with_an_example(words: tuple[str, ...]) -> None:
    result = run(*words, "--help")
    assert result.exit_code == 0, result.output
    assert f"Example:  panelwright {' '.join(words)}" in " ".join(result.output.split("\n")) or (
        f"Example: panelwright {' '.join(words)}" in result.output
    )


def test_the_table_of_commands_is_in_order_and_each_is_listed() -> None:
    assert list(cli._COMMANDS) == sorted(cli._COMMANDS)
    listed = run("--help").output
    assert all(f"\n  {name} " in listed for name in cli._COMMANDS)


def test_the_version_is_told_without_waiting_for_the_heavy_libraries() -> None:
    code = (
        "import sys\n"
        "from acquire.cli import main\n"
        "try:\n    main(['--version'])\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "print(*sorted({'numpy', 'pydantic', 'scipy', 'sqlalchemy', 'rich'} & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=20
    )
    version, loaded = done.stdout.splitlines()
    assert version.startswith("panelwright ")
    assert loaded == ""


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = lay_out(tmp_path / "bench")
    run("trial", "open", "larch", "--product", "Invented wax", "--panel", "A", "--home", made.folder)
    return made


def test_a_bench_is_laid_out_and_its_first_trial_opened(tmp_path: Path) -> None:
    place = tmp_path / "my bench"
    said = run("init", "--home", place).output
    assert f"Now edit {place / 'bench.toml'}" in said
    assert "nothing was changed" in run("init", "--home", place).output
    assert "No trial yet" not in run("gauges", "--home", place).output
    said = run("trial", "open", "larch", "--product", "Wax", "--panel", "A", "--home", place).output
    assert "Next:  panelwright next larch" in said
    assert "larch: Wax. Next: Wash the panel on A." in run("trial", "list", "--home", place).output
    assert "      0 of 6    bare slip on A" in run("trial", "steps", "larch", "--home", place).output


@pytest.mark.parametrize(
    "words",
    [
        ("capture", "larch"),
        ("check", "force", "--against", "weight-200g"),
        ("trial", "open", "larch", "--product", "Wax", "--panel", "A"),
        ("trial", "list"),
        ("trial", "steps", "larch"),
        ("rate", "larch", "handling", "5"),
        ("inspect", "larch", "60", "--passed"),
        ("rule", "x#1", "--count", "--reason", "fine"),
        ("score",),
        ("journal",),
        ("verify",),
    ],
    ids=" ".join,
)
def test_without_a_bench_every_command_says_how_to_make_one(tmp_path: Path, words: tuple[str, ...]) -> None:
    said = refused(*words, "--home", tmp_path / "none")
    assert f"panelwright init --home {tmp_path / 'none'}" in said
    assert not (tmp_path / "none").exists()


def test_a_bench_without_a_trial_says_how_to_open_one(tmp_path: Path) -> None:
    home = lay_out(tmp_path)
    assert "panelwright trial open" in refused("capture", "larch", "--home", home.folder)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("capture", "larhc", "slip"), "there is no trial 'larhc'\n  trials: larch"),
        (("capture", "larch", "slip", "--panel", "B"), "has no panel 'B'\n  its panels: A"),
        (("capture", "larch", "wash", "--stage", "61"), "no open step like that"),
        (("capture", "larch", "slip", "--gauge", "gloss"), "'gloss' measures gloss; slip needs force"),
        (("capture", "larch", "polish"), "'polish' is not one of 'slip', 'gloss', 'uv', 'wash'"),
        (("check", "forse", "--against", "weight-200g"), "no gauge 'forse'; did you mean 'force'"),
        (("check", "force", "--against", "weight-20g"), "no reference 'weight-20g'; did you mean"),
        (("check", "force", "--against", "tile"), "tile is no reference for a gauge of force"),
        (("rate", "larch", "handling", "11", "--early"), "not on the scale\n  from 0 to 10 in steps of 0.5"),
        (("rule", "x#1", "--count", "--reason", "fine"), "there is no reading 'x#1'"),
        (("rule", "x#1", "--reason", "fine"), "say --count, --leave-out or --as-method"),
        (("trial", "open", "larch", "--product", "W", "--panel", "A"), "a trial 'larch' already"),
        (("trial", "open", "Larch", "--product", "W", "--panel", "A"), "small letters"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_slip_of_the_pen_is_answered_by_what_would_be_right(
    home: Home, words: tuple[str, ...], said: str
) -> None:
    assert said in refused(*words, "--home", home.folder)


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("bench.toml", "tolerance =", "tolerence =", "gauges.force.tolerence"),
        ("bench.toml", '"gloss-key"', '"gloss-kee"', "there is no gloss-kee.toml"),
        ("bench.toml", '"tcp://127.0.0.1:1"', '"tcp:127.0.0.1"', "gauges.force.port"),
        ("bench.toml", "[place]", "[place", "is not TOML"),
        ("method.toml", "block_mass_kg", "blok_mass_kg", "blok_mass_kg"),
        ("method.toml", "[slip]", "[slip", "not valid TOML"),
        ("gauges/force-stream-n.toml", "resolution", "resolutoin", "resolutoin"),
        ("gauges/force-stream-n.toml", "[serial]", "[serial", "is not TOML"),
    ],
)
def test_a_typing_error_in_a_file_is_named_with_its_place(
    home: Home, name: str, old: str, new: str, said: str
) -> None:
    path = home.folder / name
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    message = refused("capture", "larch", "slip", "--home", home.folder)
    assert said in message
    assert str(path) in message


@pytest.mark.parametrize(
    ("port", "said"),
    [
        ("serial:/dev/no-such-gauge", "/dev/no-such-gauge is not there"),
        ("serial:usb=NOSUCHNUMBER", "no port with USB serial number NOSUCHNUMBER"),
        ("tcp://127.0.0.1:1", "nobody answers"),
    ],
)
def test_a_gauge_that_is_not_connected_is_told_with_what_to_do(home: Home, port: str, said: str) -> None:
    text = home.bench_file.read_text(encoding="utf-8").replace("tcp://127.0.0.1:1", port)
    home.bench_file.write_text(text, encoding="utf-8")
    result = run("capture", "larch", "slip", "--wait", "0.1", "--home", home.folder)
    assert result.exit_code == 1
    assert said in result.stderr
    assert "plug it in" in result.stderr
    assert f"set its port in {home.bench_file}" in result.stderr
    assert "panelwright ports" in result.stderr
    assert "waiting for it" in result.stdout


def test_what_a_person_says_is_written_down_while_another_program_captures(home: Home) -> None:
    with rig(home.folder, gauges=["wash"]) as bench:
        with home.journal(readonly=True) as journal:
            trial = trials_of(journal)["larch"]
        bench.service.measure(trial, wash(60))
        bench.strokes(1, 5)
        for words in (
            ("rate", "larch", "handling", "5", "--early"),
            ("inspect", "larch", "60", "--failed", "--early"),
            ("trial", "open", "fir", "--product", "Another invented wax", "--panel", "B"),
        ):
            result = run(*words, "--home", home.folder)
            assert result.exit_code == 0, result.output
        bench.strokes(6, 11)
    assert verify(home).holds


def test_a_file_that_may_not_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    said = refused("init", "--home", tmp_path / "file" / "bench")
    assert str(tmp_path / "file") in said


def pressed(path: Path, *, driver: str = "gloss-key") -> Path:
    clock = ManualClock()
    with Recorder(path, Header(driver=driver), clock) as recorder:
        recorder.mark("open", "", 0)
        for value in (90.1, 90.2):
            clock.move(1.5)
            recorder.chunk(gloss_key(60, value), recorder.now_us())
        recorder.chunk(gloss_key(60, 90.2) + b"rubbish\r\n", recorder.now_us())
    return path


def test_a_replay_lists_what_is_taken_and_why_not(tmp_path: Path) -> None:
    path = pressed(tmp_path / "g.rec")
    assert run("replay", path).stdout.splitlines() == [
        f"{path}:",
        "       1.500 s  accepted  90.1 GU       bytes 0 to 13",
        "       3.000 s  accepted  90.2 GU       bytes 13 to 26",
        "       3.000 s  refused  90.2 GU       bytes 26 to 39",
        "                the same line twice within a fifth of a second: counted once",
        "  2 accepted, 1 refused, from 3 samples; 1 damaged lines",
    ]


def test_a_replay_in_json_holds_every_item(tmp_path: Path) -> None:
    (data,) = json.loads(run("replay", pressed(tmp_path / "g.rec"), "--json").stdout)
    assert [(item["verdict"], item["value"]) for item in data["items"]] == [
        ("accepted", 90.1),
        ("accepted", 90.2),
        ("refused", 90.2),
    ]
    assert (data["descriptions"], data["samples"], data["damaged_frames"]) == (["gloss-key"], 3, 1)
    assert data["journal"] is None


def test_a_replay_at_a_pace_takes_its_time_and_gives_the_same(tmp_path: Path) -> None:
    path = pressed(tmp_path / "g.rec")
    assert run("replay", path, "--pace", "60").stdout == run("replay", path).stdout


def test_a_replay_compares_with_the_journal_and_ends_with_a_status(tmp_path: Path) -> None:
    with rig(tmp_path / "bench") as bench:
        bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.2)
        path = bench.service._open["gloss"].recorder.path
    home = tmp_path / "bench"
    said = run("replay", path, "--home", home)
    assert said.exit_code == 0
    assert "2 readings and 0 refusals, all the same as in the journal" in said.output
    path.write_text(
        path.read_text(encoding="utf-8").replace("39 30 2E 31", "39 39 2E 31"), encoding="ascii", newline="\n"
    )
    said = run("replay", path, "--home", home)
    assert said.exit_code == 1
    assert "2 readings and 0 refusals in the journal, and 1 thing(s) wrong" in said.output
    assert "value is 90.1 in the journal, 99.1 by the recording" in said.output
    other = pressed(tmp_path / "other.rec")
    said = run("replay", other, "--home", home)
    assert said.exit_code == 0
    assert "does not tell of this recording" in said.output


def test_a_replay_of_a_gauge_of_ones_own_needs_its_description(tmp_path: Path) -> None:
    path = pressed(tmp_path / "g.rec", driver="my-gauge")
    assert "no gauge description 'my-gauge'" in refused_after(path)
    own = tmp_path / "my-gauge.toml"
    own.write_bytes((config.FOLDER / "gauges" / "gloss-key.toml").read_bytes())
    assert "2 accepted, 1 refused" in run("replay", path, "--gauge", own).output


def refused_after(path: Path) -> str:
    result = run("replay", path)
    assert result.exit_code == 1
    return result.stderr


def test_what_is_no_recording_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "notes.rec"
    path.write_text("# format: panelwright-rec 1\n# driver: gloss-key\nhello\n", encoding="utf-8")
    assert "the header lacks start-utc" in refused_after(path)
    assert "does not exist" in refused("replay", tmp_path / "none.rec")


@pytest.mark.parametrize(
    "words",
    [("trial", "list"), ("trial", "steps", "larch"), ("gauges",), ("journal",), ("score",), ("verify",)],
    ids=" ".join,
)
def test_json_on_stdout_is_json_and_nothing_else(home: Home, words: tuple[str, ...]) -> None:
    result = run(*words, "--json", "--home", home.folder)
    assert result.exit_code == 0, result.output
    assert isinstance(json.loads(result.stdout), list | dict)


def test_ports_are_listed_as_json_without_opening_any() -> None:
    assert isinstance(json.loads(run("ports", "--no-probe", "--json").stdout), list)
