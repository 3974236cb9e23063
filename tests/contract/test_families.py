"""What every shipped gauge of the binary and querying families must keep, whatever arrives."""

from random import Random

import pytest

from tests.contract.families import (
    ALL_FAMILIES,
    Family,
    Sent,
    Talk,
    at_random,
    bytewise,
    converse,
    joined,
    new_driver,
    steady,
)
from tests.contract.gauges import same

every_family = pytest.mark.parametrize("family", ALL_FAMILIES, ids=lambda family: family.name)


def mixed(family: Family, chance: Random, count: int) -> Talk:
    """Good exchanges with awkward ones, damage, noise and missing replies among them."""
    talk: Talk = list(family.opening)
    for index in range(count):
        exchange = list(family.say(chance, index).talk)
        lot = chance.random()
        if lot < 0.1 and family.awkward:
            exchange = list(chance.choice(family.awkward))
        elif lot < 0.3:
            place = chance.randrange(len(exchange))
            chosen = exchange[place]
            if isinstance(chosen, Sent):
                exchange.insert(place, chance.randbytes(chance.randint(1, 40)))
            else:
                at = chance.randrange(len(chosen))
                exchange[place] = chosen[:at] + chance.randbytes(chance.randint(0, 2)) + chosen[at + 1 :]
        elif lot < 0.33:
            exchange.append(chance.randbytes(chance.randint(1, 900)))
        elif lot < 0.38:
            exchange = [item for item in exchange if isinstance(item, Sent)]
        talk += [item for item in exchange if item != b""]
    return talk


@every_family
def test_good_exchanges_give_their_values(family: Family) -> None:
    talk, said = steady(family, Random(1), 200)
    samples, errors = converse(new_driver(family), talk)
    assert errors == []
    values = [(s.value, s.kind.quantity, s.kind.unit, s.kind.channel) for s in samples]
    first = 1 if family.name.startswith("contact") else 0
    assert values[first:] == [value for one in said for value in one.values]
    assert all(sample.kind.good and not sample.kind.flags for sample in samples)


@every_family
def test_awkward_exchanges_give_no_good_value(family: Family) -> None:
    for awkward in family.awkward:
        made = new_driver(family)
        converse(made, family.opening)
        samples, _ = converse(made, awkward)
        assert not any(sample.kind.good for sample in samples), awkward


@every_family
def test_any_cutting_gives_the_same(family: Family) -> None:
    chance = Random(2)
    talk = mixed(family, chance, 300)
    whole = converse(new_driver(family), talk, joined)
    assert whole[0]
    assert whole[1]
    for cut in (list, bytewise, *(at_random(chance, longest) for longest in (3, 17, 90, 700))):
        samples, errors = converse(new_driver(family), talk, cut)
        assert same(samples, whole[0])
        assert errors == whole[1]


@every_family
def test_arbitrary_bytes_never_raise_and_never_pile_up(family: Family) -> None:
    chance = Random(4)
    made = new_driver(family)
    talk, _ = steady(family, chance, 20)
    alphabet = b"".join(item for item in talk if not isinstance(item, Sent))
    asks = [item for item in talk if isinstance(item, Sent)]
    most = made.max_frame_bytes + made.split_tail_bytes
    for _ in range(300):
        noise = chance.randbytes(200) if chance.random() < 0.5 else bytes(chance.choices(alphabet, k=200))
        batch = made.feed(noise)
        if asks:
            made.sent(chance.choice(asks).data)
        assert len(made._waiting) <= most
    assert len(batch.kinds) < 40


@every_family
def test_a_reset_driver_is_as_new(family: Family) -> None:
    talk = mixed(family, Random(6), 100)
    used = new_driver(family)
    converse(used, talk[: len(talk) // 2])
    used.reset()
    again, fresh = converse(used, talk), converse(new_driver(family), talk)
    assert same(again[0], fresh[0])
    assert again[1] == fresh[1]


@every_family
def test_no_damaged_byte_of_a_checked_reply_gives_another_value(family: Family) -> None:
    chance = Random(7)
    before, middle, after = (family.say(chance, index) for index in range(3))
    good = [value for one in (before, middle, after) for value in one.values]
    reply = middle.talk[-1]
    assert isinstance(reply, bytes)
    for place in range(len(reply)):
        foreign = [reply[:place] + bytes([reply[place] ^ 1 << bit]) + reply[place + 1 :] for bit in range(8)]
        lost = reply[:place] + reply[place + 1 :]
        twice = reply[:place] + reply[place : place + 1] + reply[place:]
        for damaged in (*foreign, lost, twice) if family.checked else ():
            if damaged == reply:
                continue
            talk: Talk = [*family.opening, *before.talk, *middle.talk[:-1], damaged, *after.talk]
            samples, _ = converse(new_driver(family), talk)
            found = [(s.value, s.kind.quantity, s.kind.unit, s.kind.channel) for s in samples if s.kind.good]
            rest = iter(good)
            assert all(value in rest for value in found), damaged
