"""Judging what all machines' keepers kept, in fair turns in the event loop, and telling time to each."""

from __future__ import annotations

import asyncio
import logging
import os
import weakref
from collections.abc import Callable, Mapping
from contextlib import suppress

from benchd.clock import Clock
from benchd.vocabulary.events import Event
from benchd.vocabulary.records import Chunk
from benchd.vocabulary.times import NS
from benchd.watch.watcher import MachineWatcher

log = logging.getLogger(__name__)

TURN_NS = NS // 100
"""Records are judged for this long before the server and the sinks get their turn."""
DRAIN_NS = NS
"""What the readers brought is judged for this long after a request to stop; the rest is kept, for the next start."""


class Judging:
    """`tell(run, events)` hands on what follows; `observed(machine, seconds)` how long a byte waited for that."""

    def __init__(
        self,
        runs: Mapping[str, MachineWatcher],
        clock: Clock,
        tell: Callable[[MachineWatcher, list[Event]], None],
        observed: Callable[[str, float], None],
    ) -> None:
        self._runs, self._clock, self._tell, self._observed = runs, clock, tell, observed
        self._loop: asyncio.AbstractEventLoop | None = None
        self._woken = False
        # What asyncio has for it takes three system calls and a new handle each time.
        self._bell = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        weakref.finalize(self, os.close, self._bell)  # no sooner: a keeper that is left behind may ring at any time
        self._due: dict[str, None] = {}
        """Machines of which records wait, who waits longest first."""

    def kept(self, machine: str) -> None:
        """From a keeper's thread: records of a machine can be judged. Wakes the loop once."""
        self._due[machine] = None
        if not self._woken and self._loop is not None:
            self._woken = True
            os.eventfd_write(self._bell, 1)

    async def work(self) -> None:
        """Judge whatever comes, until cancelled."""
        self._loop = asyncio.get_running_loop()
        self._failed = self._loop.create_future()
        self._due |= dict.fromkeys(self._runs)
        self._loop.add_reader(self._bell, self._rung)
        self._turns()
        try:
            await self._failed
        finally:
            self._loop.remove_reader(self._bell)
            self._loop = None

    def _rung(self) -> None:
        with suppress(BlockingIOError):
            os.eventfd_read(self._bell)
        self._turns()

    def _turns(self) -> None:
        """Judge for one turn, whose records waited longest first; called again, behind all else, while more wait.

        A callback, not a task: what a task needs to be woken takes as long as the judging of a read.
        """
        if (loop := self._loop) is None:
            return
        self._woken = False
        until_ns = self._clock.monotonic_ns() + TURN_NS
        try:
            for name in list(self._due):
                del self._due[name]  # first: what is kept from here on is seen in this turn, or wakes again
                if self._turn(self._runs[name], until_ns):
                    self._due[name] = None
                if self._clock.monotonic_ns() >= until_ns:
                    break
        except Exception as error:
            self._failed.set_exception(error)
            return
        if self._due and not self._woken:
            self._woken = True
            loop.call_soon(self._turns)

    def _turn(self, run: MachineWatcher, until_ns: int) -> bool:
        """Judge one machine's records until none is left or the time is over; return whether more wait."""
        while True:
            records, events = run.judge()
            if not records:
                return False
            self._tell(run, events)
            now_ns = self._clock.monotonic_ns()
            for record in records:
                if isinstance(record, Chunk):
                    self._observed(run.name, max(0.0, (now_ns - record.t_ns) / NS))
            if now_ns >= until_ns:
                return True

    def tick(self) -> list[MachineWatcher]:
        """Let time pass, and files end where that is due; return the machines that are judged by another table now."""
        changed = []
        for run in self._runs.values():
            self._tell(run, run.tick())
            table = run.table
            if run.rotate_if_due() and run.table is not table:
                changed.append(run)
        return changed

    def drain(self) -> None:
        """End every run: judge what its readers brought, or leave that to the next start where it takes too long."""
        until_ns = self._clock.monotonic_ns() + DRAIN_NS
        for run in self._runs.values():
            self._turn(run, until_ns)
            if not run.keeping.ended:
                log.error("%s: the disk does not answer; what waits for it is lost", run.name)
            elif len(run.inbox):
                log.warning("%s: %d records are kept but not judged yet; the next start does", run.name, len(run.inbox))
                run.leave()
            else:
                self._tell(run, run.finish())
            if run.keeper.dropped:
                log.error("%s: %d records are in no capture: %s", run.name, run.keeper.dropped, run.keeper.last_failure)
