"""The sink that puts boots into the store: the latest record of each boot, in the background, until it is in.

A boot's record is saved at each stage, finding and outcome; several changes in a row become one save. While
the store cannot be written, records wait here (one per boot), are tried again, and the trouble is told.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import Any

from benchd.clock import Backoff
from benchd.errors import BenchError, UsageError
from benchd.store import Store
from benchd.vocabulary.events import BOOT_EVENTS, BootStarted, Event
from benchd.vocabulary.models import Boot

log = logging.getLogger(__name__)

Waiting = tuple[Boot, str | None]
"""A boot, and the capture it is in."""
MAX_KNOWN = 1_000
"""Boots whose capture is remembered: those under way and some that ended."""
MAX_WAITING = 100_000
"""Boots that may wait for the store; they are in the capture as well, so none is lost beyond that."""


class StoreSink:
    """Saves boots. `capture_of(machine)` names the capture file a boot is in; `saved` is called after each save."""

    name = "store"

    def __init__(
        self,
        store: Store,
        capture_of: Callable[[str], str | None],
        saved: Callable[[Boot], None] = lambda boot: None,
        in_thread: Callable[..., Awaitable[Any]] = asyncio.to_thread,
    ) -> None:
        self.store = store
        self._in_thread = in_thread
        self._capture_of = capture_of
        self._saved = saved
        self._waiting: dict[str, Waiting] = {}
        self._saving: dict[str, Waiting] = {}
        self._missed: set[str] = set()
        self._captures: dict[str, str | None] = {}
        self._wake = asyncio.Event()
        self._closing = False
        self._refused: set[str] = set()
        self._dropped = 0
        self._reason = ""
        self._backoff = Backoff(first_s=0.2, cap_s=5.0)

    def offer(self, event: Event) -> None:
        """Take an event; never blocks."""
        if not isinstance(event, BOOT_EVENTS):
            return
        boot = event.boot
        if isinstance(event, BootStarted):
            self._captures[boot.id] = self._capture_of(boot.machine)
            while len(self._captures) > MAX_KNOWN:
                del self._captures[next(iter(self._captures))]
        if boot.id not in self._waiting and len(self._waiting) >= MAX_WAITING:
            self._dropped += 1
            self._missed.add(boot.machine)
            return
        self._waiting[boot.id] = (boot, self._captures.get(boot.id))
        self._wake.set()

    async def run(self) -> None:
        """Save until closed."""
        while not (self._closing and not self._waiting):
            await self._wake.wait()
            self._wake.clear()
            await self._save_all()

    async def _save_all(self) -> None:
        while self._waiting:
            batch = self._saving = self._waiting
            self._waiting = {}
            left = await self._in_thread(self._save, batch)
            refused, self._refused = self._refused, set()
            if left:
                self._waiting = {**left, **self._waiting}
            self._saving = {}
            if left:
                if self._closing:
                    log.error("store: %d boots could not be saved: %s", len(left), self._reason)
                    self._missed.update(boot.machine for boot, _ in self._waiting.values())
                    self._waiting = {}
                    return
                await asyncio.sleep(self._backoff.next_s())
            else:
                self._backoff.reset()
            for boot_id, (boot, _) in batch.items():
                if boot_id not in left and boot_id not in refused:
                    self._saved(boot)

    def _save(self, batch: dict[str, Waiting]) -> dict[str, Waiting]:
        """Save each; return those that could not be. One that the store will never take is told and left out."""
        left = dict(batch)
        for boot_id, (boot, capture) in batch.items():
            try:
                self.store.save_boot(boot, capture=capture)
            except UsageError as error:
                log.error("store: boot %s is left out: %s", boot_id, error)
                self._refused.add(boot_id)
                self._dropped += 1
            except Exception as error:  # whatever it is, nothing may be lost for it
                if str(error) != self._reason:
                    log.warning("store: %s; trying again", error, exc_info=not isinstance(error, BenchError))
                self._reason = str(error) or type(error).__name__
                return left
            del left[boot_id]
        self._reason = ""
        return left

    def unsaved(self, boot_id: str) -> bool:
        """Whether the store is still to get something of a boot."""
        return boot_id in self._waiting or boot_id in self._saving

    def settled(self, machine: str) -> bool:
        """Whether the store has all that was offered of a machine."""
        boots = [*self._waiting.values(), *self._saving.values()]
        return machine not in self._missed and not any(boot.machine == machine for boot, _ in boots)

    async def close(self) -> None:
        """Save what waits, once, and end."""
        self._closing = True
        self._wake.set()

    def status(self) -> dict[str, Any]:
        reason = self._reason or self.store.unopened
        return {
            "name": self.name,
            "state": "degraded" if reason else "running",
            "reason": reason,
            "queued": len(self._waiting),
            "dropped": {"boot": self._dropped} if self._dropped else {},
        }
