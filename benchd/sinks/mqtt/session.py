"""The session with the broker: retained status, states and alerts, then what waits in the outbox, oldest first.

An event leaves the outbox when the broker has taken it. A connection that breaks in between makes doubles (same
id), never gaps. Nothing here writes events; the disk's troubles are the writer's.
"""

from __future__ import annotations

import asyncio
import logging
import math
import ssl
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

import aiomqtt

from benchd.clock import Backoff, Wall, stamp
from benchd.errors import BenchError
from benchd.sinks.mqtt.broker import Broker, Refused
from benchd.sinks.mqtt.broker_words import explain
from benchd.sinks.mqtt.mqtt_events import Retained
from benchd.sinks.mqtt.outbox import Waiting
from benchd.sinks.mqtt.payloads import BenchStatus
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.sinks.mqtt.topics import Topics, escape
from benchd.sinks.mqtt.writer import Writer, within

log = logging.getLogger(__name__)

STATE_S = 0.25
"""Shortest time between two sendings of a machine's state: a fast card must not flood the broker."""
STEADY_S = 10.0
"""A connection that held this long was a good one: the next wait starts small again."""
BRIEF = 3
"""Connections in a row lost within STEADY_S after which a second client with the same id is suspected."""
STATUS_S = 10.0
"""With an archive, how often the status says how far the numbers of events have come, while they do."""
STUCK_S = 1.0
"""While closing, a broker that takes nothing for this long is not waited for."""


def _secrets(settings: MqttSettings) -> tuple[str | None, ssl.SSLContext | None]:
    return settings.password(), settings.context()


@dataclass
class Session:
    """Keeps a connection until closed and flushed. `news` is set by whoever has something to send."""

    settings: MqttSettings
    bench: str
    topics: Topics
    retained: Retained
    writer: Writer
    news: asyncio.Event
    wall: Wall
    backoff: Backoff
    grace_s: float
    hear: Callable[[aiomqtt.Message], None] | None = None
    """Takes what an archive asks; None where none is heard."""
    state: str = "starting"
    reason: str = ""
    taken: int = 0
    """Events that the broker took."""
    _closing: asyncio.Event = field(default_factory=asyncio.Event)
    _answers: int = 0
    _brief: int = 0
    _said: tuple[int, float] = (0, 0.0)
    """The number that the status said last, and when."""

    def close(self) -> None:
        """Send what goes within the grace time, say goodbye, let `run` return."""
        self._closing.set()
        self.news.set()

    async def run(self) -> None:
        """Connect, send, and connect again after each trouble, until closed."""
        client_id = self.settings.client_id or f"benchd-{escape(self.bench)[:24]}-{self.writer.id}"
        if self.settings.open_to_all():
            log.warning("mqtt: %s can be read by other users: chmod 600", self.settings.password_file)
        while not self._closing.is_set():
            self.state = "waiting" if self.reason else "connecting"
            began = time.monotonic()
            try:
                will = aiomqtt.Will(self.topics.status, self._status(False, "connection lost"), 1, True)
                # Files are read anew for each try: a renewed certificate or a corrected password is picked up.
                password, context = await asyncio.to_thread(_secrets, self.settings)
                broker = Broker(self.settings, client_id, will, password, context)
                await self._until_closing(self._converse(broker))
            except (aiomqtt.MqttError, Refused, OSError, BenchError, ValueError) as error:
                # Only a connection that the broker's side ended can be a second client's doing.
                self._lost(
                    explain(error, self.settings),
                    brief=self.state == "online" and isinstance(error, aiomqtt.MqttError),
                )
            except Exception as error:  # ours or a library's: events are safe in the outbox, so try again
                log.exception("mqtt: the connection failed unexpectedly")
                self._lost(f"unexpected {type(error).__name__}, see the log", brief=False)
            if time.monotonic() - began > STEADY_S:
                self.backoff.reset()
                self._brief = 0
            await within(self._closing, self.backoff.next_s())

    async def _until_closing(self, talk: Coroutine[Any, Any, None]) -> None:
        """Run a conversation; when closing, let it end while the broker answers, else cancel it (Last Will is sent)."""
        work = asyncio.create_task(talk, name="mqtt-session")
        closing = asyncio.create_task(self._closing.wait())
        try:
            await asyncio.wait([work, closing], return_when=asyncio.FIRST_COMPLETED)
            end, answers = time.monotonic() + self.grace_s, -1
            while self.state == "online" and not work.done() and time.monotonic() < end:
                if answers == self._answers and self.writer.flushed:
                    break
                answers = self._answers
                await asyncio.wait([work], timeout=STUCK_S)
            if work.done():
                work.result()
        finally:
            await _end(closing, work)

    def _lost(self, reason: str, *, brief: bool) -> None:
        self._brief += brief
        if brief and self._brief >= BRIEF:
            reason += ", again and again: does another client use this client id? See mqtt.client_id"
        if reason != self.reason:
            log.warning("mqtt: %s", reason)
        self.state, self.reason = "waiting", reason

    async def _converse(self, broker: Broker) -> None:
        async with broker:
            watch = asyncio.create_task(broker.lost(self.hear or _pass_over), name="mqtt-watch")
            talk = asyncio.create_task(self._talk(broker), name="mqtt-talk")
            try:
                await asyncio.wait([watch, talk], return_when=asyncio.FIRST_COMPLETED)
                for task in (talk, watch):
                    if task.done():
                        task.result()
            finally:
                await _end(watch, talk)

    async def _talk(self, broker: Broker) -> None:
        await self._tell(broker, True, "running")
        if self.reason:
            log.info("mqtt: connected to %s:%d", self.settings.host, self.settings.port)
        self.state, self.reason = "online", ""
        await self._listen(broker)
        self.retained.all_dirty()
        next_state = 0.0
        while True:
            self.news.clear()
            now = time.monotonic()
            if self.retained.dirty and (now >= next_state or self._closing.is_set()):
                await self._send_retained(broker)
                next_state = now + STATE_S
            if self._status_in_s(now) <= 0:
                await self._tell(broker, True, "running")
            if batch := await self.writer.peek():
                await self._send(broker, batch)
            elif self._closing.is_set() and self.writer.flushed and not self.retained.dirty:
                await self._tell(broker, False, "stopped")
                return
            else:
                state_s = max(0.0, next_state - now) if self.retained.dirty else math.inf
                await within(self.news, min(state_s, self._status_in_s(now)))

    def _status_in_s(self, now: float) -> float:
        """In how many seconds the status is to be said again: never, where it says all that there is."""
        seq, at = self._said
        if self.hear is None or seq == self.writer.seq:
            return math.inf
        return max(0.0, at + STATUS_S - now)

    async def _listen(self, broker: Broker) -> None:
        """Hear what archives ask. Where the broker refuses that, events go all the same."""
        if self.hear is None:
            return
        try:
            await broker.hear(self.topics.ask)
        except Refused as error:
            log.warning("mqtt: the broker lets nobody be heard at %s: %s", self.topics.ask, error)

    async def _tell(self, broker: Broker, online: bool, reason: str) -> None:
        self._said = (self.writer.seq, time.monotonic())
        await broker.send(self.topics.status, self._status(online, reason), retain=True)

    def _status(self, online: bool, reason: str) -> bytes:
        at = stamp(self.wall(time.monotonic_ns()))
        status = BenchStatus(
            bench=self.bench, at=at, online=online, reason=reason, outbox=self.writer.id, seq=self.writer.seq,
            made=self.writer.made, archive=self.hear is not None,
        )  # fmt: skip
        return status.model_dump_json().encode()

    async def _send_retained(self, broker: Broker) -> None:
        for machine, leaf in list(self.retained.dirty):
            del self.retained.dirty[machine, leaf]
            topic = self.topics.of(machine, leaf)
            payload = self.retained.payload(machine, leaf, time.monotonic_ns())
            try:
                await broker.send(topic, payload.model_dump_json().encode(), retain=True)
                self._answers += 1
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
                    self._answers += 1
                elif isinstance(error, Refused) and error.for_good:
                    log.error("mqtt: event %d is set aside, the broker refuses it: %s", item.seq, error)
                    await self.writer.refuse(item.seq, str(error))
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
            await _end(*flying)
            self.taken += len(taken)
            await self.writer.sent(taken)
        if failure is not None:
            raise failure


def _pass_over(message: aiomqtt.Message) -> None:
    """Nothing is subscribed to: nothing comes."""


async def _end(*tasks: asyncio.Task[Any]) -> None:
    """Cancel tasks and wait for them; what they fail with now is nobody's any more."""
    for task in tasks:
        task.cancel()
    if tasks:
        await asyncio.wait(tasks)
    for task in tasks:
        if not task.cancelled():
            task.exception()  # seen: asyncio need not warn
