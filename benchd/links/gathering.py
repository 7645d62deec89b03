"""How long a reading loop lets bytes gather on a line that is full, so that it is woken less often.

A driver that hands over some bytes at a time wakes its reader up to 1,400 times a second at 115,200 baud. On a line
that brings so much, one more wait before the next read makes a stamp no later than a turn of the loop may be anyhow,
which is within SCHEDULER_NS, see `absence`. A line that brings less is read at once: its codes and lines are told
apart. Pure.
"""

from __future__ import annotations

REST_NS = 3_000_000
"""From one read to the next on a full line; it leaves the thread 2 ms of SCHEDULER_NS to be late by."""
SPAN_NS = 50_000_000
"""A line is looked at for so long before it is taken for full, or for full no more."""
FULL_PER_MS = 4
"""Bytes in a millisecond from which on a line is full: as 38,400 baud brings them."""


class Gathering:
    """Keeps how much one line brings; `t_ns` grows from call to call."""

    def __init__(self, t_ns: int) -> None:
        self._since_ns = t_ns
        self._bytes = 0
        self._full = False

    def rest_ns(self, asked_ns: int, t_ns: int, size: int) -> int:
        """Take a read of `size` bytes (0: nothing came) that asked at `asked_ns` and was done by `t_ns`.

        Return how long (ns) to wait before the next.
        """
        self._bytes += size
        if (span_ns := t_ns - self._since_ns) >= SPAN_NS:
            self._full = self._bytes * 1_000_000 >= FULL_PER_MS * span_ns
            self._since_ns, self._bytes = t_ns, 0
        return max(0, asked_ns + REST_NS - t_ns) if self._full and size else 0
