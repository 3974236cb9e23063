"""Products under code letters: nobody can read which is which, and nobody can change it afterwards."""

import hashlib
import json
import stat
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from acquire import answers
from acquire.blind import broken_seals, seal, sealed_file, unseal
from acquire.deviations import deviations
from acquire.errors import ConfigError
from acquire.model import Step
from acquire.model import Test as Kind
from acquire.protocol_events import Sealed, Unsealed
from acquire.results import gather
from acquire.trials import trials_of
from acquire.verification import verify
from tests.benches import MadeBench

PRODUCTS = ("Invented wax", "Invented sealant", "Invented coating")
PANELS = (("black-1", "white-1"), ("black-2", "white-2"), ("black-3", "white-3"))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path) as made:
        yield made


def begin(bench: MadeBench, seed: int = 1) -> Sealed:
    return seal(
        bench.home,
        bench.journal,
        bench.clock,
        "spring",
        products=PRODUCTS,
        panels=PANELS,
        protocol=bench.home.protocol(),
        draw=Random(seed),
    )


def rate_all(bench: MadeBench) -> None:
    method = bench.home.method()
    for trial in trials_of(bench.journal).values():
        for test, panels in ((Kind.HANDLING, trial.panels[:1]), (Kind.APPEARANCE, trial.panels)):
            for panel in panels:
                step = Step(test=test, panel=panel)
                answers.rate(bench.journal, bench.clock, method, trial, step, 7.0)


def open_it(bench: MadeBench, early: str = "") -> Unsealed:
    return unseal(bench.home, bench.journal, bench.clock, bench.home.method(), "spring", early=early)


def test_the_journal_holds_letters_and_no_mapping_until_it_is_unsealed(bench: MadeBench) -> None:
    begin(bench)
    kept = json.loads(sealed_file(bench.home, "spring").read_text(encoding="utf-8"))
    assert sorted(kept["mapping"].values()) == sorted(PRODUCTS)
    assert {trial.product for trial in trials_of(bench.journal).values()} == {
        f"Code {letter} of spring" for letter in "ABC"
    }
    said = json.dumps([event.body for event in bench.journal.events()])
    assert kept["salt"] not in said
    rate_all(bench)
    assert open_it(bench).mapping == kept["mapping"]
    named = {trial.id: trial.product for trial in trials_of(bench.journal).values()}
    assert named == {f"spring-{letter.lower()}": product for letter, product in kept["mapping"].items()}
    assert {trial.id: trial.product for trial in gather(bench.journal).trials} == named
    assert broken_seals(bench.journal) == []


def test_the_commitment_is_the_plain_hash_of_salt_and_mapping(bench: MadeBench) -> None:
    """Anybody can check it with a SHA-256 (FIPS 180-4) and a text editor, without this program."""
    sealed = begin(bench)
    kept = json.loads(sealed_file(bench.home, "spring").read_text(encoding="utf-8"))
    pairs = ",".join(f'"{letter}":"{product}"' for letter, product in sorted(kept["mapping"].items()))
    text = f'{{"mapping":{{{pairs}}},"salt":"{kept["salt"]}"}}'
    assert hashlib.sha256(text.encode()).hexdigest() == sealed.commitment


def test_only_its_owner_can_read_the_file(bench: MadeBench) -> None:
    begin(bench)
    assert stat.S_IMODE(sealed_file(bench.home, "spring").stat().st_mode) == 0o600


def test_a_file_that_was_altered_is_refused(bench: MadeBench) -> None:
    begin(bench)
    rate_all(bench)
    path = sealed_file(bench.home, "spring")
    kept = json.loads(path.read_text(encoding="utf-8"))
    kept["mapping"]["A"], kept["mapping"]["B"] = kept["mapping"]["B"], kept["mapping"]["A"]
    path.write_text(json.dumps(kept), encoding="utf-8")
    with pytest.raises(ConfigError, match="is not what was sealed"):
        open_it(bench)
    path.write_text("{}", encoding="utf-8")
    with pytest.raises(ConfigError, match="is not a sealed mapping"):
        open_it(bench)
    path.unlink()
    with pytest.raises(ConfigError, match="cannot be read"):
        open_it(bench)
    assert list(bench.journal.events("unsealed")) == []


def test_an_opening_that_was_forged_in_the_journal_is_seen(bench: MadeBench) -> None:
    begin(bench)
    bench.write("unsealed", Unsealed(id="spring", mapping={"A": "Best"}, salt="00", t_utc=bench.clock.utc()))
    (said,) = broken_seals(bench.journal)
    assert "unseals 'spring' as something that was not sealed" in said
    assert said in [str(fault) for fault in verify(bench.home).faults]


def test_it_stays_sealed_until_all_ratings_are_in_or_opening_is_owned_up_to(bench: MadeBench) -> None:
    begin(bench)
    with pytest.raises(ConfigError, match="ratings are missing: spring-a handling/black-1, "):
        open_it(bench)
    open_it(bench, early="a bottle leaked")
    trial = trials_of(bench.journal)["spring-a"]
    found = deviations(bench.journal, trial, bench.home.method(), bench.clock.utc())
    assert [(one.what, one.reason) for one in found] == [("not blind", "a bottle leaked")]
    with pytest.raises(ConfigError, match="was unsealed before"):
        open_it(bench)


def test_a_rating_after_the_unsealing_is_not_blind_and_says_so(bench: MadeBench) -> None:
    begin(bench)
    rate_all(bench)
    open_it(bench)
    trial = trials_of(bench.journal)["spring-b"]
    step = Step(test=Kind.APPEARANCE, panel="white-2")
    answers.rate(bench.journal, bench.clock, bench.home.method(), trial, step, 9.0)
    found = deviations(bench.journal, trial, bench.home.method(), bench.clock.utc())
    assert [one.step for one in found if one.what == "not blind"] == ["appearance/white-2"]


def test_letters_and_order_are_drawn_independently(tmp_path: Path) -> None:
    drawn = set()
    for seed in range(12):
        with MadeBench(tmp_path / str(seed)) as bench:
            sealed = begin(bench, seed)
            kept = json.loads(sealed_file(bench.home, "spring").read_text(encoding="utf-8"))
            drawn.add((tuple(kept["mapping"].values()), sealed.order))
    assert len({mapping for mapping, _ in drawn}) > 3
    assert len({order for _, order in drawn}) > 3
    assert len(drawn) > 9


@pytest.mark.parametrize(
    ("products", "panels", "told"),
    [
        (("One",), (("A",),), "cannot be blinded"),
        (("One", "One"), (("A",), ("B",)), "a product is named twice"),
        (("One", "Two"), (("A",),), "2 products and 1 sets of panels"),
        (("One", "Two"), (("A",), ("A",)), "a panel is named twice"),
    ],
)
def test_what_cannot_be_blinded_leaves_nothing_behind(
    bench: MadeBench, products: tuple[str, ...], panels: tuple[tuple[str, ...], ...], told: str
) -> None:
    with pytest.raises(ConfigError, match=told):
        seal(
            bench.home,
            bench.journal,
            bench.clock,
            "x",
            products=products,
            panels=panels,
            protocol=bench.home.protocol(),
        )
    assert not bench.home.sealed.exists()
    assert trials_of(bench.journal) == {}
