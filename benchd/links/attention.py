"""Whether the reader's own thread was there to see bytes arrive.

A thread that does not run (machine overloaded, process stopped, one of its calls stuck) stamps what it then reads too
late. Two things tell: a turn of the reading loop that lasted longer than it may wait, and the time for which the kernel
had the thread ready and did not run it (Linux, Documentation/scheduler/sched-stats.rst, /proc/<pid>/schedstat).
"""

from __future__ import annotations

import os

from benchd.links.lines import SCHEDULER_NS

QUIET_NS = 250_000_000
"""An absence this long is told though nothing was read after it: silence across it proves nothing."""


class Attention:
    """Keeps the time between turns of one reading loop. Made and used in the thread that it is about."""

    def __init__(self, t_ns: int) -> None:
        self._turn_ns = t_ns
        try:
            self._stat = os.open("/proc/thread-self/schedstat", os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            self._stat = -1
        self._delayed_ns = self._waited_for_cpu()

    def _waited_for_cpu(self) -> int:
        if self._stat < 0:
            return 0
        try:
            return int(os.pread(self._stat, 96, 0).split()[1])
        except (OSError, ValueError, IndexError):
            return 0

    def away(self, t_ns: int, may_wait_ns: int, read: bool) -> int:
        """Take a turn that ended at `t_ns`; return for how long (ns) before that it may have been blind, or 0.

        `read`: bytes were read in this turn.
        """
        turn, self._turn_ns = t_ns - self._turn_ns, t_ns
        before, self._delayed_ns = self._delayed_ns, self._waited_for_cpu()
        blind = turn if turn - may_wait_ns > SCHEDULER_NS else self._delayed_ns - before
        return blind if blind > (SCHEDULER_NS if read else QUIET_NS) else 0

    def close(self) -> None:
        if self._stat >= 0:
            os.close(self._stat)
            self._stat = -1
