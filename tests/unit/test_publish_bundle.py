"""A bundle holds everything that published figures rest on, and proves itself anywhere."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.chain import walk
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.journal import Journal
from acquire.notebook import keep_photo, write_note
from acquire.outputs.publish.bundle import PUBLIC_KEY, Manifest, write_bundle
from acquire.outputs.publish.container import MAX_GROWTH, Container
from acquire.outputs.publish.proving import BundleReport, prove_bundle
from acquire.outputs.publish.signing import SigningKey, load_key, new_key
from acquire.results import gather
from acquire.transcript import lines, read_lines, restore
from tests.publish_kit import Published, members, publish, published_bench, small_bench


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Published]:
    with published_bench(tmp_path_factory.mktemp("made") / "bench") as made:
        yield publish(made)


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> SigningKey:
    path = tmp_path_factory.mktemp("key") / "tester.pem"
    new_key(path)
    return load_key(path)


@pytest.fixture(scope="module")
def bundle(published: Published, key: SigningKey, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return published.bundle(tmp_path_factory.mktemp("site"), key)


def manifest_of(bundle: Path) -> Manifest:
    return Manifest.model_validate_json(members(bundle)["manifest.json"])


@pytest.mark.slow
def test_a_bundle_holds_with_and_without_the_tester_s_key(bundle: Path, key: SigningKey) -> None:
    seen: list[str] = []
    report = prove_bundle(bundle, public_key=key.public, watch=seen.append)
    assert report.holds
    assert report.faults == report.told == []
    assert report.signed == "by the given key"
    assert prove_bundle(bundle).signed == "by the key inside"
    assert report.fingerprint == key.public.fingerprint
    assert report.journal is not None
    assert report.journal.readings_n == 3 * 13 + 12
    assert report.files_n == len(manifest_of(bundle).files)
    # Each product: five tests; the control: three; three totals; two places.
    assert report.figures_n == 2 * 5 + 3 + 3 + 2
    assert [one for one in seen if one.startswith("replaying")]


@pytest.mark.slow
def test_the_same_results_give_the_same_bytes(published: Published, bundle: Path, tmp_path: Path) -> None:
    unsigned = published.bundle(tmp_path / "one")
    assert unsigned.read_bytes() == published.bundle(tmp_path / "other").read_bytes()
    assert {
        name: data for name, data in members(bundle).items() if name not in ("manifest.sig", "public-key.pem")
    } == members(unsigned)


@pytest.mark.slow
def test_without_a_key_it_is_unsigned_and_no_old_key_is_left_beside_it(
    published: Published, key: SigningKey, tmp_path: Path
) -> None:
    published.bundle(tmp_path, key)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bundle.zip", PUBLIC_KEY]
    unsigned = published.bundle(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bundle.zip"]
    report = prove_bundle(unsigned)
    assert report.holds
    assert (report.signed, report.fingerprint) == ("unsigned", None)
    asked = prove_bundle(unsigned, public_key=key.public)
    assert not asked.holds
    assert asked.faults == ["it is not signed, although a key was given to check it with"]


def test_the_manifest_says_what_it_is(bundle: Path, published: Published) -> None:
    manifest = manifest_of(bundle)
    assert manifest.trials == ("alder", "birch", "control")
    assert manifest.method_sha256 == published.method.sha256
    assert (manifest.at_seq, manifest.unverified) == (published.at_seq, False)
    assert any("simulated" in said for said in manifest.simulated)
    names = {one.name for one in manifest.files}
    assert {"journal.jsonl", "method.toml", "bench.toml", "protocol.toml", "README.txt"} <= names
    assert {f"recordings/{start.recording}" for start in published.material.streams} <= names
    assert {"gauges/force-stream-n.toml", "gauges/gloss-key.toml", "gauges/wash-stroke.toml"} <= names


def test_the_journal_travels_whole_and_comes_back_the_same(
    bundle: Path, published: Published, tmp_path: Path
) -> None:
    text = tmp_path / "journal.jsonl"
    text.write_bytes(members(bundle)["journal.jsonl"])
    with text.open("rb") as file:
        restore(read_lines(file, "journal.jsonl"), tmp_path / "again.sqlite")
    with (
        published.home.journal(readonly=True) as first,
        Journal.open(tmp_path / "again.sqlite", readonly=True) as again,
    ):
        assert list(again.events()) == list(first.events())
        assert again.verify(expected_head=first.head()[1]).holds
        assert b"".join(lines(again)) == text.read_bytes()
    with text.open("rb") as file:
        assert walk(read_lines(file, "journal.jsonl")).holds


def test_what_happened_since_is_not_in_it(tmp_path: Path) -> None:
    with small_bench(tmp_path / "bench") as made:
        published = publish(made)
        made.begin("later", "Later (invented)")
        manifest = manifest_of(published.bundle(tmp_path / "site"))
    assert manifest.at_seq == published.at_seq
    told = members(tmp_path / "site" / "bundle.zip")["journal.jsonl"].splitlines()
    assert len(told) == published.at_seq
    assert json.loads(told[-1])["hash"] == manifest.head
    report = prove_bundle(tmp_path / "site" / "bundle.zip")
    assert report.holds, report.faults


def proved(published: Published, folder: Path) -> BundleReport:
    return prove_bundle(published.bundle(folder))


def test_some_of_the_trials_can_be_published(tmp_path: Path) -> None:
    with small_bench(tmp_path / "bench") as made:
        made.begin("birch", "Birch (invented)")
        made.gloss("birch", "A", "bare", [91.0, 90.8, 91.3])
        whole = publish(made)
        made.begin("cedar", "Cedar (invented)")
    one = whole.only("alder")
    report = proved(one, tmp_path / "site")
    assert report.holds, report.faults
    assert report.manifest is not None
    assert report.manifest.trials == ("alder",)


def test_a_bench_file_changed_since_is_told(tmp_path: Path) -> None:
    with small_bench(tmp_path / "bench") as made:
        file = made.home.bench_file
        file.write_text(file.read_text(encoding="utf-8") + "\n# a remark\n", encoding="utf-8")
        report = proved(publish(made), tmp_path / "site")
    assert report.holds
    assert report.told == ["bench.toml was changed after the last reading; figures use it as it is here"]


def test_what_was_published_unverified_says_so_and_what_is_wrong(tmp_path: Path) -> None:
    with small_bench(tmp_path / "bench") as made:
        published = publish(made)
        recording = made.home.recordings / "gloss-001.rec"
        # The hexadecimal bytes of "091.0", then of "091.5".
        recording.write_bytes(recording.read_bytes().replace(b"30 39 31 2E 30", b"30 39 31 2E 35"))
        bundle = write_bundle(
            made.home,
            tmp_path / "site",
            method=published.method,
            at_seq=published.at_seq,
            cards=published.cards,
            ranked=published.ranked,
            unverified=True,
        )
    report = prove_bundle(bundle)
    assert not report.holds
    assert "it says of itself that it was published although verification failed" in report.told
    assert report.journal is not None
    assert [fault.recording for fault in report.journal.faults] == ["gloss-001.rec"]


def test_a_recording_that_is_gone_is_named_by_the_proof(tmp_path: Path) -> None:
    with small_bench(tmp_path / "bench") as made:
        published = publish(made)
        (made.home.recordings / "gloss-002.rec").unlink()
        report = proved(published, tmp_path / "site")
    assert not report.holds
    assert report.journal is not None
    assert "gloss-002.rec: the recording is missing" in str(report.journal.faults[0])


def test_photographs_stay_at_home(tmp_path: Path) -> None:
    with small_bench(tmp_path / "bench") as made:
        photo = keep_photo(made.home, b"\xff\xd8\xff an invented photograph")
        trial = gather(made.journal).trial("alder")
        write_note(made.journal, made.clock, trial, "looks even", photo=photo)
        report = proved(publish(made), tmp_path / "site")
    assert report.holds, report.faults
    assert report.told == ["photographs (1) are known by their hash and not in the bundle"]
    assert not [name for name in members(report.path) if photo.sha256 in name]


def test_recordings_shrink_far_less_than_a_container_may(bundle: Path) -> None:
    with Container(bundle) as packed:
        assert sum(packed.sizes.values()) < MAX_GROWTH / 10 * bundle.stat().st_size


def test_a_bench_without_anything_to_rest_on(tmp_path: Path, published: Published) -> None:
    home = Home(tmp_path / "bench")
    home.create()
    home.journal().close()
    with pytest.raises(ConfigError, match=f"no event {published.at_seq}"):
        write_bundle(
            home,
            tmp_path / "site",
            method=published.method,
            at_seq=published.at_seq,
            cards=published.cards,
            ranked=published.ranked,
        )
    assert list((tmp_path / "site").iterdir()) == []
