"""Following the running trial of each machine, as the store tells it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime

from benchd.clock import Clock
from benchd.errors import BenchError, UsageError
from benchd.store import Store, Trial
from benchd.vocabulary.times import NS
from benchd.watch.watcher import MachineWatcher
from benchd.worker import Worker

log = logging.getLogger(__name__)

TRIAL_BACK_NS = 5 * NS
"""A boot that began this short before word of its trial came still gets it."""


class TrialFollower:
    """Tells each machine of its running trial. `describe(machine, facts)` tells who says and shows it: `trial`, and
    with it `trial_study`, `trial_started`, and `trial_left`, a sentence where it was left running since an earlier day.

    `left(trial, now)` gives that sentence or None.
    """

    def __init__(
        self,
        store: Store,
        runs: Mapping[str, MachineWatcher],
        describe: Callable[[str, dict[str, str | None]], None],
        clock: Clock,
        left: Callable[[Trial, datetime], str | None] = lambda trial, now: None,
    ) -> None:
        self._store, self._runs, self._describe, self._clock, self._left = store, runs, describe, clock, left
        self._worker = Worker("trials")
        self._told = dict.fromkeys(runs, "")
        self._shown: dict[str, dict[str, str | None]] = {}
        self._running: dict[str, tuple[Trial | None, tuple[int, ...] | None]] = {}
        """The trial of each machine as it was looked up last, and the store's state before that."""

    async def work(self) -> None:
        """Look once at each machine; to be called again and again."""
        for name, run in self._runs.items():
            state = self._store.state()
            if state is not None and name in self._running and self._running[name][1] == state:
                self._show(name, self._running[name][0])  # a day may have passed
                continue
            try:
                running, since = await self._worker.run(self._look_up, name)
            except BenchError as error:
                log.debug("trial of %s: %s", name, error)
                continue
            self._running[name] = running, state
            trial = running.id if running is not None else ""
            if trial != self._told[name]:
                self._told[name] = trial
                run.note("trial", trial, self._since(run, since))
            self._show(name, running)

    def _show(self, machine: str, trial: Trial | None) -> None:
        now = datetime.fromtimestamp(self._clock.time_ns() / NS).astimezone()
        left = self._left(trial, now) if trial is not None else None
        facts = {
            "trial": trial.id if trial is not None else None,
            "trial_study": trial.study if trial is not None else None,
            "trial_started": trial.started if trial is not None else None,
            "trial_left": left,
        }
        before = self._shown.get(machine)
        if facts == before or (before is None and trial is None):
            return
        self._shown[machine] = facts
        self._describe(machine, facts)

    def _look_up(self, machine: str) -> tuple[Trial | None, str | None]:
        """The running trial and when it began; without one, when the trial before it ended."""
        trial = self._store.current_trial(machine)
        if trial is not None:
            return trial, trial.started
        before = self._told[machine]
        return None, self._ended(before) if before else None

    def _ended(self, trial: str) -> str | None:
        try:
            return self._store.trial(trial).ended
        except UsageError:  # it was deleted
            return None

    def _since(self, run: MachineWatcher, since: str | None) -> int:
        now_ns = self._clock.monotonic_ns()
        if since is None:
            return now_ns
        return min(now_ns, max(run.anchor.mono(datetime.fromisoformat(since)), now_ns - TRIAL_BACK_NS))

    def close(self) -> None:
        self._worker.close()
