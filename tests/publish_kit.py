"""What a small invented bench publishes, for tests of tables, cards and bundles."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from acquire.home import Home
from acquire.model import Test as Kind
from acquire.outputs.publish.bundle import write_bundle
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
