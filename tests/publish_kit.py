"""What a small invented bench publishes, for tests of tables, cards and bundles."""

import hashlib
import json
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from acquire.home import Home
from acquire.model import Test as Kind
from acquire.outputs.publish.bundle import MANIFEST, PUBLIC_KEY, SIGNATURE, UNLISTED, write_bundle
from acquire.outputs.publish.signing import SigningKey
from acquire.results import Material, gather, scorecards
from acquire.scoring.method import Method
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings, rank
from tests.benches import MadeBench

ODD_NAME = 'Wax "B" & Co, $x$ (invented)'


@dataclass(frozen=True)
class Published:
    """Results of a bench as they would stand on its pages."""

    home: Home
    method: Method
    material: Material
    cards: list[Scorecard]
    ranked: Standings
    at_seq: int

    def bundle(self, folder: Path, key: SigningKey | None = None) -> Path:
        return write_bundle(
            self.home,
            folder,
            key,
            method=self.method,
            at_seq=self.at_seq,
            cards=self.cards,
            ranked=self.ranked,
        )

    def only(self, trial: str) -> "Published":
        """The results of one trial alone."""
        cards = [card for card in self.cards if card.trial == trial]
        return replace(self, cards=cards, ranked=rank(cards, trials=self.material.trials))


@contextmanager
def published_bench(folder: Path) -> Iterator[MadeBench]:
    """A bench with two products that cannot be told apart and an untreated control, all tests but UV."""
    with MadeBench(folder) as made:
        made.check_force()
        made.begin("alder", ODD_NAME)
        made.begin("birch", "Product Birch (invented)")
        made.begin("control", "Untreated (invented)", control=True)
        for trial, treated_n in (("alder", 2.0), ("birch", 2.02), ("control", 3.0)):
            made.slip(trial, "A", "bare", [3.0, 3.2, 3.1], refused=1)
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1, treated_n])
            made.gloss(trial, "A", "bare", [91.0, 90.8, 91.3])
            made.gloss(trial, "A", "treated", [93.0, 92.8, 93.3])
            made.rate(trial, Kind.APPEARANCE, "A", 8.0, f"rating.a.{trial}")
        for trial in ("alder", "birch"):
            made.rate(trial, Kind.HANDLING, "A", 7.5, f"rating.h.{trial}")
            made.wash(trial, "A", 60, 60, passed=True)
        made.inspect("alder", "A", 150, 150, passed=False)
        yield made


def publish(made: MadeBench) -> Published:
    """What the bench would publish now."""
    material, method = gather(made.journal), made.home.method()
    cards = scorecards(material, made.bench, method)
    ranked = rank(cards, trials=material.trials)
    return Published(made.home, method, material, cards, ranked, made.journal.head()[0])


@contextmanager
def small_bench(folder: Path) -> Iterator[MadeBench]:
    """A bench with one trial, gloss and a rating, so that proving it takes a moment only."""
    with MadeBench(folder) as made:
        made.begin("alder", ODD_NAME)
        made.gloss("alder", "A", "bare", [91.0, 90.8, 91.3])
        made.gloss("alder", "A", "treated", [93.0, 92.8, 93.3])
        made.rate("alder", Kind.APPEARANCE, "A", 8.0, "rating.a.alder")
        yield made


def members(bundle: Path) -> dict[str, bytes]:
    """Every file in a bundle."""
    with zipfile.ZipFile(bundle) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def repack(path: Path, files: Mapping[str, bytes]) -> Path:
    """Files packed by another program than ours would."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)
    return path


def vouched(files: Mapping[str, bytes], key: SigningKey | None = None, **said: object) -> dict[str, bytes]:
    """The files with a manifest that fits them, as a forger would make it, and signed with the forger's key.

    Args:
        said: fields of the manifest to change besides.
    """
    left = {name: data for name, data in files.items() if name not in UNLISTED}
    manifest = json.loads(files[MANIFEST]) | said
    manifest["files"] = [
        {"name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in sorted(left.items())
    ]
    text = json.dumps(manifest).encode()
    vouching = {} if key is None else {SIGNATURE: key.sign(text), PUBLIC_KEY: key.public.pem}
    return {**left, MANIFEST: text, **vouching}
