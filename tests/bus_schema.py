"""Finds, in the AsyncAPI document, what the payload of a topic must look like."""

import re
from typing import Any

from jsonschema import Draft202012Validator


def validator_of(document: dict[str, Any], topic: str) -> tuple[str, Draft202012Validator]:
    """The channel of a topic, and a validator for what is said there."""
    fitting = [name for name, channel in document["channels"].items() if _fits(channel["address"], topic)]
    assert len(fitting) == 1, (topic, fitting)
    messages = [
        document["components"]["messages"][name] for name in document["channels"][fitting[0]]["messages"]
    ]
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "anyOf": [message["payload"] for message in messages],
        "components": document["components"],
    }
    return fitting[0], Draft202012Validator(schema)


def _fits(address: str, topic: str) -> bool:
    pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(address))
    return re.fullmatch(pattern, topic) is not None
