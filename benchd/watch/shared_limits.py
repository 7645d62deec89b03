"""Limits learned from machines of the same model on all benches, as an archive's store has them; it is only read.

Reading has a thread of its own: an archive that is away delays nothing, and then there are a machine's own boots only.
"""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from benchd.boots.limits import Limit
from benchd.clock import Clock
from benchd.errors import BenchError
from benchd.inference.limits import learned_limit
from benchd.store import Store
from benchd.store.boots import GoodBoot
from benchd.vocabulary.times import NS
from benchd.worker import Worker

log = logging.getLogger(__name__)

READ_NS = 3_600 * NS
"""How often the archive is read."""
RETRY_NS = 60 * NS
"""How soon again after it could not be."""


@dataclass
class Read:
    """What was read for a machine: by which rule table, when to read again, and the limits by stage."""

    table: str
    due_ns: int
    limits: dict[str, Limit]


class SharedLimits:
    """Limits by machine. `url()` says where the archive is; `arrived(machine)` is told of news."""

    def __init__(
        self, url: Callable[[], str], runs: Mapping[str, Any], arrived: Callable[[str], None], clock: Clock
    ) -> None:
        self._url, self._arrived, self._clock = url, arrived, clock
        self._runs = {name: run for name, run in runs.items() if run.part.share_limits}
        self._read: dict[str, Read] = {}
        self._worker = Worker("archive")
        self._trouble = ""

    def of(self, machine: str, table: str) -> dict[str, Limit]:
        """The limits that are known for a machine under a rule table."""
        known = self._read.get(machine)
        return known.limits if known is not None and known.table == table else {}

    async def work(self) -> None:
        """Read what is due; to be called again and again."""
        for name, run in self._runs.items():
            now_ns, table, known = self._clock.monotonic_ns(), run.table.name, self._read.get(name)
            if known is not None and known.table == table and now_ns < known.due_ns:
                continue
            try:
                found = await self._worker.run(self._good, run.part.model, table)
            except BenchError as error:
                if str(error) != self._trouble:
                    log.warning("limits are learned from own boots only, the archive cannot be read: %s", error)
                self._trouble = str(error)
                self._read[name] = Read(table, now_ns + RETRY_NS, self.of(name, table))
                continue
            self._trouble = ""
            before, limits = self.of(name, table), limits_of(found)
            self._read[name] = Read(table, now_ns + READ_NS, limits)
            if limits != before:
                widest = max(limits.values(), key=lambda limit: limit.boots, default=None)
                if widest is not None:
                    log.info("%s: limits of %d stages are %s, where it has too few", name, len(limits), widest.words)
                self._arrived(name)

    def _good(self, model: str, table: str) -> list[GoodBoot]:
        with Store.open(self._url(), create=False, read_only=True) as archive:
            return archive.good_boots_of_model(model, table)

    def close(self) -> None:
        self._worker.close()


def limits_of(good: Iterable[GoodBoot]) -> dict[str, Limit]:
    """The limits that good boots of several benches give; an archive's ids end in `@BENCH`."""
    times: dict[str, list[float]] = defaultdict(list)
    benches: dict[str, set[str]] = defaultdict(set)
    for boot in good:
        for stage, seconds in boot.lasted:
            times[stage].append(seconds)
            benches[stage].add(boot.id.rpartition("@")[2] if "@" in boot.id else "")
    found = {stage: learned_limit(seconds) for stage, seconds in times.items()}
    return {stage: Limit(*limit, benches=len(benches[stage])) for stage, limit in found.items() if limit is not None}
