"""The bus for other programs: an AsyncAPI 3 document with a JSON Schema for every payload.

Everything in it follows from the models; nothing is written twice. AsyncAPI 3.0.0 and JSON Schema draft
2020-12 are open standards; that their rules are kept is held by the tests.
"""

from typing import Any, Literal

from pydantic import BaseModel, Field, create_model
from pydantic.json_schema import models_json_schema

from acquire.outputs.mqtt.messages import (
    ASKER,
    FACTS,
    FORMAT,
    VERSION,
    AgainRequest,
    BenchState,
    EventMessage,
    GaugeMessage,
    NoteMessage,
    ScorecardMessage,
    StandingsMessage,
    TraceMessage,
)

Document = dict[str, Any]
_PARAMETERS = {
    "bench": "Name of the bench in small letters, digits and hyphens.",
    "gauge": "Name of a gauge, as in the bench's own description.",
    "trial": "Id of a trial.",
    "asker": f"Chosen by whoever asks: {ASKER}",
}


def _event_model(kind: str) -> type[EventMessage]:
    """The message of one kind of event, with the body of that kind."""
    name = "".join(word.title() for word in kind.split()) + "EventMessage"
    literal: Any = Literal[kind]
    return create_model(
        name, __base__=EventMessage, __doc__=f"A {kind}.", kind=literal, body=(FACTS[kind], Field())
    )


EVENTS = {kind: _event_model(kind) for kind in FACTS}

_CHANNELS: dict[str, tuple[str, tuple[type[BaseModel], ...], str]] = {
    "state": ("state", (BenchState,), "Retained, QoS 1; also the last will."),
    **{
        f"event-{kind.replace(' ', '-')}": (
            f"event/{kind.replace(' ', '-')}",
            (model,),
            "QoS 1, retained. All kinds of events share one numbering, and come in its order.",
        )
        for kind, model in EVENTS.items()
    },
    "gauge": ("gauge/{gauge}", (GaugeMessage,), "Retained, QoS 1."),
    "scorecard": ("scorecard/{trial}", (ScorecardMessage,), "Retained, QoS 1."),
    "standings": ("standings", (StandingsMessage,), "Retained, QoS 1."),
    "note": ("live/note", (NoteMessage,), "QoS 0, at once, never repeated."),
    "trace": ("live/trace/{gauge}", (TraceMessage,), "QoS 0, thinned, never repeated."),
    "again": ("again", (AgainRequest,), "QoS 1, to the bench."),
    "again-event": ("again/{asker}/event", tuple(EVENTS.values()), "QoS 1, the answer to a request."),
}


def asyncapi() -> Document:
    """The whole document, as plain data."""
    models = {model for _, models, _ in _CHANNELS.values() for model in models}
    ordered = sorted(models, key=lambda model: model.__name__)
    _, found = models_json_schema(
        [(model, "validation") for model in ordered], ref_template="#/components/schemas/{model}"
    )
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "panelwright bus",
            "version": VERSION,
            "description": f"Payloads say {FORMAT!r}. Within a version fields may be added: "
            "pass over what you do not know. Events come at least once: drop a `seq` that you have seen.",
        },
        "defaultContentType": "application/json",
        "channels": {name: _channel(*channel) for name, channel in _CHANNELS.items()},
        "operations": {name: _operation(name) for name in _CHANNELS},
        "components": {
            "messages": {
                model.__name__: {"payload": {"$ref": f"#/components/schemas/{model.__name__}"}}
                for model in ordered
            },
            "schemas": _open(found["$defs"]),
        },
    }


def _channel(address: str, models: tuple[type[BaseModel], ...], said: str) -> Document:
    address = f"panelwright/{VERSION}/{{bench}}/{address}"
    return {
        "address": address,
        "description": said,
        "parameters": {
            name: {"description": text} for name, text in _PARAMETERS.items() if f"{{{name}}}" in address
        },
        "messages": {model.__name__: {"$ref": f"#/components/messages/{model.__name__}"} for model in models},
    }


def _operation(name: str) -> Document:
    return {
        "action": "receive" if name == "again" else "send",
        "channel": {"$ref": f"#/channels/{name}"},
    }


def _open(schema: Any) -> Any:
    """Without refusing what is not known: a later program may say more."""
    if isinstance(schema, dict):
        kept = {key: _open(inner) for key, inner in schema.items()}
        if kept.get("additionalProperties") is False:
            del kept["additionalProperties"]
        return kept
    return [_open(inner) for inner in schema] if isinstance(schema, list) else schema
