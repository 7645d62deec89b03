"""Whether the reader's own thread was there to see bytes arrive.

A thread that does not run (machine overloaded, process stopped, interpreter held by another thread, one of its calls
stuck) stamps what it then reads too late, and cannot tell by how much. But each turn of the reading loop takes all that
had come when it asked: what the next turn reads has come since. If that was no longer ago than what u allows for, the
stamp is proven; if it was, that is told. Where bytes come at the pace of the line, the time that they took to come is
no gap: what is left of the turn is.

One thing stays unseen: the kernel's worker that carries bytes from the driver to the reader (drivers/tty/tty_buffer.c)
waits for a processor like anybody else. Where this thread was kept waiting, as much again is allowed for that one
(measured: up to 37 ms beside 264, on two processors with sixteen busy processes).
"""

from __future__ import annotations

from benchd.links.lines import SCHEDULER_NS

WAIT_MS = 4
"""A turn waits no longer than this for bytes, so that even one that just missed its end is within SCHEDULER_NS."""
COMING_NS = 10_000_000
"""Bytes at the pace of a line account for this much of a turn at most: what a line is off its speed by is nothing then.
"""
QUIET_NS = 250_000_000
"""An absence this long is told though nothing was read after it: silence across it proves nothing."""


class Absence:
    """Keeps when one reading loop last asked for bytes; `allowed_ns` is how long ago that may be."""

    def __init__(self, t_ns: int, allowed_ns: int = SCHEDULER_NS) -> None:
        self._asked_ns = t_ns
        self._allowed_ns = allowed_ns

    def away(self, asked_ns: int, t_ns: int, read: bool, coming_ns: int = 0) -> int:
        """Take a turn that asked at `asked_ns` and had its bytes, if any (`read`), by `t_ns`.

        `coming_ns` is how long they were coming, where no two of them came at once. Return for how long (ns) before
        `t_ns` nobody may have looked, or 0.
        """
        turn, self._asked_ns = t_ns - self._asked_ns, asked_ns
        allowed = self._allowed_ns + min(coming_ns, COMING_NS) if read else max(self._allowed_ns, QUIET_NS)
        return 2 * turn if turn > allowed else 0
