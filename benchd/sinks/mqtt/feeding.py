"""From the store to the outbox: what changed there and was not told yet, for an archive.

1. The store's feed names rows that changed, whoever changed them. Each is told as it is now, and its line taken off
   when that is in the outbox; a kill in between tells it once more, and the outbox leaves out what it has told.
2. A boot under way is told by its events. Its row is left in the feed until it no longer runs (unless everything was
   asked for) and the store has what was told last, so that nothing older is told after something newer.
3. Events of what happens now go first: rows are put into the outbox in slices, only while little waits there, and are
   sent only while nothing else waits.
4. Where the outbox does not know what was told before (a new file, a time without `mqtt.archive`) or the store is an
   older copy, all rows are put into the feed once.
5. One ask is answered at a time: the rows that it is about are put into the feed, and when they are through, it is
   answered. A kill forgets the ask, not the rows: an archive asks again.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Collection
from dataclasses import dataclass

from benchd.clock import Backoff
from benchd.errors import BenchError
from benchd.sinks.mqtt.asks import Asks
from benchd.sinks.mqtt.payloads import AskRequest
from benchd.sinks.mqtt.stored_events import Row, StoredEvents, counted
from benchd.sinks.mqtt.writer import Writer, within
from benchd.store import Store
from benchd.store.boots import microseconds
from benchd.store.feed import Fed, FeedKey
from benchd.vocabulary.events import BOOT_EVENTS, Event
from benchd.worker import Worker

log = logging.getLogger(__name__)

SLICE = 100
"""Rows that are put into the outbox at a time."""
FULL = 200
"""Events in the outbox from which no more rows are put into it."""
FEED_S = 1.0
"""How often the feed is looked at."""
ROOM_S = 0.1
"""How often the outbox is looked at while it is full."""
MOST_RUNNING = 1_000
"""Boots under way that are remembered."""


@dataclass
class Asked:
    """An ask that is being answered: up to which line of the feed, and what was told for it so far."""

    ask: AskRequest
    up_to: int
    whole_from: int | None = None
    """Where everything is asked for: the first number of an event that may tell of it."""
    boots: int = 0
    entries: int = 0


class Feeder:
    """Feeds the outbox from `store`. `unsaved(boot)`: the store is still to get something that was told of a boot."""

    def __init__(
        self,
        store: Store,
        writer: Writer,
        events: StoredEvents,
        asks: Asks,
        unsaved: Callable[[str], bool] = lambda boot: False,
    ) -> None:
        self.reason = ""
        self.fed = 0
        self.left = 0
        """Lines of the feed when it was looked at last."""
        self._store, self._writer, self._events, self._asks, self._unsaved = store, writer, events, asks, unsaved
        self._running: dict[str, None] = {}
        self._begun = False
        self._asked: Asked | None = None
        self._wake = asyncio.Event()
        self._closing = asyncio.Event()
        self._worker = Worker("feed")

    def offer(self, event: Event) -> None:
        """Notice which boots are under way."""
        if not isinstance(event, BOOT_EVENTS):
            return
        if event.boot.outcome == "running":
            self._running[event.boot.id] = None
            while len(self._running) > MOST_RUNNING:
                del self._running[next(iter(self._running))]
        else:
            self._running.pop(event.boot.id, None)
            self._wake.set()

    def wake(self) -> None:
        """Look at once: there is an ask."""
        self._wake.set()

    def close(self) -> None:
        """Leave the rest to the next start."""
        self._closing.set()
        self._wake.set()

    async def run(self) -> None:
        """Feed until closed; what the store or the disk refuses is tried again."""
        wait = Backoff(first_s=FEED_S, cap_s=30.0)
        while not self._closing.is_set():
            self._wake.clear()
            try:
                rest_s = await self.turn()
            except BenchError as error:
                if self._closing.is_set():
                    break
                if str(error) != self.reason:
                    log.warning("mqtt: the archive is not told what is stored: %s", error)
                self.reason = str(error)
                await within(self._closing, wait.next_s())
                continue
            wait.reset()
            self.reason = ""
            if rest_s:
                await within(self._wake, rest_s)
        self._worker.close()

    async def turn(self) -> float:
        """Put one slice into the outbox, if there is room; return after how many seconds there may be more to do."""
        if not self._begun:
            await self._begin()
        if self._writer.waiting >= FULL:
            return ROOM_S
        if self._asked is None and (ask := self._asks.next()) is not None:
            self._asked = await self._take(ask)
        but = self._under_way()
        lines = await self._worker.run(self._read, but)
        # Asked after reading: a boot that was told of meanwhile may have been read as it was before.
        later = self._under_way()
        lines = [
            (line, row)
            for line, row in lines
            if line.at.table != "boot" or not (line.at.key in later or self._unsaved(line.at.key))
        ]
        entries = [self._events.of(line.at, row) for line, row in lines]
        if lines:
            told = await self._writer.feed(entries, max(line.number for line, _ in lines))
            self.fed += len(told)
            await self._worker.run(self._store.fed, [line.number for line, _ in lines])
            if self._asked is not None:
                boots, others = counted(told)
                self._asked.boots, self._asked.entries = self._asked.boots + boots, self._asked.entries + others
        await self._answer(but)
        return 0.0 if len(lines) == SLICE else FEED_S

    def _under_way(self) -> Collection[str]:
        """Boots that their events tell of, and the feed does not."""
        whole = self._asked is not None and self._asked.whole_from is not None
        return frozenset() if whole else frozenset(self._running)

    def _read(self, but: Collection[str]) -> list[tuple[Fed, Row]]:
        lines = self._store.feed(SLICE, but_boots=but)
        self.left = len(lines) if len(lines) < SLICE else self._store.feed_length()
        boots = self._store.told_boots({line.at.key for line in lines if line.at.table == "boot"})
        return [
            (line, boots.get(line.at.key) if line.at.table == "boot" else self._store.feed_row(line.at))
            for line in lines
        ]

    async def _begin(self) -> None:
        """See to it that the feed has whatever the outbox cannot know to have been told."""
        number = await self._worker.run(self._store.feed_number)
        if await self._writer.untold(number):
            known = await self._writer.told_keys()
            number = await self._worker.run(self._again, known)
            await self._writer.begin(number)
            log.info("mqtt: the archive is told all that is stored, beside what happens now")
        self._begun = True

    def _again(self, known: list[FeedKey]) -> int:
        self._store.feed_again()
        return self._store.feed_again(known)

    async def _take(self, ask: AskRequest) -> Asked:
        """Put the rows that an ask is about into the feed, to be told whatever they say."""
        if ask.missing is not None:
            # Another outbox than this one is gone, and so all of the store was told by this one since.
            keys = await self._writer.doubt(ask.missing) if ask.outbox == self._writer.id else []
            return Asked(ask, await self._worker.run(self._store.feed_again, keys))
        whole_from = self._writer.seq + 1
        known = await self._writer.doubt(None)
        if ask.since is None:
            return Asked(ask, await self._worker.run(self._again, known), whole_from)
        since_us = microseconds(ask.since)
        up_to = await self._worker.run(lambda: self._store.feed_again(boots_since_us=since_us))
        return Asked(ask, up_to)

    async def _answer(self, but: Collection[str]) -> None:
        asked = self._asked
        if asked is None or await self._worker.run(lambda: self._store.feed_left(asked.up_to, but_boots=but)):
            return
        await self._writer.feed([self._events.answer(asked.ask, asked.boots, asked.entries, asked.whole_from)], 0)
        self._asks.answered += 1
        self._asked = None
