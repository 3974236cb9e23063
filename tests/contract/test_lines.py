"""Good and awkward lines of every ASCII gauge, made independently of its description."""

from random import Random

import pytest

from tests.contract.gauges import ALL, Gauge, driver, fed

every_gauge = pytest.mark.parametrize("gauge", ALL, ids=lambda gauge: gauge.name)


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
