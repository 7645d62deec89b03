"""Which form goes over which topic, and the AsyncAPI 3.0 document of all of them. Pure.

A form's name tells its topic, so a form that is added to PUBLISHED has its place:

1. `bench-LEAF` is PREFIX/BENCH/LEAF and `machine-LEAF` is PREFIX/BENCH/machine/MACHINE/LEAF; both are retained.
2. `LEAF-event` is not retained: PREFIX/BENCH/machine/MACHINE/LEAF where it names a machine, else PREFIX/BENCH/LEAF.
3. `LEAF-request` is PREFIX/BENCH/LEAF, not retained, and the bench receives it.
4. Other forms are parts of messages and have no topic.

Source: AsyncAPI Specification 3.0.0; AsyncAPI MQTT bindings 0.2.0. Payloads are schema objects of AsyncAPI, which are
JSON Schema draft 07 with additions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, models_json_schema
from pydantic_core.core_schema import TupleSchema

from benchd import __version__
from benchd.sinks.mqtt.payloads import PUBLISHED

BINDING = "0.2.0"
"""Version of the MQTT bindings."""
QOS = 1
PARAMETERS = {
    "prefix": {"description": "`mqtt.prefix` of the settings: one level or more", "default": "benchd"},
    "bench": {"description": "`bench.name`, percent-encoded to one level (RFC 3986, section 2.1)"},
    "machine": {"description": "`machine.name`, percent-encoded to one level"},
}


@dataclass(frozen=True, slots=True)
class Channel:
    """One topic: the form of its payload, and how it is sent. `address` has {prefix}, {bench} and {machine} in it."""

    form: str
    model: type[BaseModel]
    address: str
    retained: bool
    received: bool

    @property
    def parameters(self) -> list[str]:
        return [name for name in PARAMETERS if f"{{{name}}}" in self.address]


def channels(forms: Mapping[str, type[BaseModel]] = PUBLISHED) -> list[Channel]:
    """Return the topics of `forms`, in their order."""
    return [channel for form, model in forms.items() if (channel := _channel(form, model))]


def _channel(form: str, model: type[BaseModel]) -> Channel | None:
    bench, machine = "{prefix}/{bench}", "{prefix}/{bench}/machine/{machine}"
    owner, _, leaf = form.partition("-")
    if owner in ("bench", "machine") and leaf:
        return Channel(form, model, f"{machine if owner == 'machine' else bench}/{leaf}", True, False)
    leaf, _, kind = form.rpartition("-")
    if kind == "event" and leaf:
        return Channel(form, model, f"{machine if 'machine' in model.model_fields else bench}/{leaf}", False, False)
    if kind == "request" and leaf:
        return Channel(form, model, f"{bench}/{leaf}", False, True)
    return None


def asyncapi(forms: Mapping[str, type[BaseModel]] = PUBLISHED) -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of a bench: what it sends, what it receives, and every payload's schema."""
    topics = channels(forms)
    names, schemas = models_json_schema(
        [(topic.model, "serialization") for topic in topics],
        by_alias=True,
        ref_template="#/components/schemas/{model}",
        schema_generator=_Draft07,
    )
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "benchd over MQTT",
            "version": __version__,
            "description": "What a bench says of its machines, and what it can be asked. MQTT 5, QoS 1, UTF-8 JSON. "
            "Events are kept while the broker is away and sent in order; `id` is the same when one is sent again.",
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "servers": {"broker": _server()},
        "channels": {topic.form: _described(topic) for topic in topics},
        "operations": {_operation_name(topic): _operation(topic) for topic in topics},
        "components": {
            "messages": {topic.form: _message(topic, names[topic.model, "serialization"]) for topic in topics},
            "schemas": schemas["$defs"],
        },
    }


def _server() -> dict[str, Any]:
    will = {"topic": "{prefix}/{bench}/status", "qos": QOS, "retain": True, "message": "bench-status, online: false"}
    return {
        "host": "{host}",
        "protocol": "mqtt",
        "protocolVersion": "5.0",
        "description": "The broker of `mqtt.url`; with mqtts:// over TLS.",
        "variables": {"host": {"default": "127.0.0.1:1883", "description": "HOST:PORT"}},
        "bindings": {"mqtt": {"lastWill": will, "keepAlive": 30, "bindingVersion": BINDING}},
    }


def _described(topic: Channel) -> dict[str, Any]:
    return {
        "address": topic.address,
        "summary": _first_line(topic.model),
        "parameters": {name: PARAMETERS[name] for name in topic.parameters},
        "messages": {topic.form: {"$ref": f"#/components/messages/{topic.form}"}},
    }


def _operation_name(topic: Channel) -> str:
    return f"{'receive' if topic.received else 'send'}-{topic.form}"


def _operation(topic: Channel) -> dict[str, Any]:
    return {
        "action": "receive" if topic.received else "send",
        "channel": {"$ref": f"#/channels/{topic.form}"},
        "messages": [{"$ref": f"#/channels/{topic.form}/messages/{topic.form}"}],
        "bindings": {"mqtt": {"qos": QOS, "retain": topic.retained, "bindingVersion": BINDING}},
    }


def _message(topic: Channel, schema: JsonSchemaValue) -> dict[str, Any]:
    return {
        "name": topic.form,
        "summary": _first_line(topic.model),
        "payload": schema,
        "bindings": {"mqtt": {"payloadFormatIndicator": 1, "bindingVersion": BINDING}},
    }


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().split("\n")[0]


class _Draft07(GenerateJsonSchema):
    """Draft 07 has the parts of a tuple in `items`; there is no `prefixItems`."""

    def tuple_schema(self, schema: TupleSchema) -> JsonSchemaValue:
        made = super().tuple_schema(schema)
        if "prefixItems" in made:
            made["additionalItems"] = made.pop("items", False)
            made["items"] = made.pop("prefixItems")
        return made
