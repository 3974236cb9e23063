"""Good and awkward exchanges of every binary or querying gauge, made independently of its description."""

from random import Random

import pytest

from drivers.talks import converse
from tests.contract.families import ALL_FAMILIES, Family, new_driver, steady

every_family = pytest.mark.parametrize("family", ALL_FAMILIES, ids=lambda family: family.name)


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
