from pathlib import Path

import pytest

import config
from acquire.errors import ConfigError
from acquire.home import Home


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "my bench")
    made.create()
    return made


def test_a_new_bench_has_all_a_person_edits_and_can_be_read(home: Home) -> None:
    names = sorted(path.name for path in home.gauges.iterdir())
    assert names == sorted(path.name for path in (config.FOLDER / "gauges").glob("*.toml"))
    assert home.bench().gauges
    assert home.method().title == "Starting method"
    assert home.recordings.is_dir()


def test_laying_out_again_changes_nothing_and_brings_back_what_is_missing(home: Home) -> None:
    home.bench_file.write_text("mine", encoding="utf-8")
    home.method_file.unlink()
    assert home.create() == [home.method_file]
    assert home.bench_file.read_text(encoding="utf-8") == "mine"


def test_without_a_bench_every_way_in_says_how_to_make_one(tmp_path: Path) -> None:
    home = Home(tmp_path)
    for missing, read in (
        ("bench.toml", home.bench),
        ("method.toml", home.method),
        ("bench.toml", home.journal),
        ("journal.sqlite", lambda: home.journal(readonly=True)),
    ):
        with pytest.raises(ConfigError, match=missing) as caught:
            read()
        assert caught.value.hint == f"lay out a bench there with: panelwright init --home {tmp_path}"
    assert list(tmp_path.iterdir()) == [], "nothing was begun where no bench is"


def test_a_folder_with_blanks_in_its_name_is_quoted_where_a_command_is_proposed(home: Home) -> None:
    with pytest.raises(ConfigError) as caught:
        home.journal(readonly=True)
    assert caught.value.hint.endswith(f'--home "{home.folder}"')


def test_a_bench_on_which_nothing_happened_says_how_to_begin(home: Home) -> None:
    with pytest.raises(ConfigError, match="nothing has happened there yet") as caught:
        home.journal(readonly=True)
    assert caught.value.hint.startswith("open a trial: panelwright trial open")


def test_a_copied_journal_can_be_read_without_its_bench(home: Home, tmp_path: Path) -> None:
    home.journal().close()
    (tmp_path / "journal.sqlite").write_bytes(home.journal_file.read_bytes())
    with Home(tmp_path).journal(readonly=True) as journal:
        assert journal.head()[0] == 0


def test_a_file_saved_with_a_byte_order_mark_is_read(home: Home) -> None:
    for path in (home.method_file, home.bench_file):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert home.method().title == "Starting method"
    assert home.bench().name == "Example bench (invented)"


def test_a_method_in_another_encoding_is_refused_with_what_to_do(home: Home) -> None:
    home.method_file.write_bytes('title = "Prüfung"'.encode("latin-1"))
    with pytest.raises(ConfigError, match="is not UTF-8 text") as caught:
        home.method()
    assert caught.value.hint == "save it as UTF-8"


def test_another_method_is_taken_from_its_own_path(home: Home, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    text = home.method_file.read_text(encoding="utf-8").replace("Starting method", "Other method")
    other.write_text(text, encoding="utf-8")
    assert home.method(other).title == "Other method"


def test_an_unknown_description_is_answered_by_those_there_are(home: Home) -> None:
    with pytest.raises(ConfigError, match="no gauge description 'gloss-kee'") as caught:
        home.description("gloss-kee")
    assert "gloss-key" in caught.value.hint


def test_a_faulty_description_is_named_with_its_key(home: Home) -> None:
    path = home.gauges / "gloss-key.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("resolution", "resolutoin"), encoding="utf-8")
    with pytest.raises(ConfigError, match="resolutoin") as caught:
        home.description("gloss-key")
    assert str(path) in str(caught.value)
