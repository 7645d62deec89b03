"""Whether the reader's own thread was there to see bytes arrive.

A thread that does not run (machine overloaded, process stopped, interpreter held by another thread, one of its calls
stuck) stamps what it then reads too late, and cannot tell by how much. But each turn of the reading loop takes all that
has come by then: what the next turn reads has come since. A turn that lasted no longer than what u allows for is proof
enough; a longer one is told.
"""

from __future__ import annotations

from benchd.links.lines import SCHEDULER_NS

WAIT_MS = 4
"""A turn waits no longer than this for bytes, so that even one that just missed its end is within SCHEDULER_NS."""
QUIET_NS = 250_000_000
"""An absence this long is told though nothing was read after it: silence across it proves nothing."""


class Attention:
    """Keeps the time between turns of one reading loop; `allowed_ns` is how long one may last."""

    def __init__(self, t_ns: int, allowed_ns: int = SCHEDULER_NS) -> None:
        self._turn_ns = t_ns
        self._allowed_ns = allowed_ns

    def away(self, t_ns: int, read: bool) -> int:
        """Take a turn that ended at `t_ns`; return for how long (ns) before that it may have been blind, or 0.

        `read`: bytes were read in this turn.
        """
        turn, self._turn_ns = t_ns - self._turn_ns, t_ns
        return turn if turn > (self._allowed_ns if read else max(self._allowed_ns, QUIET_NS)) else 0
