"""The files and the scenario of the demonstration fit each other; the demonstration itself is `make demo`."""

import re

import config
from acquire.bench import parse_bench
from acquire.calibration.references import assigned_value
from acquire.demo.run import DRIFT_AT, UNPLUG_AT
from acquire.demo.scenario import BARE_GLOSS, DRIFTED_GAIN, PRODUCTS, colour_of
from acquire.model import Trial
from acquire.plan import planned_steps, unserved
from acquire.protocol import parse_protocol
from acquire.scoring.method import parse_method
from tests.bench_tools import NOON

DEMO = config.FOLDER / "demo"


def text(name: str) -> str:
    return (DEMO / name).read_text(encoding="utf-8")


METHOD = parse_method(text("method.toml"), "method.toml")
PROTOCOL = parse_protocol(text("protocol.toml"), "protocol.toml")
# The ports are filled in when it begins.
BENCH = parse_bench(re.sub(r'"serial:[A-Z]+"', '"tcp://127.0.0.1:1"', text("bench.toml")), "bench.toml")


def test_the_protocol_has_a_step_for_every_test_of_the_method() -> None:
    assert unserved(PROTOCOL, METHOD) == []


def test_steps_that_can_hurt_someone_carry_their_caution() -> None:
    cautioned = {step.kind for step in PROTOCOL.steps if step.caution}
    assert {"prepare", "apply", "cure", "wash", "inspect"} <= cautioned


def test_no_two_products_share_a_panel_and_every_panel_has_a_known_colour() -> None:
    panels = [panel for product in PRODUCTS for panel in product.panels]
    assert len(set(panels)) == len(panels)
    assert {colour_of(panel) for panel in panels} == set(BARE_GLOSS)


def test_what_is_done_on_purpose_is_done_at_a_step_of_its_trial() -> None:
    for trial, key in (UNPLUG_AT, DRIFT_AT):
        product = next(product for product in PRODUCTS if product.trial == trial)
        opened = Trial(id=trial, product=product.name, panels=product.panels, t_utc=NOON)
        assert key in [step.key for step in planned_steps(opened, PROTOCOL, METHOD)]


def test_the_drift_is_more_than_the_gauge_may_deviate() -> None:
    weight = assigned_value(BENCH, "weight-200g")
    assert (DRIFTED_GAIN - 1) * weight.value > BENCH.gauge("force").tolerance.at(weight.value)
