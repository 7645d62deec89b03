"""What an archive and a bench say to each other: the published forms, and what is refused of them."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from pydantic import ValidationError

from benchd.sinks.mqtt.payloads import MOST_RANGES, PUBLISHED, AskRequest, BenchStatus, BootEvent, EntryEvent
from benchd.vocabulary.models import Boot

HEAD = {"bench": "bench1", "at": "2026-03-01T20:00:00+01:00", "id": "0a-7", "seq": 7}
BOOT = Boot(id="b1", machine="at286", started="2026-03-01T20:00:00+01:00", outcome="finished", model="at-clone-12")
ASK: dict[str, Any] = {"archive": "club", "ask": "a1"}


@pytest.mark.parametrize("name", ["boot-event", "entry-event", "ask-request", "answer-event", "bench-status"])
def test_schemas_are_schemas(name: str) -> None:
    """The schema of each form is one (jsonschema library)."""
    jsonschema.Draft202012Validator.check_schema(PUBLISHED[name].model_json_schema(mode="serialization"))


def test_a_removed_boot_has_no_record() -> None:
    """And every other state has one; both go over the wire and back."""
    gone = BootEvent.model_validate({**HEAD, "machine": "at286", "boot": "b1", "state": "removed", "record": None})
    stored = BootEvent.model_validate(
        {**HEAD, "machine": "at286", "boot": "b1", "state": "stored", "record": BOOT.model_dump(by_alias=True)}
    )
    for event in (gone, stored):
        assert BootEvent.model_validate_json(event.model_dump_json()) == event
    assert stored.record is not None and stored.record.model == "at-clone-12"
    for state, record in (("removed", BOOT), ("stored", None), ("ended", None)):
        with pytest.raises(ValidationError, match="removed has no record"):
            BootEvent.model_validate({**HEAD, "machine": "at286", "boot": "b1", "state": state, "record": record})


def test_boots_without_a_model_are_published_as_before() -> None:
    """The key is there only where the settings name one."""
    assert "model" in json.loads(BOOT.model_dump_json())
    assert "model" not in json.loads(BOOT.model_copy(update={"model": None}).model_dump_json())


def test_an_entry_is_a_row_or_none() -> None:
    """The version of the tables is called `schema` on the wire."""
    event = EntryEvent.model_validate(
        {**HEAD, "schema": "0009", "table": "result", "key": "17", "row": {"id": 17, "passed": True}}
    )
    assert json.loads(event.model_dump_json()) == {
        "version": 1, **HEAD, "schema": "0009", "table": "result", "key": "17", "row": {"id": 17, "passed": True},
    }  # fmt: skip
    with pytest.raises(ValidationError):
        EntryEvent.model_validate({**HEAD, "schema": "0009", "table": "counter", "key": "17", "row": None})


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"outbox": "0a", "missing": [[1, 3], [7, 7]]},
        {"since": "2026-03-01T20:00:00+01:00"},
    ],
)
def test_asks_are_understood(more: dict[str, Any]) -> None:
    """Everything, some numbers, or since a time."""
    assert AskRequest.model_validate_json(json.dumps(ASK | more)).ask == "a1"


@pytest.mark.parametrize(
    "more",
    [
        {"missing": [[1, 3]]},
        {"outbox": "0a", "missing": [[3, 1]]},
        {"outbox": "0a", "missing": [[0, 1]]},
        {"outbox": "0a", "missing": [[1, 2]], "since": "2026-03-01T20:00:00+01:00"},
        {"outbox": "0a", "missing": [[1, 1 << 60]]},
        {"outbox": "0a", "missing": [[n, n] for n in range(1, MOST_RANGES + 2)]},
        {"outbox": "0a", "missing": [[1]]},
        {"since": "2026-03-01T20:00:00"},
        {"since": "yesterday"},
        {"since": "2026-03-01T20:00:00+01:00" + " " * 40},
        {"ask": ""},
        {"ask": "a" * 65},
        {"archive": 7},
        {"version": 2},
        {"drop": "tables"},
    ],
)
def test_asks_that_make_no_sense_are_refused(more: dict[str, Any]) -> None:
    """Every one by the model itself, before anything is done for it."""
    with pytest.raises(ValidationError):
        AskRequest.model_validate_json(json.dumps(ASK | more))


def test_an_older_status_is_still_one() -> None:
    """A bench of before says neither number nor time."""
    status = BenchStatus.model_validate(
        {**{k: HEAD[k] for k in ("bench", "at")}, "online": True, "reason": "", "outbox": "0a"}
    )
    assert (status.seq, status.made, status.archive) == (0, None, False)
