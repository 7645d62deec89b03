"""Learning limits of stages from a machine's newest good boots, seldom enough to cost nothing."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping

from benchd.boots.deadlines import stage_limit
from benchd.boots.limits import Limit
from benchd.clock import Clock
from benchd.errors import BenchError
from benchd.inference.limits import learned_limit
from benchd.store import Store
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import NS
from benchd.watch.watcher import MachineWatcher
from benchd.worker import Worker

log = logging.getLogger(__name__)

EVERY_NS = 5 * NS
"""Limits of a machine are learned this often at most; some boots later they are hardly different."""


class Learner:
    """`learned` holds the limits of each machine, by stage. `describe(machine, limits)` tells who shows them."""

    def __init__(
        self,
        store: Store,
        runs: Mapping[str, MachineWatcher],
        describe: Callable[[str, dict[str, float]], None],
        clock: Clock,
    ) -> None:
        self.learned: dict[str, dict[str, Limit]] = {}
        self._store, self._runs, self._describe, self._clock = store, runs, describe, clock
        self._worker = Worker("learn")
        self._wanted = dict.fromkeys(runs, 0)

    def saved(self, boot: Boot) -> None:
        """A boot is in the store: if it was a good one, the limits may have changed."""
        if boot.outcome == "finished" and boot.machine in self._runs:
            self.soon(boot.machine)

    def soon(self, machine: str) -> None:
        self._wanted.setdefault(machine, self._clock.monotonic_ns() + EVERY_NS)

    async def work(self) -> None:
        """Learn what is wanted and due; to be called again and again."""
        now_ns = self._clock.monotonic_ns()
        for machine in [name for name, due_ns in self._wanted.items() if due_ns <= now_ns]:
            run = self._runs[machine]
            try:
                limits = await self._worker.run(self._limits, run)
            except BenchError as error:
                log.debug("limits of %s: %s", machine, error)
                continue
            del self._wanted[machine]
            self.learned[machine] = limits
            run.learn(limits)
            table = run.table
            self._describe(machine, {s.name: stage_limit(table, s, limits.get(s.name)).seconds for s in table.stage})

    def _limits(self, run: MachineWatcher) -> dict[str, Limit]:
        """From the newest 500 good boots, see `Store.good_times`."""
        times = self._store.good_times(run.name, run.table.name)
        found = {name: learned_limit(seconds) for name, seconds in times.items()}
        return {name: Limit(*limit) for name, limit in found.items() if limit is not None}

    def close(self) -> None:
        self._worker.close()
