"""Following the running trial of each machine, as the store tells it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime

from benchd.clock import Clock
from benchd.errors import BenchError
from benchd.store import Store, Trial
from benchd.vocabulary.times import NS
from benchd.watch.watcher import MachineWatcher
from benchd.worker import Worker

log = logging.getLogger(__name__)

TRIAL_BACK_NS = 5 * NS
"""A boot that began this short before word of its trial came still gets it."""


class TrialFollower:
    """Tells each machine of its running trial. `describe(machine, trial)` tells who says and shows it."""

    def __init__(
        self,
        store: Store,
        runs: Mapping[str, MachineWatcher],
        describe: Callable[[str, Trial | None], None],
        clock: Clock,
    ) -> None:
        self._store, self._runs, self._describe, self._clock = store, runs, describe, clock
        self._worker = Worker("trials")
        self._told = dict.fromkeys(runs, "")

    async def work(self) -> None:
        """Look once at each machine; to be called again and again."""
        for name, run in self._runs.items():
            try:
                running, since = await self._worker.run(self._look_up, name)
            except BenchError as error:
                log.debug("trial of %s: %s", name, error)
                continue
            trial = running.id if running else ""
            if trial != self._told[name]:
                self._told[name] = trial
                run.note("trial", trial, self._since(run, since))
                self._describe(name, running)

    def _look_up(self, machine: str) -> tuple[Trial | None, str | None]:
        """The running trial and when it began; without one, when the trial before it ended."""
        trial = self._store.current_trial(machine)
        if trial is not None:
            return trial, trial.started
        before = self._told[machine]
        return None, self._store.trial(before).ended if before else None

    def _since(self, run: MachineWatcher, since: str | None) -> int:
        now_ns = self._clock.monotonic_ns()
        if since is None:
            return now_ns
        return min(now_ns, max(run.anchor.mono(datetime.fromisoformat(since)), now_ns - TRIAL_BACK_NS))

    def close(self) -> None:
        self._worker.close()
