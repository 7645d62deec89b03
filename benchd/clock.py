"""The clocks of this computer, handed in where time is needed; and waits between tries. Pure rooms know neither."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """What a live room may ask of time. Tests hand in one that they turn by hand."""

    def monotonic_ns(self) -> int:
        """Return the instant on the clock that durations are taken from (ns)."""

    def time_ns(self) -> int:
        """Return wall time (ns since 1970): a label."""


class SystemClock:
    """The real clocks."""

    monotonic_ns = staticmethod(time.monotonic_ns)
    time_ns = staticmethod(time.time_ns)


SYSTEM = SystemClock()


def wall_of(t_ns: int, clock: Clock = SYSTEM) -> datetime:
    """Return the wall time, with zone, of an instant on the monotonic clock. A label only."""
    return datetime.fromtimestamp((clock.time_ns() - clock.monotonic_ns() + t_ns) / 1e9).astimezone()


Wall = Callable[[int], datetime]
"""From an instant on the monotonic clock (ns) to wall time with zone."""


def stamp(at: datetime) -> str:
    """Return a wall time as messages write it: ISO 8601 to the millisecond, with zone."""
    return at.isoformat(timespec="milliseconds")


class Backoff:
    """Waits between tries: full jitter below an exponentially growing cap.

    Source: "full jitter" as commonly practised for reconnects; the cap keeps recovery prompt.
    """

    def __init__(self, first_s: float = 0.5, cap_s: float = 30.0, rng: random.Random | None = None) -> None:
        self.first_s = first_s
        self.cap_s = cap_s
        self.tries = 0
        self._rng = rng or random.Random()

    def next_s(self) -> float:
        """Return how long to wait before the next try, in seconds."""
        top = min(self.cap_s, self.first_s * 2 ** min(self.tries, 32))
        self.tries += 1
        return self._rng.uniform(top / 10, top)

    def reset(self) -> None:
        self.tries = 0
