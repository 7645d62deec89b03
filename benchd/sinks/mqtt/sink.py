"""The MQTT sink: every event to the outbox first (`writer.py`), from there to the broker (`session.py`).

Events arrive in order, at QoS 1; retained states and alerts beside them.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from benchd.clock import Backoff, Wall, wall_of
from benchd.sinks.mqtt.mqtt_events import Retained, Translator
from benchd.sinks.mqtt.session import Session
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.topics import Topics
from benchd.sinks.mqtt.writer import Writer
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
        backoff = backoff or Backoff(cap_s=settings.retry_cap)
        self._session = Session(
            settings, bench, topics, self._retained, self._writer, self._news, wall, backoff, grace_s
        )
        self._running: asyncio.Task[None] | None = None
        self._errors = 0

    def offer(self, event: Event) -> None:
        """Take an event. Never blocks, never raises."""
        try:
            self._retained.feed(event)
            if isinstance(event, SENT):
                self._writer.put(event)
        except Exception:
            self._errors += 1
            log.exception("mqtt: an event of type %s could not be taken", type(event).__name__)
        self._news.set()

    def status(self) -> dict[str, Any]:
        """Return health: state is starting, connecting, online, waiting or closed; `reason` says why."""
        dropped = dict(self._writer.queue.dropped)
        if self._errors:
            dropped["error"] = self._errors
        return {
            "name": self.name,
            "state": self._session.state,
            "reason": "; ".join(filter(None, (self._session.reason, self._writer.reason))),
            "dropped": dropped,
            "broker": f"{self.settings.host}:{self.settings.port}",
            "sent": self._session.taken,
            **self._writer.status(),
        }

    async def run(self) -> None:
        """Work until closed; may be run again after it was cancelled. The outbox is closed in any case."""
        self._running = asyncio.current_task()
        try:
            async with self._writer.opened() as is_open, asyncio.TaskGroup() as group:
                group.create_task(self._writer.run(), name="mqtt-writer")
                if is_open:
                    group.create_task(self._session.run(), name="mqtt-session")
        finally:
            self._session.state = "closed"

    async def close(self) -> None:
        """Write what is queued, send what goes within the grace time, say goodbye."""
        self._writer.close()
        self._session.close()
        if self._running is not None and not self._running.done():
            _, late = await asyncio.wait([self._running], timeout=self._grace_s + 2)
            for task in late:
                task.cancel()
                await asyncio.wait([task])
