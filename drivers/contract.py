"""What every driver must keep, as tests to import: for our own families and for those of other packages.

    from pathlib import Path
    from drivers.contract import DriverContract

    class TestMyGauge(DriverContract):
        gauges = (Path(__file__).parent / "gauges" / "my-gauge.toml",)
        recordings = Path(__file__).parent / "recordings"

pytest then runs every law on every gauge. Recordings are `<gauge>/<scenario>.rec`, each beside its
`<scenario>.expected.jsonl`, which this writes, to be read before it is believed:

    python -m drivers.contract my-gauge.toml steady.rec > steady.expected.jsonl

Mix in `ValuesAsText` if every value stands in its frame in digits, and `Checked` if frames carry a check
that gives any single damaged byte away. The laws raise plain AssertionErrors that say what was broken.
"""

import gc
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.metadata import EntryPoint
from itertools import pairwise
from math import isfinite
from pathlib import Path
from random import Random
from types import FunctionType, ModuleType
from typing import TYPE_CHECKING, ClassVar

from pydantic import BaseModel

from drivers.base import BLOCK_BYTES, Driver, RequestError
from drivers.description import UNITS, DescriptionError, GaugeDescription, load_description
from drivers.plan import Request
from drivers.registry import make_driver
from drivers.talks import (
    Cutter,
    Sent,
    Talk,
    at_random,
    bytewise,
    converse,
    damaged,
    exchanges,
    joined,
    on_the_wire,
    one_byte_off,
    openings,
    outcome,
    read_header,
    received,
    same,
)

if TYPE_CHECKING:
    import pytest

SCENARIOS = ("idle", "steady", "changing", "fault", "mixed")
"""What every gauge is recorded doing, at least."""
MOST_KINDS = 120
MOST_GROWTH_BYTES = 32_768
"""How much a driver's state may still grow while the second half of a long noise goes through it."""

Known = tuple[EntryPoint, ...] | None


def need(kept: bool, broken: str) -> None:
    """Raises AssertionError with `broken` unless the law was kept; pytest explains only asserts of tests."""
    __tracebackhide__ = True  # pytest shows where the law stands, not this
    if not kept:
        raise AssertionError(broken)


def needs_same(
    driver: Driver, cut: Cutter, talk: Talk, expected: Driver, expected_cut: Cutter, broken: str
) -> None:
    """Two drivers must make the same of a talk."""
    samples, errors = converse(driver, talk, cut)
    wanted, wanted_errors = converse(expected, talk, expected_cut)
    need(same(samples, wanted), f"{broken}: other samples")
    need(errors == wanted_errors, f"{broken}: other errors")


@cache
def _described(gauge: Path, known: Known) -> GaugeDescription:
    return load_description(gauge, known)


@dataclass(frozen=True)
class Gauge:
    """One gauge under test: its description and the folder of its recordings."""

    description: GaugeDescription
    folder: Path
    known: Known

    def driver(self) -> Driver:
        return make_driver(self.description, self.known)

    def talks(self, scenario: str) -> list[Talk]:
        return openings(self.folder / f"{scenario}.rec")

    def long_talk(self) -> Talk:
        """All that was recorded, in one opening; nothing of it is to be believed then."""
        files = sorted(self.folder.glob("*.rec"))
        return [item for file in files for talk in openings(file) for item in talk]

    def noise(self, chance: Random, count: int) -> list[bytes]:
        """Random bytes, random ones of the gauge's own alphabet, and pieces of what it said."""
        said = received(self.long_talk()) or b"\x00"
        found = []
        for _ in range(count):
            start = chance.randrange(len(said))
            kinds = (chance.randbytes(512), bytes(chance.choices(said, k=512)), said[start : start + 512])
            found.append(chance.choice(kinds))
        return found


class OwnBytesContract:
    """The laws of drivers whose bytes this program writes: a contact's changes, values that a person types.

    All others keep `DriverContract`.
    """

    gauges: ClassVar[Sequence[Path]]
    """Description files."""
    recordings: ClassVar[Path]
    """Folder with a folder of recordings for each gauge, named as its description."""
    scenarios: ClassVar[Sequence[str]] = SCENARIOS
    """Recordings that must exist; further ones are welcome and tested alike."""
    known: ClassVar[Known] = None
    """Driver families to choose from; what is installed if left out."""

    def pytest_generate_tests(self, metafunc: "pytest.Metafunc") -> None:
        """Runs each law on each gauge, and the pairs on each recording."""
        if "scenario" in metafunc.fixturenames:
            found = [
                (gauge, path.stem)
                for gauge in self.gauges
                for path in sorted((self.recordings / gauge.stem).glob("*.rec"))
            ]
            names = [f"{gauge.stem}/{scenario}" for gauge, scenario in found]
            metafunc.parametrize(("gauge", "scenario"), found, ids=names)
        elif "gauge" in metafunc.fixturenames:
            metafunc.parametrize("gauge", self.gauges, ids=[gauge.stem for gauge in self.gauges])

    def under_test(self, gauge: Path) -> Gauge:
        return Gauge(_described(gauge, self.known), self.recordings / gauge.stem, self.known)

    def test_recordings_are_complete(self, gauge: Path) -> None:
        folder = self.recordings / gauge.stem
        recorded = {path.stem for path in folder.glob("*.rec")}
        expected = {path.name.removesuffix(".expected.jsonl") for path in folder.glob("*.expected.jsonl")}
        lacking = [one for one in self.scenarios if one not in recorded]
        need(not lacking, f"{folder} lacks recordings: {', '.join(lacking)}")
        odd = ", ".join(sorted(recorded ^ expected))
        need(not odd, f"{folder}: a recording without expectation, or the other way round: {odd}")

    def test_recording_gives_what_is_expected_however_cut(self, gauge: Path, scenario: str) -> None:
        one = self.under_test(gauge)
        talks = one.talks(scenario)
        expected = (one.folder / f"{scenario}.expected.jsonl").read_text(encoding="utf-8")
        ways: list[tuple[str, Cutter]] = [("as recorded", list), ("joined", joined), ("bytewise", bytewise)]
        ways += [(f"cut at random, seed {seed}", at_random(Random(seed))) for seed in range(5)]
        for name, cut in ways:
            found = outcome(one.driver(), talks, cut)
            need(found == expected, f"{gauge.stem}/{scenario}, {name}: {_difference(expected, found)}")
        header = read_header(one.folder / f"{scenario}.rec")
        named = header.get("driver")
        need(named == gauge.stem, f"{scenario}.rec is of {named!r}, not {gauge.stem!r}")
        says = "readings" if '"good": true' in expected else "nothing"
        need(header.get("expect", "readings") == says, f"{gauge.stem}/{scenario} should expect {says}")

    def test_damage_gives_the_same_however_cut(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        chance = Random(2)
        talk = damaged(one.long_talk(), chance)
        need(bool(converse(one.driver(), talk)[1]), "a damaged talk gave no error at all")
        for longest in (1, 3, 17, 90, 700, 5000):
            cut = at_random(chance, longest)
            needs_same(one.driver(), cut, talk, one.driver(), joined, f"pieces of up to {longest} bytes give")

    def test_offsets_are_in_order_and_in_the_stream(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        driver, fed_n = one.driver(), 0
        for item in damaged(one.long_talk(), Random(3)):
            before_n = fed_n
            if isinstance(item, Sent):
                errors = driver.sent(item.data)
            else:
                fed_n += len(item)
                batch = driver.feed(item)
                errors = batch.errors
                ends = batch.ends.tolist()
                need(all(a <= b for a, b in pairwise(ends)), "samples of one feed are not in stream order")
                need(all(before_n < end <= fed_n for end in ends), "a sample ends outside of its chunk")
                at = [error.at for error in errors]
                need(all(a <= b for a, b in pairwise(at)), "errors of one feed are not in stream order")
            for error in errors:
                need(0 <= error.at <= fed_n, f"an error lies outside of the stream: {error}")
                need(bool(error.why.strip()), f"an error does not say what is wrong: {error}")
                need(isinstance(error.frame, bytes), f"an error does not show its frame: {error}")

    def test_arbitrary_bytes_never_raise_and_never_pile_up(self, gauge: Path) -> None:
        """Whatever comes gives samples or errors; memory stays bounded."""
        one = self.under_test(gauge)
        driver, chance = one.driver(), Random(4)
        plan = driver.plan()
        asks = sorted(plan.known) if plan is not None else []
        most = driver.max_frame_bytes + driver.split_tail_bytes
        sizes = []
        for _ in range(2):
            for noise in one.noise(chance, 250):
                batch = driver.feed(noise)
                if asks:
                    driver.sent(chance.choice(asks))
                need(driver.waiting_n <= most, f"{driver.waiting_n} bytes wait, more than {most}")
            sizes.append(state_bytes(driver))
        need(len(batch.kinds) < MOST_KINDS, f"{len(batch.kinds)} kinds: garbage must not make new ones")
        grown = sizes[1] - sizes[0]
        need(grown < MOST_GROWTH_BYTES, f"the driver's state grew by {grown} bytes: it keeps what it is fed")
        driver.feed(b"x" * (3 * BLOCK_BYTES))
        need(driver.waiting_n <= most, "one long chunk piles up")

    def test_good_values_are_usable(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        described = one.description
        low, high = described.range
        samples, _ = converse(one.driver(), damaged(one.long_talk(), Random(5)))
        for sample in samples:
            kind = sample.kind
            if not kind.good:
                continue
            need(isfinite(sample.value), f"a good value is {sample.value}")
            need(kind.unit in UNITS.get(kind.quantity, {}), f"{kind.unit!r} is no unit of {kind.quantity}")
            if (kind.quantity, kind.unit) == (described.quantity, described.unit):
                need(low <= sample.value <= high, f"a good value is out of range: {sample}")

    def test_a_reset_driver_is_as_new(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        talk = damaged(one.long_talk(), Random(6))
        used = one.driver()
        converse(used, talk[: len(talk) // 2])
        used.reset()
        needs_same(used, joined, talk, one.driver(), joined, "a driver that was reset gives")

    def test_the_quick_way_gives_what_the_slow_way_gives(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        talk = [*one.long_talk(), *damaged(one.long_talk(), Random(8))]
        slow, quick = one.driver(), one.driver()
        slow.bulk_from_bytes = None
        if quick.bulk_from_bytes is not None:
            quick.bulk_from_bytes = 1
        needs_same(quick, list, talk, slow, list, "decode_bulk gives")

    def test_asking_is_pure_and_complete(self, gauge: Path) -> None:
        """A plan says the same each time, knows when a reply is whole, and changes nothing."""
        one = self.under_test(gauge)
        plain, asked = one.driver(), one.driver()
        plan, again = plain.plan(), plain.plan()
        if plan is None or again is None:
            need(plan is again, "a plan that comes and goes")
            need(not any(isinstance(item, Sent) for item in one.long_talk()), "asked without a plan")
            return
        need([r.data for r in plan.requests] == [r.data for r in again.requests], "the plan changes")
        requests = {request.data: request for request in plan.requests}
        talk = [item for part in one.talks("steady") for item in part]
        for data, reply in exchanges(talk):
            if data in requests:
                _needs_whole(requests[data], reply)
        for item in talk:
            want, have = converse(plain, [item]), converse(asked, [item])
            need(same(want[0], have[0]) and want[1] == have[1], "looking at the plan changed the outcome")
            _look(asked, item)
        with_stranger = one.driver()
        try:
            with_stranger.sent(b"\x00 never asked \xff")
        except RequestError:
            return
        raise AssertionError("a request that is not in the plan was taken for one of it")


class DriverContract(OwnBytesContract):
    """The laws. Subclass it with a name that pytest collects, and say where gauges and recordings are."""

    def test_noise_is_left_behind(self, gauge: Path) -> None:
        """After a burst of noise the second half of a steady recording is read as if nothing had been."""
        one = self.under_test(gauge)
        talk = [item for part in one.talks("steady") for item in part]
        expected, _ = converse(one.driver(), talk)
        noisy, _ = converse(one.driver(), [*one.noise(Random(7), 20), *talk])
        half = len(expected) // 2
        need(half > 0, "the steady recording gives no two values")
        wanted = [(sample.kind, sample.value) for sample in expected[-half:]]
        need([(s.kind, s.value) for s in noisy[-half:]] == wanted, "noise is not left behind")


class ValuesAsText:
    """Law for gauges whose frames hold each value in decimal digits."""

    under_test: Callable[[Path], Gauge]

    def test_every_good_value_was_on_the_wire(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        talk = damaged(one.long_talk(), Random(9))
        data = received(talk)
        samples, errors = converse(one.driver(), talk)
        need(any(sample.kind.good for sample in samples), "a damaged talk gave no good value at all")
        strange = on_the_wire(one.driver(), data, samples, [at for _, _, at in errors])
        need(not strange, f"was not on the wire: {strange}")


class Checked:
    """Law for gauges whose frames carry a check: one damaged byte never gives another value."""

    under_test: Callable[[Path], Gauge]

    def test_no_single_damaged_byte_gives_another_value(self, gauge: Path) -> None:
        one = self.under_test(gauge)
        talk = one.talks("steady")[0][:40]
        said = [(sample.kind, sample.value) for sample in converse(one.driver(), talk)[0]]
        need(bool(said), "the steady recording gives no value")
        places = [index for index, item in enumerate(talk) if not isinstance(item, Sent)]
        for index in places[len(places) // 2 :][:3]:
            chunk = talk[index]
            assert isinstance(chunk, bytes)
            for spoilt in one_byte_off(chunk):
                samples, _ = converse(one.driver(), [*talk[:index], spoilt, *talk[index + 1 :]])
                rest = iter(said)
                for sample in samples:
                    good = sample.kind.good
                    kept = not good or (sample.kind, sample.value) in rest
                    need(kept, f"{chunk!r} damaged to {spoilt!r} gave {sample}")


def state_bytes(driver: Driver) -> int:
    """About how much memory a driver's own state takes, not counting classes, functions and settings."""
    shared = (type, ModuleType, FunctionType, BaseModel)
    seen: set[int] = set()
    todo: list[object] = [driver]
    total = 0
    while todo:
        one = todo.pop()
        if id(one) not in seen and not isinstance(one, shared):
            seen.add(id(one))
            total += sys.getsizeof(one)
            todo += gc.get_referents(one)
    return total


def _difference(expected: str, found: str) -> str:
    """The first line that differs."""
    pairs = zip([*expected.splitlines(), "the end"], [*found.splitlines(), "the end"], strict=False)
    for number, (wanted, came) in enumerate(pairs, 1):
        if wanted != came:
            return f"line {number} of the expectation\n  expected {wanted}\n  found    {came}"
    return "nothing differs but the ends of lines"


def _needs_whole(request: Request, reply: bytes) -> None:
    for stop in range(len(reply)):
        if request.missing(reply[:stop]) <= 0:
            raise AssertionError(f"the reply to {request.data!r} is held for whole at {reply[:stop]!r}")
    need(request.missing(reply) == 0, f"the reply to {request.data!r} is never held for whole: {reply!r}")


def _look(driver: Driver, item: bytes | Sent) -> None:
    """Does with a plan what the owner of a port does with it."""
    plan = driver.plan()
    for request in plan.requests if plan is not None else ():
        if not isinstance(item, Sent):
            request.missing(item)
            if request.follow is not None:
                request.follow(item)


def main(arguments: Sequence[str]) -> str | None:
    """Writes the expectation of a recording; returns what to complain about, or None."""
    if len(arguments) != 2:
        return "say: python -m drivers.contract GAUGE.toml RECORDING.rec"
    try:
        description = load_description(Path(arguments[0]))
        sys.stdout.write(outcome(make_driver(description), openings(Path(arguments[1]))))
    except (DescriptionError, RequestError, ValueError, OSError) as error:
        return str(error)
    return None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
