"""What is let go to make room, and why: a rule without a clock or a disk.

Captures that can be judged by themselves go as one (`Unit`). Oldest first, and only what nobody holds on to: until
none is older than `keep_days`, all captures together have no more than `keep_gb`, and the disk has its reserve again.
For the reserve nothing goes unless one of the other two is set: who sets neither wants to keep everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

DAY_S = 86_400.0
GB = 1_000_000_000
YOUNG_S = DAY_S
"""Captures of the last day stay for the evening's work, whatever the disk has."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """What of the settings says how long captures stay; None: not set. `reserve` in bytes."""

    keep_days: float | None = None
    keep_gb: float | None = None
    reserve: int = 0

    @property
    def lets_go(self) -> bool:
        return self.keep_days is not None or self.keep_gb is not None


@dataclass(frozen=True, slots=True)
class Unit:
    """Captures of a run that can only be judged together: their bytes on the disk, and when they were written last (s).

    `held` says why they stay whatever happens, "" where nothing holds them; `boots` is how many began in them.
    """

    captures: tuple[Path, ...]
    size: int
    written_s: float
    boots: int = 0
    held: str = ""


def to_let_go(units: Iterable[Unit], keeping: Keeping, now_s: float, stored: int, free: int) -> list[tuple[Unit, str]]:
    """Return what goes now, oldest first, each with the setting that wants it; `stored` are bytes of all captures."""
    out: list[tuple[Unit, str]] = []
    if not keeping.lets_go:
        return out
    for unit in in_turn(units):
        why = _why(unit, keeping, now_s, stored, free)
        if not why:
            break
        out.append((unit, why))
        stored, free = stored - unit.size, free + unit.size
    return out


def in_turn(units: Iterable[Unit]) -> Sequence[Unit]:
    """Return what may be let go, in the order in which it would be."""
    return sorted((unit for unit in units if not unit.held), key=lambda unit: (unit.written_s, unit.captures))


def _why(unit: Unit, keeping: Keeping, now_s: float, stored: int, free: int) -> str:
    if keeping.keep_days is not None and now_s - unit.written_s > keeping.keep_days * DAY_S:
        return "bench.keep_days"
    if keeping.keep_gb is not None and stored > keeping.keep_gb * GB:
        return "bench.keep_gb"
    return "bench.reserve_gb" if free < keeping.reserve and now_s - unit.written_s > YOUNG_S else ""
