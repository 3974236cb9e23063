"""Everything that published figures rest on, in one file that anyone can work them out from again.

    journal, recordings, method, bench ──write_bundle──> bundle.zip ──prove_bundle──> does it hold?

manifest.json lists every other file with its SHA-256; the signature is over the manifest. The journal is in
it whole, up to the event that the figures rest on (see `acquire.transcript` for why), with everything that
was written into it: reasons and names of people too. Photographs are left out, as no figure rests on them and
a camera may have written into them where it was.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

import config
from acquire.bench import Bench
from acquire.chain import canonical_json
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.home import Home
from acquire.imports import imported_names
from acquire.journal import Journal
from acquire.model import Model, StreamStart
from acquire.outputs.pages import said_simulated
from acquire.outputs.publish.container import Source, first_pieces, write_container
from acquire.outputs.publish.signing import SigningKey
from acquire.scoring.method import Method
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings
from acquire.transcript import lines

BUNDLE = "bundle.zip"
MANIFEST, SIGNATURE, PUBLIC_KEY = "manifest.json", "manifest.sig", "public-key.pem"
UNLISTED = (MANIFEST, SIGNATURE, PUBLIC_KEY)
"""What the manifest cannot list: itself, and what vouches for it."""
JOURNAL, BENCH, METHOD, PROTOCOL = "journal.jsonl", "bench.toml", "method.toml", "protocol.toml"
SCORECARDS, STANDINGS, ABOUT = "results/scorecards.json", "results/standings.json", "README.txt"
RECORDINGS, GAUGES = "recordings/", "gauges/"
SINGLE = frozenset({JOURNAL, BENCH, METHOD, PROTOCOL, SCORECARDS, STANDINGS, ABOUT})
"""All that lies outside the two folders of many files, and is listed."""

CARDS = TypeAdapter(tuple[Scorecard, ...])

_ABOUT = """\
What published figures rest on, to be worked out again by anyone:

    panelwright verify bundle.zip
    panelwright verify bundle.zip --public-key KEY.pub      (the key as its owner gives it elsewhere)

journal.jsonl    every event up to the one the figures rest on, one to a line, each with the hash of the one
                 before it. It is whole: an event left out would tear the chain
recordings/      every byte the gauges sent, with times; tables of earlier results that were typed in
method.toml      turns readings into points
bench.toml, protocol.toml, gauges/               the bench, the order of work, how each gauge speaks
results/         scorecards and standings as they were published
manifest.json    SHA-256 of each of these files
manifest.sig     its Ed25519 signature, if the publisher has a key; public-key.pem is that key's public half

A signature shows who vouches for these files, not that what they say is true. The key in this file only
shows that whoever packed it has it: compare its fingerprint with one that you have from elsewhere.
Wash strokes on a machine are not months on a car, and a place in the standings is not a guarantee.
"""


class Listed(Model):
    """One file of a bundle."""

    name: str
    size: Annotated[int, Field(ge=0)]
    sha256: str


class Manifest(Model):
    """What a bundle holds and what it stands for."""

    format: Literal["panelwright-bundle 1"] = "panelwright-bundle 1"
    program: str
    """Version of the program that worked the figures out."""
    bench: str
    simulated: tuple[str, ...] = ()
    """What says that nothing of it was measured on a real panel."""
    unverified: bool = False
    """Published although the journal or a recording did not hold."""
    at_seq: int
    """Number of the last event that the figures rest on: the journal's last one in the bundle."""
    head: str
    """Hash of that event."""
    head_utc: datetime
    method_title: str
    method_sha256: str
    trials: tuple[str, ...]
    files: tuple[Listed, ...]


def write_bundle(
    home: Home,
    folder: Path,
    key: SigningKey | None = None,
    *,
    method: Method,
    at_seq: int,
    cards: Sequence[Scorecard],
    ranked: Standings,
    unverified: bool = False,
) -> Path:
    """Writes the bundle of what is being published into `folder`; signed and its public key beside it, if
    there is a key.

    Args:
        method: what `cards` were scored by.
        at_seq: number of the last event that `cards` rest on.
        cards: as published, of all trials or some.
        ranked: as published: `cards` ranked with the trials of the journal.
        unverified: mark it as published although verification failed.

    Returns:
        The bundle.

    Raises:
        ConfigError: a file of the bench is missing or faulty, or there is no such event.
        JournalError: the journal cannot be read.
        PanelwrightError: it cannot be written.
    """
    bench = home.bench()
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix="panelwright-", dir=folder) as made:
        place = Path(made)
        with home.journal(readonly=True) as whole:
            journal = whole.as_of(at_seq)
            newest = next(journal.events(since=at_seq - 1), None)
            if newest is None:
                raise ConfigError(
                    f"the journal has no event {at_seq}", hint="name the event the figures rest on"
                )
            _write_lines(place / "journal", journal)
            streams = [start for _, start in facts(journal, "stream", StreamStart)]
            kept = [*(start.recording for start in streams), *imported_names(journal)]
        texts = {
            ABOUT: _ABOUT,
            METHOD: method.text,
            SCORECARDS: CARDS.dump_json(tuple(cards), indent=1).decode() + "\n",
            STANDINGS: ranked.model_dump_json(indent=1) + "\n",
        }
        sources = {JOURNAL: place / "journal", **_own_files(home, bench), **_recordings(home, kept)}
        files = _with_texts(place, sources, texts)
        manifest = Manifest(
            program=version("panelwright"),
            bench=bench.name,
            simulated=tuple(said_simulated(home, bench, streams)),
            unverified=unverified,
            at_seq=at_seq,
            head=newest.hash,
            head_utc=newest.t_utc,
            method_title=method.title,
            method_sha256=method.sha256,
            trials=tuple(card.trial for card in cards),
            files=tuple(_listed(files)),
        )
        text = canonical_json(manifest) + "\n"
        files |= _with_texts(place, {}, {MANIFEST: text})
        if key is not None:
            vouching = {SIGNATURE: key.sign(text.encode()), PUBLIC_KEY: key.public.pem}
            files |= {name: _laid_down(place, name, data) for name, data in vouching.items()}
            (folder / PUBLIC_KEY).write_bytes(key.public.pem)
        else:
            # One from an earlier time would look as if it belonged to this bundle.
            (folder / PUBLIC_KEY).unlink(missing_ok=True)
        write_container(folder / BUNDLE, files)
    return folder / BUNDLE


def _write_lines(path: Path, journal: Journal) -> None:
    with path.open("wb") as file:
        file.writelines(lines(journal))


def _own_files(home: Home, bench: Bench) -> dict[str, Path]:
    names = sorted({gauge.description for gauge in bench.gauges.values()})
    protocol = home.protocol_file if home.protocol_file.exists() else config.FOLDER / PROTOCOL
    own = {f"{GAUGES}{name}.toml": home.gauges / f"{name}.toml" for name in names}
    return {BENCH: home.bench_file, PROTOCOL: protocol, **own}


def _recordings(home: Home, names: Iterable[str]) -> dict[str, Path]:
    """Those that are there; for one that is missing, `prove_bundle` says what rests on it."""
    there = {name: home.recordings / name for name in names if (home.recordings / name).is_file()}
    return {f"{RECORDINGS}{name}": path for name, path in there.items()}


def _with_texts(place: Path, sources: Mapping[str, Path], texts: Mapping[str, str]) -> dict[str, Source]:
    files = {name: Source(path, path.stat().st_size) for name, path in sources.items()}
    return files | {name: _laid_down(place, name, text.encode()) for name, text in texts.items()}


def _laid_down(place: Path, name: str, data: bytes) -> Source:
    path = place / name.replace("/", "-")
    path.write_bytes(data)
    return Source(path, len(data))


def _listed(files: Mapping[str, Source]) -> Iterator[Listed]:
    for name, source in sorted(files.items()):
        digest = hashlib.sha256()
        for piece in first_pieces(source):
            digest.update(piece)
        yield Listed(name=name, size=source.size, sha256=digest.hexdigest())
