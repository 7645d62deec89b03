"""The MQTT sink: every event to the outbox first, from there to the broker, in order, at QoS 1.

Two tasks. The writer takes events from the queue and commits them to the outbox in groups, whatever the network
does. The server keeps a connection: it sends the retained status, states and alerts, then what waits in the
outbox, oldest first, with a few events in flight; an event leaves the outbox when the broker has taken it. A
connection that breaks in between makes doubles (same id), never gaps.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import aiomqtt

from benchd.clock import Backoff, Wall, stamp, wall_of
from benchd.errors import BenchError, ExternalError
from benchd.sinks.base import EventQueue
from benchd.sinks.mqtt.broker import Broker, Refused, explain
from benchd.sinks.mqtt.mqtt_events import Retained, Translator
from benchd.sinks.mqtt.outbox import Entry, Outbox, Waiting
from benchd.sinks.mqtt.payloads import BenchStatus
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.topics import Topics, escape
from benchd.vocabulary.events import (
    BootEnded,
    BootStarted,
    CodeSeen,
    Event,
    FindingCleared,
    FindingRaised,
    LinkChanged,
    StageEntered,
)

log = logging.getLogger(__name__)
T = TypeVar("T")

BATCH = 256
STATE_S = 0.25
"""Shortest time between two sendings of a machine's state: a fast card must not flood the broker."""
STEADY_S = 10.0
"""A connection that held this long was a good one: the next wait starts small again."""


SENT = (CodeSeen, StageEntered, FindingRaised, FindingCleared, BootStarted, BootEnded, LinkChanged)
"""Events that become messages; the others only change what is retained."""


BRIEF = 3
"""Connections in a row lost within STEADY_S after which a second client with the same id is suspected."""


def _secrets(settings: MqttSettings) -> tuple[str | None, ssl.SSLContext | None]:
    return settings.password(), settings.context()


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
        self.settings = settings
        self.bench = bench
        self.topics = Topics(settings.prefix, bench)
        for machine in machines:
            self.topics.of(machine, "finding")
        self._path = outbox_path
        self._wall = wall
        self._backoff = backoff or Backoff(cap_s=settings.retry_cap)
        self._grace_s = grace_s
        self._translator = Translator(bench, self.topics, wall)
        self._retained = Retained(bench, machines, wall)
        self._queue = EventQueue(on_drop=self._dropped)
        self._thread: ThreadPoolExecutor | None = None
        self._outbox: Outbox | None = None
        self._written: list[Entry] = []
        self._wake = asyncio.Event()
        self._news = asyncio.Event()
        self._closing = asyncio.Event()
        self._flushed = False
        self._running: asyncio.Task[None] | None = None
        self._state, self._reason, self._disk_reason = "starting", "", ""
        self._figures: tuple[int, int, int | None, int, int] = (0, 0, None, 0, 0)
        self._sent = 0
        self._errors = 0
        self._brief = 0

    # The daemon's side

    def offer(self, event: Event) -> None:
        """Take an event. Never blocks, never raises."""
        try:
            self._retained.feed(event)
            if isinstance(event, SENT):
                self._queue.put(event)
        except Exception:
            self._errors += 1
            log.exception("mqtt: an event of type %s could not be taken", type(event).__name__)
        self._wake.set()
        self._news.set()

    def status(self) -> dict[str, Any]:
        """Return health: state is starting, connecting, online, waiting or closed; `reason` says why."""
        count, size, oldest_ns, thinned, refused = self._figures
        dropped = dict(self._queue.dropped)
        if self._errors:
            dropped["error"] = self._errors
        return {
            "name": self.name,
            "state": self._state,
            "reason": "; ".join(r for r in (self._reason, self._disk_reason) if r),
            "queued": len(self._queue) + len(self._written),
            "dropped": dropped,
            "broker": f"{self.settings.host}:{self.settings.port}",
            "outbox": count,
            "outbox_bytes": size,
            "outbox_age_s": max(0.0, time.time() - oldest_ns / 1e9) if oldest_ns else 0.0,
            "sent": self._sent,
            "thinned": thinned + self._queue.dropped["code"],
            "refused": refused,
        }

    async def run(self) -> None:
        """Work until closed; may be run again after it was cancelled. The outbox is closed in any case."""
        self._running = asyncio.current_task()
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="mqtt-outbox")
        try:
            await self._open()
            async with asyncio.TaskGroup() as group:
                group.create_task(self._write(), name="mqtt-writer")
                group.create_task(self._serve(), name="mqtt-server")
        finally:
            self._state = "closed"
            if self._outbox is not None:
                self._thread.submit(self._outbox.close)
            self._thread.shutdown(wait=True)
            self._outbox, self._thread = None, None

    async def close(self) -> None:
        """Write what is queued, send what goes within the grace time, say goodbye."""
        self._closing.set()
        self._wake.set()
        self._news.set()
        if self._running is not None and not self._running.done():
            _, late = await asyncio.wait([self._running], timeout=self._grace_s + 2)
            for task in late:
                task.cancel()
                await asyncio.wait([task])

    # To the disk

    async def _disk(self, work: Callable[..., T], *args: Any) -> T:
        """Run outbox work on its thread and keep its figures; raises ExternalError."""

        def job() -> T:
            try:
                return work(*args)
            finally:
                box = self._outbox
                if box is not None:
                    self._figures = (box.count, box.bytes(), box.oldest_ns(), box.thinned, box.refused)

        return await asyncio.get_running_loop().run_in_executor(self._thread, job)

    async def _open(self) -> None:
        settings, wait = self.settings, Backoff(cap_s=10)
        cap = settings.size_cap_mb << 20
        while self._outbox is None and not (self._closing.is_set() and wait.tries):
            try:
                make = partial(Outbox, self._path, codes_kept=settings.codes_kept, size_cap=cap)
                self._outbox = await self._disk(make)
            except (OSError, BenchError) as error:
                self._disk_trouble(str(error))
                await self._pause(wait.next_s())
        self._disk_trouble("")
        if self._outbox is not None and self._outbox.put_aside:
            log.error("mqtt: the outbox was damaged and is put aside as %s", self._outbox.put_aside)

    async def _write(self) -> None:
        wait = Backoff(first_s=0.1, cap_s=5)
        while True:
            if not self._written:
                self._wake.clear()
                self._written = [e for event in self._queue.take() if (e := self._translator.entry(event))]
            if not self._written and len(self._queue) == 0:
                if self._closing.is_set():
                    break
                await self._wake.wait()
                continue
            try:
                await self._disk(self._box.append, self._written)
            except ExternalError as error:
                self._disk_trouble(str(error))
                if self._closing.is_set():
                    log.error("mqtt: %d events could not be saved", len(self._written) + len(self._queue))
                    break
                await self._pause(wait.next_s())
            else:
                self._written = []
                wait.reset()
                self._disk_trouble("")
                self._news.set()
        self._flushed = True
        self._news.set()

    @property
    def _box(self) -> Outbox:
        if self._outbox is None:
            raise ExternalError(f"{self._path}: the outbox could not be opened")
        return self._outbox

    def _disk_trouble(self, reason: str) -> None:
        if reason and reason != self._disk_reason:
            log.error("mqtt: %s", reason)
        self._disk_reason = reason

    def _dropped(self, event: Event) -> None:
        if isinstance(event, CodeSeen):
            self._translator.lost_codes[event.machine] += 1

    # To the broker

    async def _serve(self) -> None:
        if self._outbox is None:
            return
        client_id = self.settings.client_id or f"benchd-{escape(self.bench)[:24]}-{self._outbox.id}"
        if self.settings.open_to_all():
            log.warning("mqtt: %s can be read by other users: chmod 600", self.settings.password_file)
        while not self._closing.is_set():
            self._state = "connecting" if not self._reason else "waiting"
            began = time.monotonic()
            try:
                will = aiomqtt.Will(self.topics.status, self._status(False, "connection lost"), 1, True)
                # Files are read anew for each try: a renewed certificate or a corrected password is picked up.
                password, context = await asyncio.to_thread(_secrets, self.settings)
                broker = Broker(self.settings, client_id, will, password, context)
                await self._until_closing(self._session(broker))
            except (aiomqtt.MqttError, Refused, OSError, BenchError, ValueError) as error:
                self._lost(
                    explain(error, self.settings),
                    brief=self._state == "online" and not isinstance(error, Refused),
                )
            except Exception as error:  # ours or a library's: events are safe in the outbox, so try again
                log.exception("mqtt: the connection failed unexpectedly")
                self._lost(f"unexpected {type(error).__name__}, see the log", brief=False)
            if time.monotonic() - began > STEADY_S:
                self._backoff.reset()
                self._brief = 0
            if not self._closing.is_set():
                await self._pause(self._backoff.next_s())

    async def _until_closing(self, session: Any) -> None:
        """Run a session; when closing, give it the grace time and then cancel it (the Last Will is sent)."""
        work = asyncio.create_task(session, name="mqtt-session")
        closing = asyncio.create_task(self._closing.wait())
        try:
            await asyncio.wait([work, closing], return_when=asyncio.FIRST_COMPLETED)
            if not work.done():
                online = self._state == "online"
                await asyncio.wait([work], timeout=self._grace_s if online else 0)
            if work.done():
                work.result()
        finally:
            closing.cancel()
            if not work.done():
                work.cancel()
                await asyncio.wait([work])

    def _lost(self, reason: str, *, brief: bool) -> None:
        self._brief += brief
        if brief and self._brief >= BRIEF:
            reason += ", again and again: does another client use this client id? See mqtt.client_id"
        if reason != self._reason:
            log.warning("mqtt: %s", reason)
        self._state, self._reason = "waiting", reason

    async def _session(self, broker: Broker) -> None:
        async with broker:
            watch = asyncio.create_task(broker.lost(), name="mqtt-watch")
            talk = asyncio.create_task(self._talk(broker), name="mqtt-talk")
            try:
                await asyncio.wait([watch, talk], return_when=asyncio.FIRST_COMPLETED)
                for task in (talk, watch):
                    if task.done():
                        task.result()
            finally:
                for task in (watch, talk):
                    task.cancel()
                await asyncio.wait([watch, talk])
                for task in (watch, talk):
                    if not task.cancelled():
                        task.exception()  # seen: asyncio need not warn

    async def _talk(self, broker: Broker) -> None:
        await broker.send(self.topics.status, self._status(True, "running"), retain=True)
        if self._reason:
            log.info("mqtt: connected to %s:%d", self.settings.host, self.settings.port)
        self._state, self._reason = "online", ""
        self._retained.all_dirty()
        next_state = 0.0
        while True:
            self._news.clear()
            now = time.monotonic()
            if self._retained.dirty and (now >= next_state or self._closing.is_set()):
                await self._send_retained(broker)
                next_state = now + STATE_S
            if batch := await self._disk(self._box.peek, BATCH):
                await self._send(broker, batch)
            elif self._closing.is_set() and self._flushed and not self._retained.dirty:
                await broker.send(self.topics.status, self._status(False, "stopped"), retain=True)
                return
            elif self._retained.dirty:
                await self._within(self._news, max(0.0, next_state - now))
            else:
                await self._news.wait()

    async def _send_retained(self, broker: Broker) -> None:
        for machine, leaf in list(self._retained.dirty):
            del self._retained.dirty[machine, leaf]
            topic = self.topics.of(machine, leaf)
            payload = self._retained.payload(machine, leaf, time.monotonic_ns())
            try:
                await broker.send(topic, payload.model_dump_json().encode(), retain=True)
            except Refused as error:
                if not error.for_good:
                    raise
                log.error("mqtt: the %s of %s stays as it was, the broker refuses it: %s", leaf, machine, error)

    async def _send(self, broker: Broker, batch: list[Waiting]) -> None:
        """Send events in order, a few in flight; forget those taken, also when others fail."""
        flying: dict[asyncio.Task[None], Waiting] = {}
        taken: list[int] = []
        failure: BaseException | None = None

        async def land() -> None:
            nonlocal failure
            done, _ = await asyncio.wait(flying, return_when=asyncio.FIRST_COMPLETED)
            for task in sorted(done, key=lambda t: flying[t].seq):
                item = flying.pop(task)
                error = task.exception()
                if error is None:
                    taken.append(item.seq)
                elif isinstance(error, Refused) and error.for_good:
                    log.error("mqtt: event %d is set aside, the broker refuses it: %s", item.seq, error)
                    await self._disk(self._box.refuse, item.seq, str(error))
                else:
                    failure = failure or error

        try:
            for item in batch:
                while len(flying) >= broker.in_flight:
                    await land()
                if failure is not None:
                    break
                flying[asyncio.create_task(broker.send(item.topic, item.payload))] = item
            while flying:
                await land()
        finally:
            for task in flying:
                task.cancel()
            if flying:
                await asyncio.wait(flying)
            self._sent += len(taken)
            if taken:
                await self._disk(self._box.sent, taken)
        if failure is not None:
            raise failure

    def _status(self, online: bool, reason: str) -> bytes:
        at = stamp(self._wall(time.monotonic_ns()))
        status = BenchStatus(bench=self.bench, at=at, online=online, reason=reason, outbox=self._box.id)
        return status.model_dump_json().encode()

    async def _pause(self, seconds: float) -> None:
        """Wait, but not longer than until closing."""
        await self._within(self._closing, seconds)

    @staticmethod
    async def _within(event: asyncio.Event, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(event.wait(), seconds)
