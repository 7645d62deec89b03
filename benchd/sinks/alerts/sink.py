"""The alert sink: events through the policy to the channels; what is not delivered at the end, the next start does."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from benchd.clock import Wall, wall_of
from benchd.sinks.alerts.channels import Channel, CommandChannel, NotifyChannel
from benchd.sinks.alerts.kept import Kept, KeptAlert
from benchd.sinks.alerts.policy import AlertPolicy, Notice
from benchd.sinks.alerts.settings import AlertSettings
from benchd.sinks.alerts.text import age, message
from benchd.sinks.base import EventQueue
from benchd.vocabulary.events import (
    BOOT_EVENTS,
    AlarmSilenced,
    Event,
    FindingCleared,
    FindingRaised,
    LinkChanged,
    StageEntered,
)

log = logging.getLogger(__name__)

MAX_AGE_S = 86_400.0
"""An alert that could not be delivered for this long is not delivered any more."""

RELEVANT = (*BOOT_EVENTS, StageEntered, FindingRaised, FindingCleared, LinkChanged, AlarmSilenced)


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
    """Tells people. `kept` is a file of its own in the data directory, for what could not be delivered.

    `channels` default to those of the settings; `clock` is the monotonic clock in ns.
    """

    name = "alerts"

    def __init__(
        self,
        settings: AlertSettings,
        bench: str,
        kept: Path | None = None,
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
        self._kept = Kept(kept, self._waiting)
        self._resumed = False
        for channel in self.channels:
            channel.changed = self._kept.touch
        self._errors = 0

    def offer(self, event: Event) -> None:
        """Take an event. Never blocks, never raises."""
        if isinstance(event, RELEVANT):
            self._queue.put(event)
            self._wake.set()

    def status(self) -> dict[str, Any]:
        """Return health; `channels` has the counters of each channel."""
        reasons = "; ".join(filter(None, (*(c.reason for c in self.channels), self._kept.reason)))
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
        if not self._resumed:
            self._resume(await self._kept.load())
        workers = [asyncio.create_task(c.work(), name=f"alerts-{c.name}") for c in self.channels]
        workers.append(asyncio.create_task(self._kept.work(), name="alerts-kept"))
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
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(asyncio.gather(*(c.drained() for c in self.channels)), self._grace_s)
        finally:
            for worker in workers:
                worker.cancel()
            await asyncio.wait(workers)
            saved = await self._kept.saved() or await self._kept.saved()  # a stop has no time to wait between tries
        if left := sum(len(c) for c in self.channels):
            then = "; the next start does" if saved else ""
            log.error("alerts: %d alerts were not delivered before the end%s", left, then)

    def _waiting(self) -> list[KeptAlert]:
        return [KeptAlert(channel=c.name, message=m) for c in self.channels for m in c.waiting()]

    def _resume(self, kept: list[KeptAlert]) -> None:
        """Queue what the run before could not deliver; what is too old, or has no channel any more, is told."""
        self._resumed = True
        channels = {c.name: c for c in self.channels}
        now = time.time()
        for alert in kept:
            channel = channels.get(alert.channel)
            title, age_s = alert.message.title, now - datetime.fromisoformat(alert.message.at).timestamp()
            if channel is None:
                log.error("alerts: %s is not told: %s is not set any more", title, alert.channel)
            elif age_s > MAX_AGE_S:
                channel.results["dropped"] += 1
                ago, most = age(age_s), age(MAX_AGE_S)
                log.error("alerts: %s is not told: it was %s ago, at most %s is told", title, ago, most)
            else:
                channel.put(alert.message)
        if kept:
            self._kept.touch()

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
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._wake.wait(), wait)

    def _judge(self, event: Event) -> None:
        try:
            self._tell(self._policy.feed(event))
            if isinstance(event, AlarmSilenced) and event.until_ns > event.t_ns:
                for channel in self.channels:
                    channel.withdraw(event.machine, event.kind, event.rule)
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
