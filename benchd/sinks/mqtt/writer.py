"""The outbox's writer: events from the queue to the disk in groups, whatever the network does."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from benchd.clock import Backoff
from benchd.errors import BenchError, ExternalError
from benchd.sinks.base import EventQueue
from benchd.sinks.mqtt.mqtt_events import Translator
from benchd.sinks.mqtt.outbox import Entry, Outbox, OutboxFigures, Waiting
from benchd.sinks.mqtt.settings import MqttSettings
from benchd.store.feed import FeedKey
from benchd.vocabulary.events import CodeSeen, Event

log = logging.getLogger(__name__)
T = TypeVar("T")


class Writer:
    """Owns the outbox and the one thread that may use it.

    `news` is set whenever there may be something to send, and `flushed` once all is on disk and no more comes.
    """

    def __init__(self, settings: MqttSettings, path: Path, translator: Translator, news: asyncio.Event) -> None:
        self.path = path
        self.queue = EventQueue(on_drop=self._dropped)
        self.flushed = False
        self._box: Outbox | None = None
        self._make = partial(
            Outbox, path, codes_kept=settings.codes_kept, size_cap=settings.size_cap_mb << 20, archive=settings.archive
        )
        self._translator = translator
        self._news = news
        self._closing = asyncio.Event()
        self._wake = asyncio.Event()
        self._written: list[Entry] = []
        self._taken: list[int] = []
        self._troubles: dict[str, str] = {}
        self._figures = OutboxFigures()
        self._thread: ThreadPoolExecutor | None = None

    def put(self, event: Event) -> None:
        """Take an event; never blocks."""
        self.queue.put(event)
        self._wake.set()

    def status(self) -> dict[str, Any]:
        """Return the writer's part of the status: each event is in `queued` or in `outbox`, never in both."""
        now = self._figures
        return {
            "queued": len(self.queue) + len(self._written),
            "outbox": now.count,
            "outbox_bytes": now.size,
            "outbox_age_s": max(0.0, time.time() - now.oldest_ns / 1e9) if now.oldest_ns else 0.0,
            "thinned": now.thinned + self.queue.dropped["code"],
            "refused": now.refused,
        }

    @property
    def reason(self) -> str:
        """What the disk refuses, or nothing."""
        return "; ".join(dict.fromkeys(filter(None, self._troubles.values())))

    def close(self) -> None:
        """Write what is queued, then let `run` return."""
        self._closing.set()
        self._wake.set()

    @contextlib.asynccontextmanager
    async def opened(self) -> AsyncIterator[bool]:
        """Open the outbox, trying again until it works or the sink is closing; yield whether it is open."""
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="mqtt-outbox")
        try:
            await self._open()
            yield self._box is not None
        finally:
            if self._box is not None:
                self._thread.submit(self._box.close)
            self._thread.shutdown(wait=True)
            self._box = self._thread = None

    async def _open(self) -> None:
        wait = Backoff(cap_s=10)
        while self._box is None and not (self._closing.is_set() and wait.tries):
            try:
                self._box = await asyncio.get_running_loop().run_in_executor(self._thread, self._make)
            except (OSError, BenchError) as error:
                self._trouble("open", str(error))
                await within(self._closing, wait.next_s())
            else:
                self._figures = self._box.figures()
                self._trouble("open", "")
                if self._box.put_aside:
                    log.error("mqtt: the outbox was damaged and is put aside as %s", self._box.put_aside)

    @property
    def id(self) -> str:
        """The part of event ids before the number."""
        return self._open_box().id

    @property
    def made(self) -> str | None:
        """When the outbox was made, where that is known."""
        return self._open_box().made

    @property
    def seq(self) -> int:
        """The last number given in the outbox."""
        return self._figures.seq

    @property
    def waiting(self) -> int:
        """Events that the broker has not taken, on disk or not yet."""
        return len(self.queue) + len(self._written) + self._figures.count

    async def run(self) -> None:
        """Write until closed and empty."""
        while True:
            if not self._written:
                self._wake.clear()
                self._written = [e for event in self.queue.take() if (e := self._translator.entry(event))]
            if self._written:
                try:
                    await self._insist(Outbox.append, self._written, then=self._written.clear)
                except ExternalError:
                    log.error("mqtt: %d events could not be saved", len(self._written) + len(self.queue))
                    break
                self._news.set()
            elif len(self.queue) == 0:
                if self._closing.is_set():
                    break
                await self._wake.wait()
        self.flushed = True
        self._news.set()

    async def peek(self) -> list[Waiting]:
        """Return the oldest events that the broker has not taken. Raises ExternalError, but only while closing."""
        if self._taken:
            await self._insist(Outbox.sent, list(self._taken), then=self._taken.clear)
        return await self._insist(Outbox.peek)

    async def sent(self, seqs: Iterable[int]) -> None:
        """Forget events that the broker has taken: now, or when the disk lets us."""
        self._taken += seqs
        with contextlib.suppress(ExternalError):
            await self._disk(Outbox.sent, list(self._taken), then=self._taken.clear)

    async def refuse(self, seq: int, reason: str) -> None:
        """Set an event aside that the broker will never take. Raises ExternalError, but only while closing."""
        await self._insist(Outbox.refuse, seq, reason)

    # ------------------------------------------------------------------ the store's feed

    async def feed(self, entries: Sequence[Entry], number: int) -> list[Entry]:
        """Store events of the feed, up to its line `number`, without what was told already; return which were stored.

        This and what follows raise ExternalError, but only while closing.
        """
        stored = await self._insist(Outbox.append, entries, number)
        self._news.set()
        return stored

    async def untold(self, feed_number: int) -> bool:
        """As of `Outbox`."""
        return await self._insist(Outbox.untold, feed_number)

    async def begin(self, feed_number: int) -> None:
        """As of `Outbox`."""
        await self._insist(Outbox.begin, feed_number)

    async def doubt(self, ranges: Sequence[tuple[int, int]] | None) -> list[FeedKey]:
        """As of `Outbox`."""
        return await self._insist(Outbox.doubt, ranges)

    async def told_keys(self) -> list[FeedKey]:
        """As of `Outbox`."""
        return await self._insist(Outbox.told_keys)

    async def _insist(self, work: Callable[..., T], *args: Any, then: Callable[[], None] = lambda: None) -> T:
        """Run outbox work until the disk lets us; while closing it has one try, and ExternalError is raised."""
        wait = Backoff(first_s=0.1, cap_s=5)
        while True:
            try:
                return await self._disk(work, *args, then=then)
            except ExternalError:
                if self._closing.is_set():
                    raise
                await within(self._closing, wait.next_s())

    async def _disk(self, work: Callable[..., T], *args: Any, then: Callable[[], None] = lambda: None) -> T:
        """Run outbox work on its thread. Figures and `then` come into force at one instant, also for a cancelled run:
        what is on the disk may not be written once more."""
        box, fresh = self._open_box(), self._figures

        def job() -> T:
            nonlocal fresh
            try:
                return work(box, *args)
            finally:
                fresh = box.figures()

        def done(future: asyncio.Future[T]) -> None:
            error = future.exception()
            self._figures = fresh
            self._trouble(work.__name__, str(error) if error else "")
            if error is None:
                then()

        future = asyncio.get_running_loop().run_in_executor(self._thread, job)
        future.add_done_callback(done)
        return await asyncio.shield(future)

    def _open_box(self) -> Outbox:
        if self._box is None:
            raise ExternalError(f"{self.path}: the outbox could not be opened")
        return self._box

    def _trouble(self, work: str, reason: str) -> None:
        """Note how a kind of work went: where reading works, writing may still not."""
        if reason and reason not in self._troubles.values():
            log.error("mqtt: %s", reason)
        self._troubles[work] = reason

    def _dropped(self, event: Event) -> None:
        if isinstance(event, CodeSeen):
            self._translator.lost_codes[event.machine] += 1


async def within(event: asyncio.Event, seconds: float) -> None:
    """Wait for an event, but no longer than this (may be infinite)."""
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(event.wait(), None if seconds == float("inf") else seconds)
