"""Does a bundle hold? Everything is looked at on the machine of whoever asks, with nothing but the bundle.

    signature over the manifest, manifest over the files, chain over the journal, every reading from its
    bytes, every stamp and check from the events before it, every published figure from all of that

What is in a bundle is a stranger's: it is unpacked into a folder of its own and only ever read.
"""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

from pydantic import ValidationError

from acquire.bench import parse_bench
from acquire.errors import ConfigError, PanelwrightError
from acquire.facts import facts
from acquire.home import Home
from acquire.imports import imported_names
from acquire.model import BenchText, StreamStart
from acquire.notebook import WrittenNote
from acquire.outputs.publish import bundle as parts
from acquire.outputs.publish.bundle import CARDS, Listed, Manifest
from acquire.outputs.publish.container import Container, ContainerError, is_plain_name
from acquire.outputs.publish.figures_again import card_differences, count_figures, standings_differences
from acquire.outputs.publish.signing import PublicKey, parse_public_key
from acquire.results import gather, scorecards
from acquire.scoring.method import parse_method
from acquire.scoring.standings import Standings, rank
from acquire.transcript import read_lines, restore
from acquire.verification import VerificationReport, verify

MAX_SMALL_BYTES = 256 << 20
"""Of a manifest, a key, a method or scorecards: what is read whole."""

Signed = Literal["by the given key", "by the key inside", "unsigned", "another key", "not by this key"]
"""`another key`: valid, but by the key inside and not by the one that was given; `not by this key`: the
signature does not fit."""
Watch = Callable[[str], None]


@dataclass(slots=True)
class BundleReport:
    """What `prove_bundle` found."""

    path: Path
    signed: Signed = "unsigned"
    fingerprint: str | None = None
    """Of the key that the signature fits."""
    manifest: Manifest | None = None
    files_n: int = 0
    """Files that are what the manifest says."""
    journal: VerificationReport | None = None
    """Of journal and recordings; None: there was no journal to go through."""
    figures_n: int = 0
    """Published figures that were worked out again."""
    faults: list[str] = field(default_factory=list)
    """What is wrong outside journal and recordings."""
    told: list[str] = field(default_factory=list)
    """What a reader should know, and no fault."""

    @property
    def holds(self) -> bool:
        return not self.faults and self.journal is not None and self.journal.holds


def prove_bundle(
    path: Path,
    *,
    public_key: PublicKey | None = None,
    expected_head: str | None = None,
    watch: Watch | None = None,
) -> BundleReport:
    """Proves a bundle from itself alone; nothing outside a temporary folder is written.

    Args:
        public_key: of the tester, as known from elsewhere: the bundle must be signed with it.
        expected_head: a hash of the journal's head that was noted elsewhere; it must occur in the chain.
        watch: told what is gone through.

    Raises:
        ContainerError: it is no bundle, or was not unpacked because its list is not a bundle's.
    """
    say = watch or (lambda _: None)
    report = BundleReport(path)
    with Container(path) as packed, TemporaryDirectory(prefix="panelwright-") as made:
        home = Home(Path(made))
        say("the signature")
        text = _small(packed, parts.MANIFEST)
        _look_at_signature(packed, text, public_key, report)
        report.manifest = _manifest(text)
        say("the files")
        _unpack(packed, report.manifest, home, report)
        say("the journal")
        if _rebuild_journal(home, report):
            _look_at_journal(home, report, expected_head, say)
            say("the figures")
            _work_out_again(home, report.manifest, report)
    return report


def _small(packed: Container, name: str) -> bytes:
    """A file that is held whole.

    Raises:
        ContainerError: it is not in the bundle, too long or damaged.
    """
    if name not in packed.sizes:
        raise ContainerError(f"{packed.path} is no bundle: it has no {name}", hint="name a bundle.zip")
    if packed.sizes[name] > MAX_SMALL_BYTES:
        raise ContainerError(f"{name} in {packed.path} is too long to be one", hint="name a bundle.zip")
    return b"".join(packed.pieces(name))


def _manifest(text: bytes) -> Manifest:
    try:
        return Manifest.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "all of it"
        raise ContainerError(
            f"{parts.MANIFEST} is not one that this program knows: {where}: {first['msg']}",
            hint="it was altered, or written by a newer version of the program",
        ) from error


def _look_at_signature(
    packed: Container, text: bytes, wanted: PublicKey | None, report: BundleReport
) -> None:
    if parts.SIGNATURE not in packed.sizes:
        if parts.PUBLIC_KEY in packed.sizes:
            report.faults.append(f"{parts.PUBLIC_KEY} is there, but no signature: it was taken out")
        elif wanted is not None:
            report.faults.append("it is not signed, although a key was given to check it with")
        return
    try:
        signature = _small(packed, parts.SIGNATURE)
        inside = parse_public_key(_small(packed, parts.PUBLIC_KEY), parts.PUBLIC_KEY)
    except (ContainerError, ConfigError) as error:
        report.signed = "not by this key"
        report.faults.append(f"the signature cannot be checked: {error}")
        return
    if not inside.signed(text, signature):
        report.signed = "not by this key"
        report.faults.append(f"the signature does not fit {parts.MANIFEST}: one of them was altered")
    elif wanted is not None and wanted.fingerprint != inside.fingerprint:
        report.signed, report.fingerprint = "another key", inside.fingerprint
        report.faults.append(
            f"it is signed with another key: with {inside.fingerprint}, not with {wanted.fingerprint}"
        )
    else:
        report.signed = "by the key inside" if wanted is None else "by the given key"
        report.fingerprint = inside.fingerprint


def _unpack(packed: Container, manifest: Manifest, home: Home, report: BundleReport) -> None:
    """Unpacks what is listed, and says what is missing, too much or altered."""
    listed = {one.name: one for one in manifest.files}
    if len(listed) != len(manifest.files):
        report.faults.append(f"{parts.MANIFEST} lists a file twice")
    extra = sorted(packed.sizes.keys() - listed.keys() - set(parts.UNLISTED))
    report.faults += (f"{name} is not in the manifest: it was added" for name in extra)
    for name, one in listed.items():
        if name not in packed.sizes:
            report.faults.append(f"{name} is missing: it was taken out")
            continue
        if not (name in parts.SINGLE or name.startswith((parts.RECORDINGS, parts.GAUGES))):
            # Beside the journal that is built here, a file of a database's own might be taken for its part.
            report.faults.append(f"{name} is nothing that a bundle holds; it was not unpacked")
            continue
        try:
            altered = _lay_down(packed, one, home.folder)
        except ContainerError as error:
            report.faults.append(str(error))
            continue
        except OSError as error:
            report.faults.append(f"{name} cannot be unpacked on this machine: {error.strerror}")
            continue
        if altered:
            report.faults.append(f"{name} was altered: it does not have the SHA-256 that the manifest lists")
        else:
            report.files_n += 1


def _lay_down(packed: Container, one: Listed, folder: Path) -> bool:
    """Unpacks one file. Returns whether it is another than the manifest says."""
    path = folder / one.name
    path.parent.mkdir(exist_ok=True)
    digest, size = hashlib.sha256(), 0
    with path.open("xb") as file:
        for piece in packed.pieces(one.name):
            digest.update(piece)
            size += len(piece)
            file.write(piece)
    return digest.hexdigest() != one.sha256 or size != one.size


def _rebuild_journal(home: Home, report: BundleReport) -> bool:
    lines = home.folder / parts.JOURNAL
    if not lines.exists():
        report.faults.append(f"{parts.JOURNAL} is missing or damaged, so nothing more could be proved")
        return False
    try:
        with lines.open("rb") as file:
            restore(read_lines(file, parts.JOURNAL), home.journal_file)
        with home.journal(readonly=True) as journal:
            named = [start.recording for _, start in facts(journal, "stream", StreamStart)]
            odd = [name for name in (*named, *imported_names(journal)) if not _is_file_name(name)]
    except PanelwrightError as error:
        report.faults.append(f"{error}; nothing more could be proved")
        return False
    if odd:
        # Such a name would make us read a file of this machine.
        report.faults.append(f"the journal names a recording {odd[0]!r}, which no bench does")
    return not odd


def _is_file_name(name: str) -> bool:
    return is_plain_name(name) and "/" not in name


def _look_at_journal(home: Home, report: BundleReport, expected_head: str | None, say: Watch) -> None:
    assert report.manifest is not None
    try:
        report.journal = verify(
            home, expected_head=expected_head, photos=False, watch=lambda name: say(f"replaying {name}")
        )
    except PanelwrightError as error:
        report.faults.append(f"journal and recordings could not be gone through: {error}")
        return
    chain = report.journal.chain
    if chain.holds and (chain.events_n, chain.head_hash) != (report.manifest.at_seq, report.manifest.head):
        report.faults.append(
            f"the journal ends with event {chain.events_n} ({chain.head_hash}), the manifest says with "
            f"{report.manifest.at_seq} ({report.manifest.head})"
        )


def _work_out_again(home: Home, manifest: Manifest, report: BundleReport) -> None:
    same = manifest.program == version("panelwright")
    if not same:
        report.told.append(
            f"published by version {manifest.program} of the program, worked out again by "
            f"{version('panelwright')}; wording is not compared"
        )
    if manifest.unverified:
        report.told.append("it says of itself that it was published although verification failed")
    try:
        report.faults += _differences(home, manifest, report, same_program=same)
    except (PanelwrightError, ValidationError, UnicodeDecodeError) as error:
        said = str(error).replace(str(home.folder), "").partition("\n")[0]
        report.faults.append(f"the figures could not be worked out again: {said}")
    except FileNotFoundError as error:
        missing = Path(str(error.filename)).name
        report.faults.append(f"the figures could not be worked out again without {missing}")


def _differences(
    home: Home, manifest: Manifest, report: BundleReport, *, same_program: bool
) -> Iterator[str]:
    bench_text, method_text = (_text(home, name) for name in (parts.BENCH, parts.METHOD))
    method = parse_method(method_text, parts.METHOD)
    # Not held against the descriptions it names: those that count are in the journal.
    bench = parse_bench(bench_text, parts.BENCH)
    published = CARDS.validate_json(_text(home, parts.SCORECARDS))
    ranked = Standings.model_validate_json(_text(home, parts.STANDINGS))
    with home.journal(readonly=True) as journal:
        material = gather(journal)
        used = [noted.text for _, noted in facts(journal, "bench", BenchText)]
        photos_n = sum(note.photo is not None for _, note in facts(journal, "note", WrittenNote))
    if photos_n:
        report.told.append(f"photographs ({photos_n}) are known by their hash and not in the bundle")
    if used and used[-1] != bench_text:
        report.told.append(f"{parts.BENCH} was changed after the last reading; figures use it as it is here")
    said = (manifest.method_sha256, ranked.method_sha256, *(card.method_sha256 for card in published))
    if set(said) != {method.sha256}:
        yield f"{parts.METHOD} is not the method that the figures name"
    if tuple(card.trial for card in published) != manifest.trials:
        yield f"{parts.SCORECARDS} and the manifest do not name the same trials"
    trials = tuple(material.trial(card.trial) for card in published)
    again = {card.trial: card for card in scorecards(replace(material, trials=trials), bench, method)}
    for card in published:
        yield from card_differences(card, again[card.trial], same_program=same_program)
    in_order = [again[card.trial] for card in published]
    ranked_again = rank(in_order, trials=material.trials, by=ranked.by, test=ranked.test)
    yield from standings_differences(ranked, ranked_again, same_program=same_program)
    report.figures_n = count_figures(published, ranked)


def _text(home: Home, name: str) -> str:
    return (home.folder / name).read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
