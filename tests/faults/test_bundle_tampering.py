"""Whoever touches a bundle is found out; and a bundle that is meant to do harm does none."""

import hashlib
import json
import stat
import struct
import zipfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from random import Random
from typing import Any

import pytest
from click.testing import CliRunner

from acquire.chain import canonical_json, make_row
from acquire.cli import main
from acquire.outputs.publish import container, proving
from acquire.outputs.publish.container import (
    Container,
    ContainerError,
    Source,
    is_plain_name,
    write_container,
)
from acquire.outputs.publish.proving import BundleReport, prove_bundle
from acquire.outputs.publish.signing import SigningKey, load_key, new_key
from tests.publish_kit import members, publish, repack, small_bench, vouched

FLIPS_N = 40
GLOSS = "recordings/gloss-001.rec"


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[SigningKey, SigningKey]:
    """The tester's and a forger's."""
    folder = tmp_path_factory.mktemp("keys")
    for name in ("tester", "forger"):
        new_key(folder / name)
    return load_key(folder / "tester"), load_key(folder / "forger")


@pytest.fixture(scope="module")
def bundle(keys: tuple[SigningKey, SigningKey], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("made")
    with small_bench(folder / "bench") as made:
        yield publish(made).bundle(folder / "site", keys[0])


@pytest.fixture(scope="module")
def files(bundle: Path) -> dict[str, bytes]:
    return members(bundle)


def said(report: BundleReport) -> str:
    """Everything that is wrong, as one text."""
    of_journal = report.journal
    faults = [*report.faults]
    if of_journal is not None:
        faults += map(str, of_journal.faults)
        if of_journal.chain.broken is not None:
            faults.append(of_journal.chain.broken.detail)
    assert report.holds == (not faults)
    return "\n".join(faults)


def replaced(data: bytes, old: bytes, new: bytes) -> bytes:
    assert old in data
    return data.replace(old, new, 1)


def test_any_byte_changed_in_any_file_is_found_and_the_file_is_named(
    files: Mapping[str, bytes], tmp_path: Path
) -> None:
    chance = Random("a byte in each file")
    for name in sorted(files.keys() - {"manifest.json"}):
        data = files[name]
        at = chance.randrange(len(data))
        altered = data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
        report = prove_bundle(repack(tmp_path / "altered.zip", {**files, name: altered}))
        assert not report.holds, name
        if name in ("manifest.sig", "public-key.pem"):
            assert report.signed == "not by this key"
        else:
            assert f"{name} was altered: it does not have the SHA-256" in said(report)


@pytest.mark.slow  # 40 bundles proved
def test_a_bit_flipped_anywhere_in_the_file_changes_nothing_unseen(
    bundle: Path, files: Mapping[str, bytes], tmp_path: Path
) -> None:
    data, chance, held_n = bundle.read_bytes(), Random("bits of the whole file"), 0
    for _ in range(FLIPS_N):
        at = chance.randrange(len(data))
        flipped = tmp_path / "flipped.zip"
        flipped.write_bytes(data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :])
        try:
            holds = prove_bundle(flipped).holds
        except ContainerError:
            continue
        # What may change unseen is only how it is packed, such as the time that the list gives a file.
        if holds:
            held_n += 1
            assert members(flipped) == dict(files)
    assert held_n < FLIPS_N / 4


def test_a_manifest_that_was_altered_does_not_fit_its_signature(
    files: Mapping[str, bytes], tmp_path: Path
) -> None:
    altered = replaced(files["manifest.json"], b'"unverified":false', b'"unverified":true')
    report = prove_bundle(repack(tmp_path / "b.zip", {**files, "manifest.json": altered}))
    assert report.signed == "not by this key"
    assert "the signature does not fit manifest.json" in said(report)
    torn = {**files, "manifest.json": files["manifest.json"][:-20]}
    with pytest.raises(ContainerError, match=r"manifest\.json is not one that this program knows"):
        prove_bundle(repack(tmp_path / "b.zip", torn))


def test_a_file_that_was_taken_out_or_added_is_named(files: Mapping[str, bytes], tmp_path: Path) -> None:
    for name in files.keys() - {"manifest.json", "manifest.sig", "public-key.pem", "journal.jsonl"}:
        left = {one: data for one, data in files.items() if one != name}
        assert f"{name} is missing: it was taken out" in said(prove_bundle(repack(tmp_path / "b.zip", left)))
    more = repack(tmp_path / "b.zip", {**files, "recordings/more.rec": b"more"})
    assert said(prove_bundle(more)) == "recordings/more.rec is not in the manifest: it was added"
    without = {name: data for name, data in files.items() if name != "journal.jsonl"}
    report = prove_bundle(repack(tmp_path / "b.zip", without))
    assert "so nothing more could be proved" in said(report)
    assert report.journal is None


def test_without_a_manifest_it_is_no_bundle(files: Mapping[str, bytes], tmp_path: Path) -> None:
    left = {name: data for name, data in files.items() if name != "manifest.json"}
    with pytest.raises(ContainerError, match=r"it has no manifest\.json"):
        prove_bundle(repack(tmp_path / "b.zip", left))
    (tmp_path / "text").write_text("no zip", encoding="utf-8")
    with pytest.raises(ContainerError, match="is no bundle"):
        prove_bundle(tmp_path / "text")


def test_another_key_is_found_by_whoever_knows_the_tester_s(
    files: Mapping[str, bytes], keys: tuple[SigningKey, SigningKey], tmp_path: Path
) -> None:
    tester, forger = keys
    forged = repack(tmp_path / "forged.zip", vouched(files, forger))
    assert prove_bundle(forged).signed == "by the key inside"
    report = prove_bundle(forged, public_key=tester.public)
    assert report.signed == "another key"
    assert said(report).startswith(f"it is signed with another key: with {forger.public.fingerprint}")
    # The tester's public key put in place of the forger's.
    mixed = {**vouched(files, forger), "public-key.pem": tester.public.pem}
    report = prove_bundle(repack(tmp_path / "mixed.zip", mixed), public_key=tester.public)
    assert "the signature does not fit manifest.json" in said(report)


def test_a_signature_that_was_taken_out_is_missed(files: Mapping[str, bytes], tmp_path: Path) -> None:
    left = {name: data for name, data in files.items() if name != "manifest.sig"}
    assert "no signature: it was taken out" in said(prove_bundle(repack(tmp_path / "b.zip", left)))


def test_packed_anew_with_the_same_content_it_still_holds(
    files: Mapping[str, bytes], keys: tuple[SigningKey, SigningKey], tmp_path: Path
) -> None:
    backwards = dict(reversed(list(files.items())))
    report = prove_bundle(repack(tmp_path / "again.zip", backwards), public_key=keys[0].public)
    assert said(report) == ""
    assert report.signed == "by the given key"


Change = Callable[[dict[str, bytes]], None]


def journal_value(files: dict[str, bytes]) -> None:
    files["journal.jsonl"] = replaced(files["journal.jsonl"], b'"value":91.0', b'"value":91.5')


def recorded_digit(files: dict[str, bytes]) -> None:
    # The hexadecimal bytes of "091.0", then of "091.5".
    files[GLOSS] = replaced(files[GLOSS], b"30 39 31 2E 30", b"30 39 31 2E 35")


def published_points(files: dict[str, bytes]) -> None:
    cards = json.loads(files["results/scorecards.json"])
    gloss = next(score for score in cards[0]["scores"] if score["test"] == "gloss")
    gloss["points"]["value"] += 1
    files["results/scorecards.json"] = json.dumps(cards).encode()


def published_place(files: dict[str, bytes]) -> None:
    ranked = json.loads(files["results/standings.json"])
    ranked["rows"][0]["place"] = 1
    files["results/standings.json"] = json.dumps(ranked).encode()


def method_factor(files: dict[str, bytes]) -> None:
    files["method.toml"] = replaced(files["method.toml"], b'title = "', b'title = "Another ')


def cut_journal(files: dict[str, bytes]) -> None:
    files["journal.jsonl"] = b"".join(files["journal.jsonl"].splitlines(keepends=True)[:-1])


def dropped_event(files: dict[str, bytes]) -> None:
    lines = files["journal.jsonl"].splitlines(keepends=True)
    files["journal.jsonl"] = b"".join(lines[:3] + lines[4:])


def no_bench_file(files: dict[str, bytes]) -> None:
    del files["bench.toml"]


def torn_line(files: dict[str, bytes]) -> None:
    files["journal.jsonl"] = files["journal.jsonl"][:-30]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (journal_value, "was altered: its content does not give its hash"),
        (recorded_digit, "value is 91.0 in the journal, 91.5 by the recording"),
        (published_points, "scorecard of alder, scores, gloss, points, value: published "),
        (published_place, "standings, rows, alder, place: published 1, worked out again None"),
        (method_factor, "method.toml is not the method that the figures name"),
        (cut_journal, "the journal ends with event "),
        (dropped_event, "these events make no journal"),
        (no_bench_file, "the figures could not be worked out again without bench.toml"),
        (torn_line, "is not an event"),
    ],
)
def test_a_forger_who_makes_manifest_and_signature_anew_is_found_by_the_figures(
    files: Mapping[str, bytes],
    keys: tuple[SigningKey, SigningKey],
    tmp_path: Path,
    change: Change,
    words: str,
) -> None:
    altered = dict(files)
    change(altered)
    report = prove_bundle(repack(tmp_path / "forged.zip", vouched(altered, keys[1])))
    assert report.signed == "by the key inside"
    assert words in said(report)


def forged_journal(lines: bytes, change: Callable[[dict[str, Any]], None]) -> tuple[bytes, int, str]:
    """A journal with bodies changed and all hashes made anew; number and hash of its last event."""
    prev, written = "0" * 64, []
    for line in lines.splitlines():
        event = json.loads(line)
        change(event)
        row = make_row(
            prev,
            seq=event["seq"],
            event_id=event["id"],
            kind=event["kind"],
            t_utc=event["t_utc"],
            t_mono_ns=event["t_mono_ns"],
            body=canonical_json(event["body"]),
        )
        prev = row["hash"]
        written.append(canonical_json({**row, "body": event["body"]}).encode() + b"\n")
    return b"".join(written), len(written), prev


def test_a_chain_made_anew_is_found_by_the_bytes_and_by_a_noted_head(
    files: Mapping[str, bytes], keys: tuple[SigningKey, SigningKey], tmp_path: Path
) -> None:
    def raise_value(event: dict[str, Any]) -> None:
        if event["kind"] == "reading" and event["body"]["value"] == 93.0:
            event["body"]["value"] = 95.0

    noted = json.loads(files["manifest.json"])["head"]
    text, at_seq, head = forged_journal(files["journal.jsonl"], raise_value)
    forged = vouched({**files, "journal.jsonl": text}, keys[1], at_seq=at_seq, head=head)
    path = repack(tmp_path / "forged.zip", forged)
    report = prove_bundle(path)
    assert report.journal is not None
    assert report.journal.chain.holds
    assert "value is 95.0 in the journal, 93.0 by the recording" in said(report)
    assert f"the event noted elsewhere ({noted}) is not in it" in said(
        prove_bundle(path, expected_head=noted)
    )


@pytest.mark.parametrize("name", ["../../secret.rec", "/etc/hostname", "sub/x.rec", "a\\b.rec", ".hidden"])
def test_a_journal_that_names_a_file_of_this_machine_makes_us_read_none(
    files: Mapping[str, bytes], keys: tuple[SigningKey, SigningKey], tmp_path: Path, name: str
) -> None:
    def point_elsewhere(event: dict[str, Any]) -> None:
        if event["kind"] == "stream":
            event["body"]["recording"] = name

    text, at_seq, head = forged_journal(files["journal.jsonl"], point_elsewhere)
    forged = vouched({**files, "journal.jsonl": text}, keys[1], at_seq=at_seq, head=head)
    report = prove_bundle(repack(tmp_path / "forged.zip", forged))
    assert f"the journal names a recording {name!r}, which no bench does" in said(report)
    assert report.journal is None


def test_a_database_smuggled_in_beside_the_journal_is_not_unpacked(
    files: Mapping[str, bytes], keys: tuple[SigningKey, SigningKey], tmp_path: Path
) -> None:
    for name in ("journal.sqlite", "journal.sqlite-wal", "sealed/x.json"):
        forged = vouched({**files, name: b"harm"}, keys[1])
        report = prove_bundle(repack(tmp_path / "forged.zip", forged))
        assert said(report) == f"{name} is nothing that a bundle holds; it was not unpacked"


def with_entry(path: Path, name: str, data: bytes = b"x", **fields: Any) -> Path:
    entry = zipfile.ZipInfo("placeholder")
    for field, value in {"filename": name, **fields}.items():
        setattr(entry, field, value)
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(entry, data)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../evil",
        "/evil",
        "a/../../evil",
        "C:evil",
        "a\\evil",
        "a/b/evil",
        "a//evil",
        ".evil",
        "a/.evil",
        "nul",
        "aux.txt",
        "evil.",
        "evil ",
        "ev\u202eil",
        "evil\n",
        "evil/",
        "",
    ],
)
def test_a_name_that_leads_elsewhere_is_refused_before_anything_is_unpacked(
    tmp_path: Path, name: str
) -> None:
    assert not is_plain_name(name)
    with (
        pytest.raises(ContainerError, match="was not unpacked"),
        Container(with_entry(tmp_path / "b.zip", name)),
    ):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["b.zip"]


def test_links_encrypted_and_doubled_files_are_refused(tmp_path: Path) -> None:
    link = with_entry(tmp_path / "b.zip", "link", b"/etc", external_attr=(stat.S_IFLNK | 0o777) << 16)
    refused(link, "link is not a plain file")
    for kind in (zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        refused(with_entry(tmp_path / "b.zip", "packed", compress_type=kind), "packed in a way no bundle is")
    data = bytearray(with_entry(tmp_path / "b.zip", "locked").read_bytes())
    data[data.rindex(b"PK\x01\x02") + 8] |= 1
    (tmp_path / "b.zip").write_bytes(data)
    refused(tmp_path / "b.zip", "locked is encrypted")
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as packed:
        packed.writestr("Name", b"one")
        packed.writestr("name", b"other")
    refused(tmp_path / "b.zip", "it names name twice")


def refused(path: Path, words: str) -> None:
    with pytest.raises(ContainerError, match=words), Container(path):
        pass


def test_a_bomb_is_refused_by_its_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(container, "SMALL_BYTES", 1 << 20)
    with zipfile.ZipFile(tmp_path / "b.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("zeros", bytes(8 << 20))
    refused(tmp_path / "b.zip", "and would unpack to 8388608")
    monkeypatch.setattr(container, "MAX_FILE_BYTES", 1000)
    refused(tmp_path / "b.zip", "zeros would be 8388608 bytes")
    monkeypatch.setattr(container, "MAX_FILES_N", 0)
    refused(tmp_path / "b.zip", "it lists 1 files, more than 0")


def test_a_list_that_lies_about_a_length_is_found_while_reading(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "b.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("zeros", bytes(3 << 20))
    data = bytearray((tmp_path / "b.zip").read_bytes())
    place = data.rindex(b"PK\x01\x02") + 24
    for claimed in (1000, 5 << 20):
        data[place : place + 4] = struct.pack("<I", claimed)
        (tmp_path / "b.zip").write_bytes(data)
        with Container(tmp_path / "b.zip") as packed_again:
            assert packed_again.sizes == {"zeros": claimed}
            given: list[bytes] = []
            with pytest.raises(ContainerError, match="zeros is"):
                given.extend(packed_again.pieces("zeros"))
            assert sum(map(len, given)) <= claimed


def test_a_bundle_cannot_print_an_answer_of_ours(files: Mapping[str, bytes], tmp_path: Path) -> None:
    name = "Bench (invented)\x1b[2K\nSignature: by the key you gave."
    forged = repack(tmp_path / "b.zip", vouched(files, bench=name))
    told = CliRunner().invoke(main, ["verify", str(forged)]).output
    assert "Bench (invented)\\x1b[2K\\nSignature" in told
    assert "\x1b" not in told
    assert "Signature: by the key you gave." not in told.splitlines()


def test_whatever_is_wrong_with_a_container_is_said_in_one_way(tmp_path: Path) -> None:
    path, chance, refused_n = tmp_path / "b.zip", Random(3), 0
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as written:
        written.writestr("a.txt", b"hello" * 50)
        written.writestr("gauges/ü.toml", b"x" * 300)
    whole = path.read_bytes()
    for _ in range(1500):
        turned = bytearray(whole)
        for _ in range(chance.choice((1, 2, 4))):
            turned[chance.randrange(len(turned))] = chance.choice((0, 1, 128, 255))
        path.write_bytes(turned)
        try:
            with Container(path) as packed:
                for name in packed.sizes:
                    assert sum(map(len, packed.pieces(name))) == packed.sizes[name]
        except ContainerError:
            refused_n += 1
    assert refused_n > 500


def test_a_manifest_too_long_to_be_one_is_not_read(bundle: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proving, "MAX_SMALL_BYTES", 100)
    with pytest.raises(ContainerError, match=r"manifest\.json .* is too long to be one"):
        prove_bundle(bundle)


def test_nothing_is_left_behind(
    files: Mapping[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    altered = dict(files)
    journal_value(altered)
    assert not prove_bundle(repack(tmp_path / "b.zip", vouched(altered))).holds
    assert list(place.iterdir()) == []


def test_of_a_file_that_grows_only_what_was_listed_is_packed(tmp_path: Path) -> None:
    (tmp_path / "growing").write_bytes(b"0123456789")
    write_container(tmp_path / "b.zip", {"growing": Source(tmp_path / "growing", 4)})
    assert members(tmp_path / "b.zip") == {"growing": b"0123"}


def test_what_could_not_be_read_back_is_not_written(tmp_path: Path) -> None:
    (tmp_path / "one").write_bytes(b"1")
    with pytest.raises(ContainerError, match=r"'\.\./one' cannot be the name of a file"):
        write_container(tmp_path / "b.zip", {"../one": Source(tmp_path / "one", 1)})
    assert not (tmp_path / "b.zip").exists()


def test_lines_that_are_no_events_are_told_and_never_break_the_proof(
    files: Mapping[str, bytes], keys: tuple[SigningKey, SigningKey], tmp_path: Path
) -> None:
    chance = Random("bytes of the journal")
    text = files["journal.jsonl"]
    for _ in range(25):
        at, to = sorted(chance.sample(range(len(text)), 2))
        piece = bytes(chance.choices(b'0123456789"{}[],:eE-nul\x00\xff', k=chance.randrange(12)))
        mangled = text[:at] + piece + text[min(to, at + chance.randrange(40)) :]
        report = prove_bundle(
            repack(tmp_path / "b.zip", vouched({**files, "journal.jsonl": mangled}, keys[1]))
        )
        assert said(report) != ""


def test_a_manifest_is_what_its_hashes_say(files: Mapping[str, bytes]) -> None:
    listed = {one["name"]: one for one in json.loads(files["manifest.json"])["files"]}
    assert listed.keys() == files.keys() - {"manifest.json", "manifest.sig", "public-key.pem"}
    for name, one in listed.items():
        # As any other program would compute it.
        assert one["sha256"] == hashlib.sha256(files[name]).hexdigest()
        assert one["size"] == len(files[name])
