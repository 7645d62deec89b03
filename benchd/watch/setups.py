"""Holding the report of a boot against its trial's setup, as soon as the boot is stored."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence

from benchd.errors import BenchError
from benchd.store import Store
from benchd.vocabulary.measured import SetupDiffers
from benchd.vocabulary.models import Boot
from benchd.watch.watcher import MachineWatcher
from benchd.worker import Worker

log = logging.getLogger(__name__)

Differs = Callable[[Store, Boot], Sequence[SetupDiffers]]
MOST = 1_000
"""Boots remembered as looked at."""


class SetupWatch:
    """Notes on a machine what of its trial's setup its report contradicts; `differs` says what that is.

    The note is in the capture, so a replay raises the same findings without the study.
    """

    def __init__(self, store: Store, runs: Mapping[str, MachineWatcher], differs: Differs) -> None:
        self._store, self._runs, self._differs = store, runs, differs
        self._worker = Worker("setups")
        self._waiting: dict[str, Boot] = {}
        self._done: dict[tuple[str, int], None] = {}

    def saved(self, boot: Boot) -> None:
        """A boot is in the store: if its report has grown it is looked at."""
        if boot.measured is None or boot.trial is None or boot.machine not in self._runs:
            return
        if self._key(boot) not in self._done:
            self._waiting[boot.id] = boot

    async def work(self) -> None:
        """Look at what waits; to be called again and again. What cannot be looked at is logged, and not tried again."""
        while self._waiting:
            # Taken out first: the report may grow, and the boot be handed in again, while the worker looks at it.
            boot = self._waiting.pop(next(iter(self._waiting)))
            self._done[self._key(boot)] = None
            while len(self._done) > MOST:
                del self._done[next(iter(self._done))]
            try:
                found = await self._worker.run(self._differs, self._store, boot)
            except BenchError as error:
                log.warning("setup of boot %s: %s", boot.id, error)
            except Exception:
                log.exception("setup of boot %s cannot be held against its report", boot.id)
            else:
                for one in found:
                    self._runs[boot.machine].note("differs", one.label)

    @staticmethod
    def _key(boot: Boot) -> tuple[str, int]:
        """A boot and what its report tells of the addresses: a second report, too, is looked at where it differs."""
        assert boot.measured is not None
        return boot.id, hash(boot.measured.model_dump_json(include={"blocks", "complete"}))

    def close(self) -> None:
        self._worker.close()
