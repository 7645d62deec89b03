"""The MQTT sink: every event to the outbox first (`writer.py`), from there to the broker (`session.py`).

Events arrive in order, at QoS 1; retained states and alerts beside them.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from aiomqtt import Message

from benchd.clock import Backoff, Wall, wall_of
from benchd.sinks.mqtt.asks import Asks
from benchd.sinks.mqtt.feeding import Feeder
from benchd.sinks.mqtt.mqtt_events import Retained, Translator
from benchd.sinks.mqtt.session import Session
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.stored_events import StoredEvents
from benchd.sinks.mqtt.topics import Topics
from benchd.sinks.mqtt.writer import Writer
from benchd.store import Store
from benchd.vocabulary.events import (
    BootOver,
    BootSettled,
    BootStarted,
    CodeSeen,
    Event,
    FindingCleared,
    FindingRaised,
    LinkChanged,
    StageEntered,
)

log = logging.getLogger(__name__)

SENT = (CodeSeen, StageEntered, FindingRaised, FindingCleared, BootStarted, BootSettled, BootOver, LinkChanged)
"""Events that become messages; the others only change what is retained."""


class MqttSink:
    """Publishes the events of one bench. `outbox_path` is a file of its own in the data directory.

    With `mqtt.archive` it also tells what is in `store`, and hears asks; `unsaved(boot)` says that the store is still
    to get something that was told of a boot.

    Raises UsageError where names or settings cannot make topics. `offer`, `run`, `close`, `status` as in Sink.
    """

    name = "mqtt"

    def __init__(
        self,
        settings: MqttSettings,
        bench: str,
        outbox_path: Path,
        *,
        machines: Iterable[str] = (),
        store: Store | None = None,
        unsaved: Callable[[str], bool] = lambda boot: False,
        wall: Wall = wall_of,
        backoff: Backoff | None = None,
        grace_s: float = 3.0,
    ) -> None:
        machines = list(machines)
        topics = Topics(settings.prefix, bench)
        for machine in machines:
            topics.of(machine, "finding")
        self.settings = settings
        self._grace_s = grace_s
        self._news = asyncio.Event()
        self._retained = Retained(bench, machines, wall)
        self._writer = Writer(settings, outbox_path, Translator(bench, topics, wall), self._news)
        self._asks = Asks()
        self._feeder: Feeder | None = None
        if settings.archive and store is not None:
            stored = StoredEvents(bench, topics, lambda: wall(time.monotonic_ns()))
            self._feeder = Feeder(store, self._writer, stored, self._asks, unsaved)
        backoff = backoff or Backoff(cap_s=settings.retry_cap)
        self._session = Session(
            settings, bench, topics, self._retained, self._writer, self._news, wall, backoff, grace_s,
            self._hear if self._feeder is not None else None,
        )  # fmt: skip
        self._running: asyncio.Task[None] | None = None
        self._errors = 0

    def offer(self, event: Event) -> None:
        """Take an event. Never blocks, never raises."""
        try:
            self._retained.feed(event)
            if self._feeder is not None:
                self._feeder.offer(event)
            if isinstance(event, SENT):
                self._writer.put(event)
        except Exception:
            self._errors += 1
            log.exception("mqtt: an event of type %s could not be taken", type(event).__name__)
        self._news.set()

    def _hear(self, message: Message) -> None:
        payload = message.payload if isinstance(message.payload, bytes) else b""
        if self._feeder is not None and self._asks.hear(payload, message.retain, time.monotonic()):
            self._feeder.wake()

    def status(self) -> dict[str, Any]:
        """Return health: state is starting, connecting, online, waiting or closed; `reason` says why."""
        dropped = dict(self._writer.queue.dropped)
        if self._errors:
            dropped["error"] = self._errors
        reasons = [self._session.reason, self._writer.reason]
        archive: dict[str, int] = {}
        if self._feeder is not None:
            reasons.append(self._feeder.reason)
            archive = {
                "fed": self._feeder.fed, "feed_left": self._feeder.left, "asks_answered": self._asks.answered,
                "asks_refused": self._asks.refused,
            }  # fmt: skip
        return {
            "name": self.name,
            "state": self._session.state,
            "reason": "; ".join(filter(None, reasons)),
            "dropped": dropped,
            "broker": f"{self.settings.host}:{self.settings.port}",
            "sent": self._session.taken,
            **self._writer.status(),
            **archive,
        }

    async def run(self) -> None:
        """Work until closed; may be run again after it was cancelled. The outbox is closed in any case."""
        self._running = asyncio.current_task()
        try:
            async with self._writer.opened() as is_open, asyncio.TaskGroup() as group:
                group.create_task(self._writer.run(), name="mqtt-writer")
                if is_open:
                    group.create_task(self._session.run(), name="mqtt-session")
                    if self._feeder is not None:
                        group.create_task(self._feeder.run(), name="mqtt-feed")
        finally:
            self._session.state = "closed"

    async def close(self) -> None:
        """Write what is queued, send what goes within the grace time, say goodbye."""
        if self._feeder is not None:
            self._feeder.close()
        self._writer.close()
        self._session.close()
        if self._running is not None and not self._running.done():
            _, late = await asyncio.wait([self._running], timeout=self._grace_s + 2)
            for task in late:
                task.cancel()
                await asyncio.wait([task])
