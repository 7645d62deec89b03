"""Times for codes that carry card ticks: by the card clock once it is known, before that by arrival."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.decode.cardclock import CardClock

UNKNOWN_STEP_NS = 1_000_000_000
"""What an earlier code of a frame may be early by at most, where the length of a tick is not known."""


class CardTimes:
    """One card's clock, and how it dates codes.

    A code takes the card clock's time only where that is surer than the arrival. It is never dated after the
    arrival of its frame: the line of the clock lies under every sample, this frame's included.
    """

    def __init__(self, tick_s: float | None, bits: int | None) -> None:
        self.clock = CardClock(None if tick_s is None else tick_s * 1e9, bits)
        self._previous_ns: int | None = None

    def read(self, ticks: int, t_ns: int) -> tuple[int, bool]:
        """Return (unwrapped ticks, restarted) of a frame that began to arrive at `t_ns`."""
        x, restarted = self.clock.unwrap(ticks, t_ns)
        if restarted:
            self._previous_ns = None
        return x, restarted

    def restart(self) -> None:
        """The card is known to have restarted before what comes next."""
        self.clock.forget()
        self._previous_ns = None

    def place(self, xs: Sequence[int], t_ns: int, u_ns: int) -> list[tuple[int, int]]:
        """Return (t_ns, u_ns) for each unwrapped tick in `xs` (ascending) of the frame that came at `t_ns`.

        The last of `xs` is the newest thing the frame tells; the frame was sent after it.
        """
        clock = self.clock
        clock.sample(xs[-1], t_ns)
        gap = UNKNOWN_STEP_NS if self._previous_ns is None else min(UNKNOWN_STEP_NS, t_ns - self._previous_ns)
        self._previous_ns = t_ns
        placed = []
        for x in xs:
            behind = xs[-1] - x
            if clock.tick_ns is not None:
                at, u = t_ns - round(behind * clock.tick_ns), u_ns + round(behind * clock.tick_ns / 50)
            else:
                at, u = t_ns, u_ns + (gap if behind else 0)
            known = clock.time_of(x)
            if known is not None and known[1] < u:
                at, u = known
            placed.append((at, u))
        return placed
