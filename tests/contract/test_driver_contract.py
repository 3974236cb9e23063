"""What every shipped description must keep, whatever arrives."""

from random import Random

import pytest

from drivers.base import BLOCK_BYTES, Driver
from tests.contract.gauges import ALL, Gauge, cuts, driver, fed, same

every_gauge = pytest.mark.parametrize("gauge", ALL, ids=lambda gauge: gauge.name)


def mixed(gauge: Gauge, chance: Random, count: int) -> bytes:
    """A stream of good lines with awkward ones, damage and noise among them."""
    parts = []
    for index in range(count):
        line = gauge.say(chance, index).line
        lot = chance.random()
        if lot < 0.1:
            line = chance.choice(gauge.awkward)
        elif lot < 0.2:
            place = chance.randrange(len(line))
            line = line[:place] + chance.randbytes(chance.randint(0, 2)) + line[place + 1 :]
        elif lot < 0.22:
            line = chance.randbytes(chance.randint(1, 400))
        parts.append(line)
    return b"".join(parts)


@every_gauge
def test_good_lines_give_their_values(gauge: Gauge) -> None:
    chance = Random(1)
    said = [gauge.say(chance, index) for index in range(300)]
    samples, errors = fed(driver(gauge.name), [b"".join(line.line for line in said)])
    assert errors == []
    assert [(s.value, s.kind.unit, s.kind.channel) for s in samples] == [
        (line.value, line.unit, line.channel) for line in said
    ]
    assert all(sample.kind.good and not sample.kind.flags for sample in samples)


@every_gauge
def test_awkward_lines_give_no_good_value(gauge: Gauge) -> None:
    samples, _ = fed(driver(gauge.name), list(gauge.awkward))
    assert not any(sample.kind.good for sample in samples)


@every_gauge
def test_any_cutting_gives_the_same(gauge: Gauge) -> None:
    chance = Random(2)
    data = mixed(gauge, chance, 400)
    joined = fed(driver(gauge.name, settled=False), [data])
    assert joined[0]
    assert joined[1]
    byte_by_byte = fed(driver(gauge.name, settled=False), [data[i : i + 1] for i in range(len(data))])
    assert same(byte_by_byte[0], joined[0])
    assert byte_by_byte[1] == joined[1]
    for longest in (3, 17, 90, 700, 5000):
        samples, errors = fed(driver(gauge.name, settled=False), cuts(data, chance, longest))
        assert same(samples, joined[0])
        assert errors == joined[1]


@every_gauge
def test_offsets_point_behind_the_line(gauge: Gauge) -> None:
    data = mixed(gauge, Random(3), 200)
    samples, _ = fed(driver(gauge.name, settled=False), [data])
    assert all(data[: sample.end].endswith((b"\n", b"\r")) for sample in samples)
    assert [sample.end for sample in samples] == sorted({sample.end for sample in samples})


@every_gauge
def test_arbitrary_bytes_never_raise_and_never_pile_up(gauge: Gauge) -> None:
    chance = Random(4)
    made = driver(gauge.name, settled=False)
    alphabet = b"".join(gauge.say(chance, index).line for index in range(5))
    for _ in range(300):
        made.feed(chance.randbytes(200) if chance.random() < 0.5 else bytes(chance.choices(alphabet, k=200)))
        assert held_bytes(made) <= made.max_frame_bytes + made.split_tail_bytes
    made.feed(b"x" * (3 * BLOCK_BYTES))
    assert held_bytes(made) <= made.max_frame_bytes + made.split_tail_bytes
    assert len(made.feed(b"").kinds) < 100


def held_bytes(made: Driver) -> int:
    return len(made._waiting)


@every_gauge
def test_a_value_was_on_the_wire(gauge: Gauge) -> None:
    """Random bytes of the gauge's own alphabet: each good value stands, digit for digit, in its line."""
    chance = Random(5)
    alphabet = b"".join(gauge.say(chance, index).line for index in range(3))
    pieces = [bytes(chance.choices(alphabet, k=max(0, chance.randint(-12, 12)))) for _ in range(500)]
    lines = [gauge.say(chance, index).line for index in range(500)]
    data = b"".join(part for pair in zip(pieces, lines, strict=True) for part in pair)
    samples, _ = fed(driver(gauge.name, settled=False), [data])
    assert len(samples) > 100
    for sample in samples:
        if sample.kind.good:
            line = data[: sample.end].rstrip(b"\r\n").rsplit(b"\n", 1)[-1]
            digits = f"{abs(sample.value):.3f}".replace(".", "").strip("0")
            assert digits in line.decode().replace(",", "").replace(".", "")


@every_gauge
def test_a_reset_driver_is_as_new(gauge: Gauge) -> None:
    data = mixed(gauge, Random(6), 100)
    used = driver(gauge.name, settled=False)
    used.feed(data[: len(data) // 2 + 3])
    used.reset()
    again = fed(used, [data])
    fresh = fed(driver(gauge.name, settled=False), [data])
    assert same(again[0], fresh[0])
    assert again[1] == fresh[1]
