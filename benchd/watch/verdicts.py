"""What is read across the room of a machine's newest boot: the last one of earlier runs, and the goal's verdict."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable

from benchd.errors import BenchError, UsageError
from benchd.store import Store, Trial
from benchd.vocabulary.models import Boot, GoalNow
from benchd.worker import Worker

log = logging.getLogger(__name__)

Judge = Callable[[Store, Trial, Boot | None], GoalNow]

LOOKED_AT = 20
"""How many of the newest stored boots are looked through for one of this bench: the others were imported."""


class VerdictWatch:
    """Asks the store for what no event carries. `newest(machine)` is the boot that is shown, None before the first.

    `remember(boot)` is told once of each machine's last stored boot, `describe(machine, goal)` of each change.
    `judge` needs studies, which only a running trial makes necessary.
    """

    def __init__(
        self,
        store: Store,
        machines: Iterable[str],
        newest: Callable[[str], Boot | None],
        remember: Callable[[Boot], None],
        describe: Callable[[str, GoalNow | None], None],
        judge: Judge,
    ) -> None:
        self._store, self._newest, self._remember, self._describe = store, newest, remember, describe
        self._judge = judge
        self._worker = Worker("verdicts")
        self._told: dict[str, GoalNow | None] = dict.fromkeys(machines)
        self._looked: set[str] = set()
        self._judged: dict[str, tuple[Boot | None, tuple[int, ...] | None]] = {}
        """The boot of which each machine's goal was judged last, and the store's state before that."""

    async def work(self) -> None:
        """Look once at each machine; to be called again and again. What cannot be known now is asked again."""
        for machine in self._told:
            boot, state = self._newest(machine), self._store.state()
            before = self._judged.get(machine)
            if state is not None and before is not None and before[0] is boot and before[1] == state:
                continue
            try:
                if machine not in self._looked:
                    last = await self._worker.run(self._last, machine)
                    self._looked.add(machine)
                    if last is not None:
                        self._remember(last)
                    boot = self._newest(machine)
                goal = await self._worker.run(self._goal, machine, boot)
            except BenchError as error:
                log.debug("goal of %s: %s", machine, error)
                continue
            self._judged[machine] = boot, state
            if goal != self._told[machine]:
                self._told[machine] = goal
                self._describe(machine, goal)

    def _last(self, machine: str) -> Boot | None:
        found = self._store.boots(machine=machine, limit=LOOKED_AT)
        return next((boot for boot in found if not boot.imported), None)

    def _goal(self, machine: str, boot: Boot | None) -> GoalNow | None:
        trial = self._store.current_trial(machine)
        if trial is None:
            return None
        if boot is not None:
            boot = self._as_decided(boot)
        return self._judge(self._store, trial, boot if boot is not None and boot.trial == trial.id else None)

    def _as_decided(self, boot: Boot) -> Boot:
        """The boot as it is now, with what people decided of it: which trial it counts for, and whether it does."""
        try:
            stored = self._store.boot(boot.id)
        except UsageError:  # not in the store yet
            return boot
        return boot.model_copy(update={"trial": stored.trial, "left_out": stored.left_out})

    def close(self) -> None:
        self._worker.close()
