"""The alert sink: events through the policy to the channels. Messages not delivered at the end are not kept."""

from __future__ import annotations

import asyncio
import logging
import secrets
import time
from collections.abc import Callable, Sequence
from typing import Any

from benchd.clock import Wall, wall_of
from benchd.sinks.alerts.channels import Channel, CommandChannel, NotifyChannel
from benchd.sinks.alerts.policy import AlertPolicy, Notice
from benchd.sinks.alerts.settings import AlertSettings
from benchd.sinks.alerts.text import message
from benchd.sinks.base import EventQueue
from benchd.vocabulary.events import (
    BootChanged,
    BootEnded,
    BootStarted,
    Event,
    FindingCleared,
    FindingRaised,
    LinkChanged,
    StageEntered,
)

log = logging.getLogger(__name__)

RELEVANT = (BootStarted, BootChanged, BootEnded, StageEntered, FindingRaised, FindingCleared, LinkChanged)


def channels_of(settings: AlertSettings) -> list[Channel]:
    """Return the channels that the settings name. Raises UsageError where `notify_file` cannot be used."""
    out: list[Channel] = []
    if settings.command:
        out.append(CommandChannel(settings.command, timeout_s=settings.timeout, tries=settings.tries))
    for line, url in settings.urls():
        assert settings.notify_file is not None
        out.append(NotifyChannel(url, settings.notify_file, line, timeout_s=settings.timeout, tries=settings.tries))
    return out


class AlertSink:
    """Tells people. `channels` default to those of the settings; `clock` is the monotonic clock in ns."""

    name = "alerts"

    def __init__(
        self,
        settings: AlertSettings,
        bench: str,
        *,
        channels: Sequence[Channel] | None = None,
        wall: Wall = wall_of,
        clock: Callable[[], int] = time.monotonic_ns,
        grace_s: float = 3.0,
    ) -> None:
        self.channels = list(channels_of(settings) if channels is None else channels)
        self._policy = AlertPolicy(
            settings.kinds,
            link_delay_s=settings.link_down_after,
            flaps=settings.flaps,
            window_s=settings.flap_window,
        )
        self._bench = bench
        self._wall = wall
        self._clock = clock
        self._grace_s = grace_s
        self._queue = EventQueue()
        self._wake = asyncio.Event()
        self._closing = False
        self._running: asyncio.Task[None] | None = None
        self._id = secrets.token_hex(4)
        self._told = 0
        self._errors = 0

    def offer(self, event: Event) -> None:
        """Take an event. Never blocks, never raises."""
        if isinstance(event, RELEVANT):
            self._queue.put(event)
            self._wake.set()

    def status(self) -> dict[str, Any]:
        """Return health; `channels` has the counters of each channel."""
        reasons = "; ".join(c.reason for c in self.channels if c.reason)
        dropped = dict(self._queue.dropped)
        if self._errors:
            dropped["error"] = self._errors
        return {
            "name": self.name,
            "state": "failing" if reasons else "running",
            "reason": reasons,
            "queued": len(self._queue) + sum(len(c) for c in self.channels),
            "dropped": dropped,
            "told": self._told,
            "channels": {c.name: dict(c.results) for c in self.channels},
        }

    async def run(self) -> None:
        """Work until closed."""
        self._running = asyncio.current_task()
        workers = [asyncio.create_task(c.work(), name=f"alerts-{c.name}") for c in self.channels]
        try:
            while True:
                self._wake.clear()
                for event in self._queue.take():
                    self._judge(event)
                self._tell(self._policy.tick(self._clock()))
                if len(self._queue):
                    continue
                if self._closing:
                    break
                await self._rest()
            drained = [asyncio.create_task(c.drained()) for c in self.channels]
            if drained:
                _, late = await asyncio.wait(drained, timeout=self._grace_s)
                for task in late:
                    task.cancel()
            if left := sum(len(c) for c in self.channels):
                log.error("alerts: %d alerts were not delivered before the end", left)
        finally:
            for worker in workers:
                worker.cancel()
            if workers:
                await asyncio.wait(workers)

    async def close(self) -> None:
        """Deliver what goes within the grace time, then end."""
        self._closing = True
        self._wake.set()
        if self._running is not None and not self._running.done():
            await asyncio.wait([self._running])

    async def _rest(self) -> None:
        """Sleep until an event comes or the policy has something due."""
        due = self._policy.next_ns()
        wait = None if due is None else max(0.0, (due - self._clock()) / 1e9) + 0.001
        try:
            await asyncio.wait_for(self._wake.wait(), wait)
        except TimeoutError:
            return

    def _judge(self, event: Event) -> None:
        try:
            self._tell(self._policy.feed(event))
        except Exception:
            self._errors += 1
            log.exception("alerts: an event of type %s could not be judged", type(event).__name__)

    def _tell(self, notices: list[Notice]) -> None:
        for notice in notices:
            self._told += 1
            text = message(notice, self._bench, self._wall, f"{self._id}-{self._told}")
            log.info("alert: %s", text.title)
            for channel in self.channels:
                channel.put(text)
