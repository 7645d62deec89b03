"""Learning limits of stages from a machine's newest good boots, seldom enough to cost nothing."""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from benchd.boots.deadlines import stage_limit
from benchd.boots.limits import Limit
from benchd.clock import Clock
from benchd.errors import BenchError
from benchd.inference.limits import learned_limit
from benchd.store import Store
from benchd.store.boots import GOOD_BOOTS, GoodBoot
from benchd.vocabulary.models import Boot
from benchd.vocabulary.times import NS
from benchd.watch.watcher import MachineWatcher
from benchd.worker import Worker

log = logging.getLogger(__name__)

EVERY_NS = 5 * NS
"""Limits of a machine are learned this often at most; some boots later they are hardly different."""
WHOLE_NS = 3_600 * NS
"""All good boots are read again this often: another process may have put some into the store."""
MANY = 100
"""Boots saved since the last time from which all are read."""


@dataclass
class Known:
    """The good boots of one machine, by id, as they were read last."""

    table: str
    read_ns: int
    boots: dict[str, GoodBoot]


class Learner:
    """`learned` holds the limits of each machine, by stage. `describe(machine, limits)` tells who shows them."""

    def __init__(
        self,
        store: Store,
        runs: Mapping[str, MachineWatcher],
        describe: Callable[[str, dict[str, float]], None],
        clock: Clock,
        shared: Callable[[str, str], dict[str, Limit]] = lambda machine, table: {},
    ) -> None:
        """`shared(machine, table)`: limits learned elsewhere, for stages of which this store has too few boots."""
        self._shared = shared
        self.learned: dict[str, dict[str, Limit]] = {}
        self._store, self._runs, self._describe, self._clock = store, runs, describe, clock
        self._worker = Worker("learn")
        self._wanted = dict.fromkeys(runs, 0)
        self._known: dict[str, Known] = {}
        self._saved: dict[str, set[str]] = {name: set() for name in runs}
        """Boots of each machine that were saved since its good boots were read."""

    def saved(self, boot: Boot) -> None:
        """A boot is in the store: if it was a good one, the limits may have changed."""
        if boot.machine not in self._runs:
            return
        self._saved[boot.machine].add(boot.id)
        if boot.outcome == "finished":
            self.soon(boot.machine)

    def soon(self, machine: str) -> None:
        """Learn the limits of a machine, among others that are wanted until then."""
        self._wanted.setdefault(machine, self._clock.monotonic_ns() + EVERY_NS)

    def at_once(self, machine: str) -> None:
        """The same without waiting for more: there is news from elsewhere."""
        self._wanted[machine] = self._clock.monotonic_ns()

    async def work(self) -> None:
        """Learn what is wanted and due; to be called again and again."""
        now_ns = self._clock.monotonic_ns()
        for machine in [name for name, due_ns in self._wanted.items() if due_ns <= now_ns]:
            run, due_ns = self._runs[machine], self._wanted.pop(machine)
            try:
                limits = await self._worker.run(self._limits, run)
            except BenchError as error:
                log.debug("limits of %s: %s", machine, error)
                self._wanted.setdefault(machine, due_ns)
                continue
            self.learned[machine] = limits
            run.learn(limits)
            table = run.table
            self._describe(machine, {s.name: stage_limit(table, s, limits.get(s.name)).seconds for s in table.stage})

    def _limits(self, run: MachineWatcher) -> dict[str, Limit]:
        """From the newest 500 good boots, see `Store.good_boots`."""
        times: dict[str, list[float]] = defaultdict(list)
        for good in self._good(run.name, run.table.name):
            for name, seconds in good.lasted:
                times[name].append(seconds)
        found = {name: learned_limit(seconds) for name, seconds in times.items()}
        own = {name: Limit(*limit) for name, limit in found.items() if limit is not None}
        return self._shared(run.name, run.table.name) | own

    def _good(self, machine: str, table: str) -> Collection[GoodBoot]:
        """Return a machine's newest good boots; of those known already, only what was saved since is read."""
        own, saved = self._saved[machine], set[str]()
        while own:  # one by one: the loop adds to it meanwhile
            saved.add(own.pop())
        known, now_ns = self._known.get(machine), self._clock.monotonic_ns()
        try:
            if known is None or known.table != table or now_ns - known.read_ns >= WHOLE_NS or len(saved) > MANY:
                read = self._store.good_boots(machine, table)
                known = self._known[machine] = Known(table, now_ns, {good.id: good for good in read})
            elif saved:
                read = self._store.good_boots(machine, table, of=saved)
                kept = {name: good for name, good in known.boots.items() if name not in saved}
                kept |= {good.id: good for good in read}
                newest = sorted(kept.values(), key=lambda good: good.started_us, reverse=True)[:GOOD_BOOTS]
                known.boots = {good.id: good for good in newest}
        except BaseException:
            own.update(saved)
            raise
        return known.boots.values()

    def close(self) -> None:
        self._worker.close()
