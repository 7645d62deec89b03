"""How long a reading loop lets bytes gather on a line that is full, so that all who take them are woken less often.

A driver that hands over some bytes at a time wakes its reader up to 1,400 times a second at 115,200 baud. Three ways
of reading, by what the line brought in the last SPAN_NS:

1. A line that brings less than FULL_PER_MS is read at once: its codes and lines are told apart.
2. One that brings more is read once in REST_NS, which is no longer than a turn of the loop may be anyhow (see
   `absence`), and what two such reads brought is handed on together, each with its own stamp.
3. Where bytes come at the pace of the line and the line is as good as full, it is read once in LONG_NS: bytes that
   follow each other without a gap are dated by their own time (`Arrivals`), the last one by the read. Where a read
   brings less than the line would have, it is not known when that came: the loop tells so, see `absence`, and such a
   line is read by the second way again.

Reads fall on instants that all lines share, so that those of several machines wake the rest of the program together.
Pure.
"""

from __future__ import annotations

REST_NS = 4_000_000
"""From one read to the next on a full line; it leaves the thread 1 ms of SCHEDULER_NS to be late by."""
LONG_NS = 2 * REST_NS
"""The same where the line's pace dates the bytes, and how long anything waits for being handed on."""
SPAN_NS = 50_000_000
"""A line is looked at for so long before it is taken for full, or for full no more."""
FULL_PER_MS = 4
"""Bytes in a millisecond from which on a line is full: as 38,400 baud brings them."""
GOOD_PART = (3, 4)
"""A line is as good as full that brings so much of what it can: gaps are then well within SCHEDULER_NS."""


class Gathering:
    """Keeps how much one line brings; `t_ns` grows from call to call. `shift_ns` is how long after the shared instants
    this line is read.
    """

    def __init__(self, t_ns: int, shift_ns: int = 0) -> None:
        self._since_ns, self._shift_ns = t_ns, shift_ns
        self._bytes = 0
        self._full = self._dense = False

    def rest_ns(self, asked_ns: int, t_ns: int, size: int, byte_ns: int = 0) -> int:
        """Take a read of `size` bytes (0: nothing came) that asked at `asked_ns` and was done by `t_ns`.

        `byte_ns` is the time of a byte where they come at the pace of the line. Return how long (ns) to wait before
        the next read.
        """
        self._bytes += size
        span_ns = t_ns - self._since_ns
        if span_ns >= SPAN_NS:
            self._full = self._bytes * 1_000_000 >= FULL_PER_MS * span_ns
            self._dense = self._full and _dense(self._bytes * byte_ns, span_ns)
            self._since_ns, self._bytes = t_ns, 0
        if not self._full:
            return 0
        if not size:
            self._dense = False
        every_ns = LONG_NS if self._dense else REST_NS
        since_ns = (asked_ns - self._shift_ns) % every_ns
        return max(0, asked_ns - since_ns + every_ns - t_ns)

    def together(self, asked_ns: int) -> bool:
        """Whether what was read now is handed on with what the next read brings, which comes soon."""
        return self._full and not self._dense and (asked_ns - self._shift_ns) // REST_NS % 2 == 1

    def thin(self) -> None:
        """A read brought less than the line would have: read it more often, for a while."""
        self._dense = False


def _dense(line_ns: int, span_ns: int) -> bool:
    part, whole = GOOD_PART
    return line_ns * whole >= span_ns * part
