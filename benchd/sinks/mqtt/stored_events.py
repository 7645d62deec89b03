"""Rows of the store to events, for an archive: boots as they are stored, what people entered, and answers. Pure."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from benchd.clock import stamp
from benchd.sinks.mqtt.mqtt_events import slim
from benchd.sinks.mqtt.outbox import Entry
from benchd.sinks.mqtt.payloads import AskRequest
from benchd.sinks.mqtt.told import About
from benchd.sinks.mqtt.topics import Topics
from benchd.store.feed import FeedKey, typed_key
from benchd.store.schema import VERSIONS
from benchd.vocabulary.models import Boot

Row = Boot | dict[str, Any] | None
"""A boot as told, the columns of another row, or nothing where it is gone."""


class StoredEvents:
    """Makes outbox entries; `now` is asked for the wall time that they carry."""

    def __init__(self, bench: str, topics: Topics, now: Callable[[], datetime]) -> None:
        self._bench, self._topics, self._now = bench, topics, now

    def of(self, at: FeedKey, row: Row) -> Entry:
        """Return what tells how a row is now."""
        if at.table == "boot":
            return self._boot(at, row if isinstance(row, Boot) else None)
        said = {"schema": VERSIONS[-1], "table": at.table, "key": json.dumps(typed_key(at), ensure_ascii=False)}
        return self._entry("entry", self._topics.entry, said | {"row": row}, About.of(at, row))

    def _boot(self, at: FeedKey, boot: Boot | None) -> Entry:
        machine = boot.machine if boot is not None else at.machine or ""
        record = None if boot is None else slim(boot)
        said = {"machine": machine, "boot": at.key, "state": "removed" if boot is None else "stored", "record": record}
        return self._entry("stored", self._topics.of(machine or "?", "boot"), said, About.of(at, record))

    def answer(self, ask: AskRequest, boots: int, entries: int, whole_from: int | None = None) -> Entry:
        """Return what tells that an ask is answered: so many boots and entries were told for it.

        `whole_from`: everything there is was told by events from this number on.
        """
        said = {
            "ask": ask.ask, "outbox": ask.outbox, "missing": ask.missing, "boots": boots, "entries": entries,
            "words": _words(boots, entries), "whole_from": whole_from,
        }  # fmt: skip
        return self._entry("answer", self._topics.answer, said, None)

    def _entry(self, kind: str, topic: str, said: dict[str, Any], about: About | None) -> Entry:
        at = self._now()
        body = {"version": 1, "bench": self._bench, "at": stamp(at), **said}
        return Entry(kind, topic, body, int(at.timestamp() * 1e9), about=about)


def counted(entries: Sequence[Entry]) -> tuple[int, int]:
    """How many of these tell of boots, and how many of other rows."""
    boots = sum(1 for entry in entries if entry.kind == "stored")
    return boots, sum(1 for entry in entries if entry.kind == "entry")


def _words(boots: int, entries: int) -> str:
    if not boots and not entries:
        return "nothing had to be told again: the store has nothing else to say of it"
    return f"told again: {boots} boot{'s' * (boots != 1)}, {entries} entr{'ies' if entries != 1 else 'y'}"
