"""Recovery as part of a running daemon: each machine's in a background thread, its findings brought to the loop."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping

from benchd.errors import BenchError, system_words
from benchd.store import Store
from benchd.vocabulary.events import BootOver, BootStarted, Event
from benchd.watch.progress import Progress, run_key
from benchd.watch.recover import Abandoned, Held, Recovered, Recovery
from benchd.watch.watcher import MachineWatcher
from benchd.worker import Worker

log = logging.getLogger(__name__)

RETRY_S = 2.0


class Recovering:
    """Recovers what earlier runs left, and remembers how far the store has what this run captured.

    `tell(run, events, stored)` hands events to the sinks; `stored` says that the store has them already.
    `settled(machine)` says whether the store has every boot that the machine's events told of.
    """

    def __init__(
        self,
        store: Store,
        runs: Mapping[str, MachineWatcher],
        tell: Callable[[MachineWatcher, list[Event], bool], None],
        settled: Callable[[str], bool],
    ) -> None:
        self._store, self._runs, self._tell, self._settled = store, runs, tell, settled
        self._own: dict[str, list[str]] = {name: [] for name in runs}
        self._held: dict[str, Held] = {}
        self._done: dict[str, list[str]] = {}
        self._progress: dict[str, Progress] = {}
        self._written: dict[str, str] = {}
        self._trouble: dict[str, str] = {}
        self._recoveries: list[Recovery] = []
        self._worker, self._writer = Worker("recover"), Worker("progress")

    # ------------------------------------------------------------------ what earlier runs left

    async def work(self) -> None:
        """Recover all machines, one after another; try again while the store refuses."""
        for run in self._runs.values():
            recovery = Recovery(self._store, run.name, run.folder, run.base, self._own[run.name])
            self._recoveries.append(recovery)
            progress = await self._writer.run(Progress, run.folder)
            found = await self._worker.run(recovery.find, progress, run_key(run.starting))
            await self._write(run.name, progress)
            reason = ""
            while True:
                try:
                    outcome = await self._worker.run(recovery.run, progress, found)
                    break
                except Abandoned:
                    return
                except BenchError as error:
                    if str(error) != reason:
                        log.warning("%s: earlier captures are not compared with the store yet: %s", run.name, error)
                    reason = str(error)
                    await asyncio.sleep(RETRY_S)
            self._recovered(run, progress, outcome)

    def _recovered(self, run: MachineWatcher, progress: Progress, outcome: Recovered) -> None:
        self._progress[run.name] = progress
        now_ns = run.clock.monotonic_ns()
        if outcome.over:
            log.info("%s: %d boots of earlier runs were brought into the store", run.name, len(outcome.over))
        self._tell(run, [BootOver(run.name, now_ns, boot) for boot in outcome.over], True)
        self._done[run.name] = outcome.runs
        if outcome.standing is None:
            self._let_go(run.name)
        else:
            held = self._held[run.name] = Held(outcome.standing, run.anchor)
            self._tell(run, held.events(), True)

    def _let_go(self, machine: str) -> None:
        for key in self._done.pop(machine, ()):
            self._progress[machine].entries[key].done = True

    # ------------------------------------------------------------------ what this run tells

    def notice(self, run: MachineWatcher, event: Event) -> None:
        """See each event of the present run before the sinks do: the first boot ends what stood before."""
        if not isinstance(event, BootStarted):
            return
        if run.name not in self._progress:
            self._own[run.name].append(event.boot.id)
        elif (held := self._held.pop(run.name, None)) is not None:
            self._tell(run, held.released(event.t_ns, event.boot.started), False)
            self._let_go(run.name)

    async def remember(self, ended: bool = False) -> None:
        """Write down how far the store has this run, where that changed; `ended` says that nothing more comes."""
        for name, progress in list(self._progress.items()):
            run = self._runs[name]
            entry = progress.entries[run_key(run.starting)]
            if self._settled(name):
                entry.place = run.place() or entry.place
                entry.done = ended and run.between_boots and not len(run.inbox)
            await self._write(name, progress)

    async def _write(self, name: str, progress: Progress) -> None:
        text = progress.to_json()
        if self._written.get(name) == text:
            return
        try:
            await self._writer.run(progress.write, text)
            self._written[name] = text
            self._trouble.pop(name, None)
        except OSError as error:
            if self._trouble.get(name) != (told := system_words(error)):  # once: each second would hide what matters
                log.warning("%s cannot be written: %s; trying again", progress.path, told)
            self._trouble[name] = told

    def stop(self) -> None:
        """Leave what is not recovered yet to the next start."""
        for recovery in self._recoveries:
            recovery.stop()

    def close(self) -> None:
        self.stop()
        self._worker.close()
        self._writer.close()
