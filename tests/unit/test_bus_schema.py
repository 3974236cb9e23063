"""The document of the bus: whole, and in agreement with itself. Payloads are held against it elsewhere."""

import json
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from acquire.cli import main
from acquire.outputs.mqtt.messages import FACTS, bench_slug, topic
from acquire.outputs.mqtt.schema import asyncapi
from tests.bus_schema import validator_of


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    printed = CliRunner().invoke(main, ["bus", "schema"], catch_exceptions=False).output
    found: dict[str, Any] = json.loads(printed)
    assert found == json.loads(json.dumps(asyncapi()))
    return found


def _refs(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        return own + [ref for inner in node.values() for ref in _refs(inner)]
    return [ref for inner in node for ref in _refs(inner)] if isinstance(node, list) else []


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    refs = _refs(document)
    assert len(refs) > 100
    for ref in refs:
        node: Any = document
        for part in ref.removeprefix("#/").split("/"):
            assert part in node, ref
            node = node[part]


def test_it_has_what_the_standard_asks_for(document: dict[str, Any]) -> None:
    # AsyncAPI 3.0.0 (from memory): these fields are required; an operation names its channel and action;
    # every parameter of an address is described; a channel's messages are references.
    assert document["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= set(document["info"])
    for channel in document["channels"].values():
        named = {part[1:-1] for part in channel["address"].split("/") if part.startswith("{")}
        assert named == set(channel["parameters"])
        assert all(set(message) == {"$ref"} for message in channel["messages"].values())
    for operation in document["operations"].values():
        assert operation["action"] in ("send", "receive")
        assert operation["channel"]["$ref"].removeprefix("#/channels/") in document["channels"]


def test_every_schema_is_one(document: dict[str, Any]) -> None:
    for schema in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


def test_what_a_later_program_adds_is_not_refused(document: dict[str, Any]) -> None:
    assert '"additionalProperties": false' not in json.dumps(document)


@pytest.mark.parametrize("kind", FACTS)
def test_every_kind_of_event_has_its_channel(document: dict[str, Any], kind: str) -> None:
    name, validator = validator_of(document, topic("Bench", "event", kind))
    assert name == f"event-{kind.replace(' ', '-')}"
    errors = {error.validator for error in validator.iter_errors({})}
    assert errors


@pytest.mark.parametrize(
    ("name", "slug"),
    [
        ("Test bench (invented)", "test-bench-invented"),
        ("a/b+c#d", "a-b-c-d"),
        ("Prüfstand 2", "pr-fstand-2"),
        ("日本", "bench"),
    ],
)
def test_a_bench_can_have_any_name(name: str, slug: str) -> None:
    assert bench_slug(name) == slug
