"""The protocol file: what ships, and what is said of one that cannot be."""

import hashlib
import re

import pytest

import config
from acquire.errors import ConfigError
from acquire.protocol import parse_protocol

SHIPPED = (config.FOLDER / "protocol.toml").read_text(encoding="utf-8")


def told(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_protocol(text, "protocol.toml")
    assert caught.value.hint
    return [line.strip() for line in str(caught.value).splitlines()[1:]]


def test_the_shipped_protocol_is_in_the_order_of_the_work() -> None:
    kinds = [step.kind for step in parse_protocol(SHIPPED, "x").steps]
    in_order = [
        "prepare",
        "measure",
        "apply",
        "rate",
        "cure",
        "measure",
        "rate",
        "wash",
        "inspect",
        "check",
        "close",
    ]
    places = [
        kinds.index(kind) for kind in ("prepare", "measure", "apply", "rate", "cure", "wash", "inspect")
    ]
    assert places == sorted(places)
    assert set(kinds) == set(in_order)


def test_its_fingerprint_is_the_sha_256_of_its_text() -> None:
    protocol = parse_protocol(SHIPPED, "x")
    assert protocol.sha256 == hashlib.sha256(SHIPPED.encode()).hexdigest()
    assert protocol.text == SHIPPED


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("wipe", ("flammable", "ventilate", "gloves", "safety data sheet")),
        ("uv", ("eyes", "skin", "Local codes")),
        ("wash", ("fingers", "isolate", "residual-current")),
        ("apply", ("safety data sheet", "ventilate")),
    ],
)
def test_what_can_hurt_carries_its_caution(name: str, words: tuple[str, ...]) -> None:
    (step,) = [one for one in parse_protocol(SHIPPED, "x").steps if one.name == name]
    for word in words:
        assert word in step.caution


def test_the_face_is_wetted_first_and_never_started_dry() -> None:
    """Common practice, no source."""
    (wash,) = [one for one in parse_protocol(SHIPPED, "x").steps if one.kind == "wash"]
    assert "Wet the face first and never start dry" in wash.instruction


def test_all_faults_of_a_file_are_named_at_once_with_their_keys() -> None:
    text = (
        SHIPPED.replace("wait_h = 24.0", 'wait_h = "a day"', 1)
        .replace("holds = false", "hold = false", 1)
        .replace('kind = "close"', 'kind = "shut"', 1)
    )
    found = told(text)
    assert len(found) == 3
    assert found[0].startswith("steps.0.hold: unknown key; did you mean 'holds'?")
    assert found[1].startswith("steps.9.wait_h: ")
    assert found[2].startswith("steps.17.kind: ")


def swap(first: str, second: str) -> str:
    """The shipped text with two steps in each other's place."""
    head, *steps = SHIPPED.split("[[steps]]")
    names = [re.search(r'name = "([^"]+)"', step) for step in steps]
    at = {found[1]: index for index, found in enumerate(names) if found}
    one, other = at[first], at[second]
    steps[one], steps[other] = steps[other], steps[one]
    return "[[steps]]".join([head, *steps])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (swap("apply", "cure"), "the cure comes behind the application"),
        (
            swap("bare-slip", "slip"),
            "'slip' measures a treated panel, so it must stand behind the application",
        ),
        (swap("close", "closing-checks"), "the last step must be the one to close the trial"),
        (swap("wash", "inspect"), "one right behind the other"),
        (SHIPPED.replace('name = "gloss"', 'name = "slip"'), "'slip' is the name of 2 steps"),
        (SHIPPED.replace("wait_h = 24.0", ""), "a cure needs wait_h"),
        (
            SHIPPED.replace('kind = "prepare"', 'kind = "prepare"\nwait_h = 1.0', 1),
            "wait_h goes with a cure only",
        ),
        (SHIPPED.replace('test = "handling"', ""), "a step to rate needs test = one of handling, appearance"),
        (SHIPPED.replace('kind = "apply"', 'kind = "prepare"'), "there must be a step to apply the product"),
        (
            SHIPPED.replace('kind = "check"', 'kind = "check"\ntest = "slip"'),
            "test goes with measure and rate",
        ),
    ],
)
def test_an_order_or_a_step_that_cannot_be_is_refused(text: str, said: str) -> None:
    assert any(said in line for line in told(text)), told(text)


def test_what_is_not_toml_is_said_so() -> None:
    with pytest.raises(ConfigError, match="not valid TOML"):
        parse_protocol("[[steps]", "protocol.toml")
