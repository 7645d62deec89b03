"""Messages from the broker into the database: acknowledged when they are on its disk, never before.

While the database is away nothing is acknowledged and the broker holds the rest; while the broker is away its session
holds it. What comes twice changes nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
import time
from collections import Counter, deque
from collections.abc import Callable
from typing import Any

import aiomqtt

from benchd.archive.intake import Intake, Taken
from benchd.archive.settings import ArchivePart
from benchd.archive.subscriber import Delivery, Subscriber, filters
from benchd.clock import Backoff
from benchd.errors import BenchError, ExternalError
from benchd.sinks.mqtt.broker import Refused
from benchd.sinks.mqtt.broker_words import explain
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.worker import Worker

log = logging.getLogger(__name__)

BATCH = 500
"""Messages in one transaction at most."""
LIGHT_MOST = 5_000
"""Messages without acknowledgement that may wait: nothing else bounds those."""
STEADY_S = 10.0
TOLD_S = 60.0
"""Refusals are logged this often at most."""


class Listening:
    """Takes messages until closed. `told` gets what became of each batch, in the loop's thread."""

    def __init__(
        self, settings: MqttSettings, part: ArchivePart, intake: Intake, told: Callable[[Taken], None]
    ) -> None:
        self.state, self.reason, self.database_reason = "starting", "", ""
        self.taken, self.changed, self.batches, self.bytes = 0, 0, 0, 0
        self.refused: Counter[str] = Counter()
        self._settings, self._part, self._intake, self._told = settings, part, intake, told
        self._closing = asyncio.Event()
        self._worker = Worker("archive")
        self._wait = Backoff(cap_s=settings.retry_cap)
        self._waiting: deque[Delivery] = deque()
        self._news = asyncio.Event()
        self._logged = float("-inf")

    def close(self) -> None:
        """Let `run` return after the present batch."""
        self._closing.set()
        self._news.set()

    @property
    def waiting(self) -> int:
        """Messages that are here and not in the database yet."""
        return len(self._waiting)

    async def run(self) -> None:
        """Connect, take, and connect again after each trouble, until closed."""
        try:
            while not self._closing.is_set():
                self.state = "waiting" if self.reason else "connecting"
                began = time.monotonic()
                try:
                    await self._converse()
                except (aiomqtt.MqttError, Refused, OSError, BenchError, ValueError) as error:
                    self._lost(explain(error, self._settings))
                except Exception as error:  # ours or a library's: nothing is acknowledged, so it comes again
                    log.exception("archive: the connection failed unexpectedly")
                    self._lost(f"unexpected {type(error).__name__}, see the log")
                if time.monotonic() - began > STEADY_S:
                    self._wait.reset()
                if not self._closing.is_set():
                    await self._rest(self._wait.next_s())
        finally:
            self.state = "closed"
            self._worker.close()

    def _lost(self, reason: str) -> None:
        if reason != self.reason:
            log.warning("archive: %s", reason)
        self.state, self.reason = "waiting", reason

    async def _converse(self) -> None:
        part, settings = self._part, self._settings
        client_id = settings.client_id or f"{part.share}-{part.name}"
        password, context = await asyncio.to_thread(_secrets, settings)
        self._waiting.clear()  # what was not acknowledged comes again
        link = Subscriber(
            settings, client_id, password, context, in_flight=part.in_flight, session_s=part.session_days * 86_400.0
        )
        async with link:
            await link.subscribe(filters(settings.prefix, part.share))
            if self.reason:
                log.info("archive: connected to %s:%d", settings.host, settings.port)
            self.state, self.reason = "online", ""
            coming = asyncio.create_task(self._collect(link), name="archive-coming")
            keeping = asyncio.create_task(self._keep(link), name="archive-keeping")
            try:
                await asyncio.wait([coming, keeping], return_when=asyncio.FIRST_COMPLETED)
            finally:
                # What is being written is waited for: its number must be acknowledged, or it comes again.
                coming.cancel()
                if not keeping.done():
                    keeping.cancel()
                await asyncio.wait([coming, keeping])
            for task in (keeping, coming):
                if not task.cancelled():
                    task.result()

    async def _collect(self, link: Subscriber) -> None:
        async for delivery in link.deliveries():
            if delivery.qos == 0 and len(self._waiting) >= LIGHT_MOST:
                self.refused["too-many"] += 1
                continue
            self._waiting.append(delivery)
            self._news.set()

    async def _keep(self, link: Subscriber) -> None:
        while not self._closing.is_set():
            if not self._waiting:
                self._news.clear()
                await self._news.wait()
                continue
            some = [self._waiting[n] for n in range(min(BATCH, len(self._waiting)))]
            taken = await self._insist([(one.topic, one.payload) for one in some])
            if taken is None:
                return
            link.acknowledge(some)
            for one in some:
                self._waiting.popleft()
                self.bytes += len(one.payload)
            self._count(taken)

    async def _insist(self, messages: list[tuple[str, bytes]]) -> Taken | None:
        """Take messages, however long the database is away; None when closing."""
        wait = Backoff(first_s=0.2, cap_s=10)
        while True:
            try:
                taken = await asyncio.shield(self._worker.run(self._intake.take, messages))
            except ExternalError as error:
                if str(error) != self.database_reason:
                    log.error("archive: %s; messages are not acknowledged, the broker keeps them", error)
                self.database_reason = str(error)
            else:
                if self.database_reason:
                    log.info("archive: the database is there again")
                self.database_reason = ""
                return taken
            if self._closing.is_set():
                return None
            await self._rest(wait.next_s())

    async def _rest(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._closing.wait(), seconds)

    def _count(self, taken: Taken) -> None:
        self.taken += taken.events
        self.changed += taken.changed
        self.batches += 1
        self.refused += taken.refused
        if taken.last_refused is not None and time.monotonic() - self._logged >= TOLD_S:
            topic, refusal = taken.last_refused
            log.warning("archive: refused (%s) on %s: %s", refusal.reason, topic[:200], refusal.words)
            self._logged = time.monotonic()
        self._told(taken)

    def status(self) -> dict[str, Any]:
        """Return health in the form of a sink's."""
        return {
            "name": "archive",
            "state": "waiting" if self.database_reason else self.state,
            "reason": "; ".join(filter(None, (self.reason, self.database_reason))),
            "queued": self.waiting,
            "dropped": dict(self.refused),
            "broker": f"{self._settings.host}:{self._settings.port}",
            "taken": self.taken,
            "changed": self.changed,
            "batches": self.batches,
            "bytes": self.bytes,
        }


def _secrets(settings: MqttSettings) -> tuple[str | None, ssl.SSLContext | None]:
    return settings.password(), settings.context()
