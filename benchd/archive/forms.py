"""Forms of what benches tell an archive, and are asked."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, Field

from benchd.sinks.base import Payload
from benchd.sinks.mqtt.payloads import BenchStatus, EventPayload
from benchd.vocabulary.models import Boot


class BootEvent(EventPayload):
    state: Literal["started", "settled", "ended", "stored", "removed"]
    record: Boot | None = None


class EntryEvent(Payload):
    id: str
    seq: int = Field(ge=1)
    schema_: str = Field(alias="schema")
    table: Literal["study", "trial", "result", "boot_mark", "image", "prediction", "change"]
    key: str
    row: dict[str, Any] | None = None


class AnswerEvent(Payload):
    id: str
    seq: int = Field(ge=1)
    ask: str
    outbox: str | None = None
    missing: list[tuple[int, int]] | None = None
    boots: int
    entries: int
    words: str


class AskRequest(BaseModel):
    version: Literal[1] = 1
    archive: str
    ask: str
    outbox: str | None = None
    missing: list[tuple[int, int]] | None = Field(None, max_length=1000)
    since: str | None = None


class Status(BenchStatus):
    seq: int = 0
    made: str | None = None
    archive: bool = False
