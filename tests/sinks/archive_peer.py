"""A bench that feeds an archive, without a network, and what an archive makes of the events: by rules of its own.

`Bench` is a store, an outbox and the feeder between them, worked by hand; `Reducer` is the least that an archive must
do: of each row keep what the greatest number of the newest outbox says.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from benchd.sinks.mqtt.asks import Asks
from benchd.sinks.mqtt.feeding import Feeder
from benchd.sinks.mqtt.mqtt_events import Translator
from benchd.sinks.mqtt.outbox import Outbox
from benchd.sinks.mqtt.payloads import AnswerEvent, BootEvent, EntryEvent
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.stored_events import StoredEvents
from benchd.sinks.mqtt.topics import Topics
from benchd.sinks.mqtt.writer import Writer
from benchd.store import Store, schema
from benchd.vocabulary.events import BOOT_EVENTS, BootChanged, Event
from benchd.vocabulary.models import Boot

Key = tuple[str, str]
Order = tuple[str, int]
ENTRY_TABLES = ("study", "trial", "result", "boot_mark", "image", "prediction", "change")


def moment(t_ns: int = 0) -> datetime:
    return datetime(2026, 3, 1, tzinfo=UTC)


class Reducer:
    """Events in any order, as often as one likes, to the rows that an archive has."""

    def __init__(self) -> None:
        self.rows: dict[Key, tuple[Order, Any]] = {}
        self.whole_from: Order = ("", 0)
        self.answers: dict[str, AnswerEvent] = {}

    def take(self, payload: dict[str, Any]) -> None:
        order = (payload["id"].rpartition("-")[0], payload["seq"])
        if "table" in payload:
            entry = EntryEvent.model_validate(payload)
            self._put((entry.table, entry.key), order, entry.row)
        elif "ask" in payload:
            answer = AnswerEvent.model_validate(payload)
            self.answers[answer.ask] = answer
            if answer.whole_from is not None:
                self.whole_from = max(self.whole_from, (order[0], answer.whole_from))
        elif "record" in payload:
            boot = BootEvent.model_validate(payload)
            self._put(("boot", str(boot.boot)), order, boot.record)

    def _put(self, key: Key, order: Order, row: Any) -> None:
        if key not in self.rows or self.rows[key][0] < order:
            self.rows[key] = (order, row)

    def there(self) -> dict[Key, Any]:
        return {key: row for key, (order, row) in self.rows.items() if row is not None and order >= self.whole_from}


def stored(store: Store) -> dict[Key, Any]:
    """What the store has, read by plain queries: boots as told, other rows with their columns."""
    out: dict[Key, Any] = {}
    for boot in store.boots():
        out["boot", boot.id] = store.told_boot(boot.id)
    with store._database.read() as connection:
        for name in ENTRY_TABLES:
            table = schema.metadata.tables[name]
            (own,) = table.primary_key.columns
            for row in connection.execute(sa.select(table)).mappings():
                out[name, json.dumps(row[own.name], ensure_ascii=False)] = json.loads(json.dumps(dict(row)))
    return out


class Bench:
    """`wire` has every payload that was sent. Nothing runs by itself but the outbox's writer, while it is `up`."""

    def __init__(self, folder: Path, store: Store) -> None:
        self.store, self.outbox = store, folder / "outbox.db"
        self.wire: list[dict[str, Any]] = []
        self.unsaved: dict[str, Boot] = {}
        self.asks = Asks()
        self.settings = MqttSettings.model_validate({"url": "mqtt://127.0.0.1", "archive": True})
        self.writer: Writer
        self.feeder: Feeder

    @contextlib.asynccontextmanager
    async def up(self) -> AsyncIterator[None]:
        topics = Topics("benchd", "bench1")
        self.writer = Writer(self.settings, self.outbox, Translator("bench1", topics, moment), asyncio.Event())
        self.feeder = Feeder(
            self.store, self.writer, StoredEvents("bench1", topics, moment), self.asks, self.unsaved.__contains__
        )
        async with self.writer.opened():
            writing = asyncio.create_task(self.writer.run())
            try:
                yield
            finally:
                self.writer.close()
                await writing
        self.feeder._worker.close()

    def tell(self, event: Event) -> None:
        """As the daemon does: to the sink, and to whoever saves boots, who is slower (`save`)."""
        if isinstance(event, BOOT_EVENTS):
            self.unsaved[event.boot.id] = event.boot
        self.feeder.offer(event)
        if not isinstance(event, BootChanged):
            self.writer.put(event)

    def save(self) -> None:
        for boot_id in list(self.unsaved):
            self.store.save_boot(self.unsaved.pop(boot_id), capture="captures/at286/1.pcapng")

    async def send(self, most: int = 1_000_000, *, forgotten: bool = False) -> list[dict[str, Any]]:
        """Let the broker take what waits; `forgotten`: a kill comes before that is noted."""
        sent: list[dict[str, Any]] = []
        while len(self.writer.queue) or self.writer._written:
            await asyncio.sleep(0)
        while len(sent) < most and (batch := await self.writer.peek()):
            sent += [json.loads(one.payload) for one in batch]
            if forgotten:
                break
            await self.writer.sent([one.seq for one in batch])
        self.wire += sent
        return sent

    async def drain(self) -> list[dict[str, Any]]:
        """Tell and send until nothing is left."""
        out: list[dict[str, Any]] = []
        while True:
            rest_s = await self.feeder.turn()
            sent = await self.send()
            out += sent
            if rest_s and not sent and self.feeder._asked is None and not self.asks._waiting:
                return out

    def ask(self, **more: Any) -> bool:
        """Hear an ask, as it comes over the wire."""
        number = len(self.asks._known)
        return self.asks.hear(
            json.dumps({"archive": "club", "ask": f"a{number}"} | more).encode(), False, number * 60.0
        )


def rebuilt(payloads: Iterable[dict[str, Any]]) -> dict[Key, Any]:
    archive = Reducer()
    for payload in payloads:
        archive.take(payload)
    return archive.there()


def box_of(bench: Bench) -> Outbox:
    assert bench.writer._box is not None
    return bench.writer._box
