"""The AsyncAPI document of all topics: as the standard's own schema wants it, whole, and made of the models."""

from __future__ import annotations

import json
from typing import Any, Literal

import pytest
from jsonschema import Draft7Validator, ValidationError
from pydantic import BaseModel
from support.asyncapi import Topics
from support.daemon import benchd
from support.npm import modules

from benchd.sinks.base import KINDS, Payload
from benchd.sinks.mqtt.channels import asyncapi, channels
from benchd.sinks.mqtt.payloads import PUBLISHED, EventPayload, LinkEvent
from benchd.sinks.mqtt.sink import SENT

SPECS = "@asyncapi/specs@6.11.1"
"""The JSON Schemas of the AsyncAPI specification, from those who write it."""


class Row(Payload):
    """A row that a person changed."""

    id: str
    key: tuple[int, str]


class Wish(BaseModel):
    """What the bench is asked for."""

    version: Literal[1] = 1
    missing: list[tuple[int, int]] | None = None


MORE = {**PUBLISHED, "row-event": Row, "wish-request": Wish}


@pytest.fixture(scope="module")
def standard() -> Draft7Validator:
    schema = json.loads((modules(SPECS) / "@asyncapi/specs/schemas/3.0.0.json").read_text())
    return Draft7Validator(schema)


@pytest.mark.peer("npm")
def test_the_standard_takes_it(standard: Draft7Validator) -> None:
    """The official schema of AsyncAPI 3.0.0 has nothing against the document, nor with forms of other kinds in it."""
    standard.validate(json.loads(benchd("schema", "--asyncapi")))
    standard.validate(json.loads(json.dumps(asyncapi(MORE))))


@pytest.mark.peer("npm")
@pytest.mark.parametrize(
    ("where", "wrong"),
    [
        (("asyncapi",), "2.0.0"),
        (("channels", "code-event", "adress"), "x"),
        (("operations", "send-code-event", "action"), "say"),
        (("components", "schemas", "CodeEvent", "type"), "thing"),
        (("servers", "broker", "host"), None),
    ],
)
def test_the_standard_would_say_no(standard: Draft7Validator, where: tuple[str, ...], wrong: object) -> None:
    """The check itself: a wrong version, a misspelt key, a wrong action, type or host is found."""
    document: Any = json.loads(json.dumps(asyncapi()))
    place = document
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] = wrong
    with pytest.raises(ValidationError):
        standard.validate(document)


def test_every_message_has_its_topic() -> None:
    """Each payload that is published is in one channel; each event that is sent too; addresses are not shared."""
    topics = channels()
    assert {topic.form for topic in topics} >= {name for name, model in PUBLISHED.items() if issubclass(model, Payload)}
    leaves = {topic.form.removesuffix("-event") for topic in topics if issubclass(topic.model, EventPayload)}
    assert leaves >= {KINDS[event] for event in SENT}
    assert len({topic.address for topic in topics}) == len(topics)


def test_forms_that_are_added_come_in_by_themselves() -> None:
    """An event without a machine, and what is asked of a bench, have their topics, operations and payloads."""
    document = json.loads(json.dumps(asyncapi(MORE)))
    topics = Topics(document)
    assert document["operations"]["receive-wish-request"]["action"] == "receive"
    row = {"version": 1, "bench": "b", "at": "2020-01-01T00:00:00Z", "id": "1", "key": [1, "x"]}
    assert topics.check("benchd/b/row", row) == "row-event"
    assert topics.check("a/b/c/wish", {"missing": [[1, 2]]}) == "wish-request"
    for wrong in ({"missing": [[1]]}, {"missing": [[1, 2, 3]]}, {"missing": [["1", 2]]}):
        with pytest.raises(ValidationError):
            topics.check("benchd/b/wish", wrong)
    with pytest.raises(ValidationError):
        topics.check("benchd/b/row", row | {"key": ["x", 1]})


def test_a_payload_that_does_not_fit_is_found() -> None:
    """The document is no mere list of names: fields that are missing, more or of another type are refused."""
    topics = Topics(asyncapi())
    good = LinkEvent(
        bench="b", at="2020-01-01T00:00:00Z", id="1-1", seq=1, machine="m", link="post", up=True, reason=""
    ).model_dump(mode="json")
    topic = "benchd/b/machine/m/link"
    assert topics.check(topic, good) == "link-event"
    for wrong in ({**good, "up": "yes"}, {**good, "more": 1}, {k: v for k, v in good.items() if k != "seq"}):
        with pytest.raises(ValidationError):
            topics.check(topic, wrong)
    for elsewhere in ("benchd/b/machine/m/nothing", "benchd/b/machine/m/n/link", "status"):
        with pytest.raises(AssertionError, match="is in the channels"):
            topics.channel(elsewhere)


def test_a_name_beside_the_document_is_wrong_use() -> None:
    """`--asyncapi` is all topics: it takes no form."""
    benchd("schema", "--asyncapi", "boot", code=2)
