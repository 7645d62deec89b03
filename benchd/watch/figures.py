"""Figures that are kept where they arise, brought to the metrics once a second; and trouble, told when it changes."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable, Mapping
from functools import partial
from typing import Protocol

from benchd.vocabulary.times import NS
from benchd.watch.watcher import MachineWatcher

log = logging.getLogger(__name__)

BEHIND_NS = NS
"""Judging that is further behind than this is told: stamps stay what they are, but stalls are told this much late."""


class Gauges(Protocol):
    """What of the metrics is set from here."""

    def captured(self, machine: str, count: int) -> None: ...

    def refused(self, machine: str, link: str, reason: str, count: int) -> None: ...

    def received(self, machine: str, link: str, count: int) -> None: ...

    def capture_state(self, failing: bool) -> None: ...

    def capture_failures(self, count: int) -> None: ...

    def dropped(self, machine: str, link: str, count: int) -> None: ...

    def judging_behind(self, machine: str, seconds: float) -> None: ...

    def queue_length(self, queue: str, length: int) -> None: ...


class Figures:
    """Call `look` once a second. `behind` are the machines whose judging is behind now."""

    def __init__(self, runs: Mapping[str, MachineWatcher], gauges: Gauges) -> None:
        self.behind: dict[str, float] = {}
        self._runs, self._gauges = runs, gauges
        self._seen: Counter[tuple[str, ...]] = Counter()
        self._trouble: dict[str, str | None] = {}

    def look(self) -> None:
        gauges = self._gauges
        for name, run in self._runs.items():
            self._count(("captured", name), run.keeper.written, partial(gauges.captured, name))
            for link, brought in list(run.inbox.brought.items()):
                self._count(("received", name, link), brought, partial(gauges.received, name, link))
            for link, lost in list(run.inbox.lost.items()):
                self._count(("lost", name, link), lost, partial(self._tell_lost, name, link))
            for link, decoder in run.pipeline.decoders.items():
                for reason, count in list(decoder.counts.refused.items()):
                    self._count(("refused", name, link, reason), count, partial(gauges.refused, name, link, reason))
            self._tell_capture(run)
            self._tell_behind(run)
        gauges.capture_state(any(run.keeper.trouble for run in self._runs.values()))
        gauges.queue_length("records", sum(len(run.inbox) for run in self._runs.values()))

    def _count(self, key: tuple[str, ...], total: int, add: Callable[[int], None]) -> None:
        if (grown := total - self._seen[key]) > 0:
            self._seen[key] = total
            add(grown)

    def _tell_lost(self, machine: str, link: str, lost: int) -> None:
        log.error("%s %s: %d bytes dropped: this computer is too slow for what comes in", machine, link, lost)
        self._gauges.dropped(machine, link, lost)

    def _tell_capture(self, run: MachineWatcher) -> None:
        """Log capture trouble when it begins, changes or ends, also if it came and went between two looks."""
        keeper = run.keeper
        key, trouble = ("capture failures", run.name), keeper.trouble
        new = keeper.failures > self._seen[key]
        self._count(key, keeper.failures, self._gauges.capture_failures)
        if trouble is not None and trouble != self._trouble.get(run.name):
            log.error("%s: %s (%d records wait in memory)", run.name, trouble, keeper.waiting)
        elif trouble is None and self._trouble.get(run.name):
            log.warning("%s: captures are written again; %d records were lost", run.name, keeper.dropped)
        elif trouble is None and new:
            log.error("%s: %s; it goes on in a new file", run.name, keeper.last_failure)
        self._trouble[run.name] = trouble

    def _tell_behind(self, run: MachineWatcher) -> None:
        behind_ns = run.behind_ns
        seconds = behind_ns / NS
        self._gauges.judging_behind(run.name, seconds)
        if behind_ns > BEHIND_NS:
            if run.name not in self.behind:
                log.warning(
                    "%s: judging is %.1f s behind; nothing is lost, but a stall would be told late", run.name, seconds
                )
            self.behind[run.name] = round(seconds, 3)
        elif self.behind.pop(run.name, None) is not None:
            log.info("%s: judging has caught up", run.name)
