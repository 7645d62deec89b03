"""Time as every room writes it: nanoseconds, the two clocks' anchor, durations in words, a byte's length. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache

NS = 1_000_000_000
DURATION = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(ms|s|min|h)?\s*$")
UNIT_S = {"ms": 0.001, "s": 1.0, None: 1.0, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True, slots=True)
class Anchor:
    """One instant on both clocks (ns). Wall time is a label; only this pair turns a `t_ns` into one."""

    wall_ns: int
    mono_ns: int

    def wall(self, t_ns: int) -> datetime:
        """Return the wall time of a monotonic instant, to the microsecond, in UTC."""
        total = self.wall_ns + (t_ns - self.mono_ns)
        return datetime.fromtimestamp(total // NS, UTC) + timedelta(microseconds=total % NS // 1000)

    def mono(self, moment: datetime) -> int:
        """Return a wall time (with zone) as a monotonic instant."""
        since = moment - datetime(1970, 1, 1, tzinfo=UTC)
        wall_ns = (since // timedelta(microseconds=1)) * 1000
        return self.mono_ns + wall_ns - self.wall_ns

    def iso(self, t_ns: int) -> str:
        return self.wall(t_ns).isoformat(timespec="milliseconds")


def parse_duration(value: str | int | float) -> float:
    """Parse `"90s"`, `"250ms"`, `"2min"`, `"1h"` or a number of seconds; more than 0, at most a day."""
    found = DURATION.match(str(value))
    if not found:
        raise ValueError(f"{value!r} is not a duration: write it like 90s, 250ms or 2min")
    seconds = float(found[1]) * UNIT_S[found[2]]
    if not 0 < seconds <= 86_400:
        raise ValueError(f"{value!r} must be more than 0 and at most 24 h")
    return seconds


def duration_words(seconds: float) -> str:
    """Write a duration as people say it, readable by `parse_duration`: `20 min`, `45 s`."""
    return f"{seconds / 60:g} min" if seconds >= 60 else f"{seconds:g} s"


@lru_cache(64)
def byte_time_ns(speed: float, data_bits: int = 8, parity: str = "N", stop_bits: float = 1) -> int:
    """Return the time of one byte on the line in ns: start, data, parity and stop bits at `speed` bit/s."""
    bits = 1 + data_bits + (parity != "N") + stop_bits
    return round(bits * 1_000_000_000 / speed)
