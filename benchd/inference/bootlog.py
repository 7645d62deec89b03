"""Boots as the comparison sees them: plain values, no storage. Times in seconds from the boot's start."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from benchd.errors import UsageError

T = TypeVar("T")
MAX_EVENTS = 4_000
"""Events of one boot that are looked at; later ones are cut, and said so."""
MAX_BOOTS = 20_000
MAX_TEXT = 400
MAX_STAGES = 200

FINISHED = "finished"
OUTCOMES = (FINISHED, "stalled", "looped", "cut short", "link lost")
UNKNOWN_END = frozenset({"cut short", "link lost"})
"""Outcomes that say nothing about whether the boot would have finished."""

_DIGITS = re.compile(r"[0-9]+")


@dataclass(frozen=True, slots=True)
class Event:
    """A POST code (`kind` "code", `value` its hex digits) or a console line (`kind` "line")."""

    kind: str
    value: str
    t_s: float

    def token(self) -> str:
        """What makes two events the same: the code, or the line with digits masked and spaces joined."""
        if self.kind == "code":
            return f"code {self.value.upper()}"
        return f"line {mask(self.value)}"


@dataclass(frozen=True, slots=True)
class StageMark:
    """A stage entered at `at_s`; `took_s` is None when the boot ended inside it."""

    name: str
    at_s: float
    took_s: float | None


@dataclass(frozen=True, slots=True)
class BootLog:
    """One boot. `end_s` is when it finished, or how long it was watched (then it is censored there)."""

    name: str
    outcome: str
    end_s: float
    stages: tuple[StageMark, ...] = ()
    events: tuple[Event, ...] = ()

    def __post_init__(self) -> None:
        if self.outcome not in OUTCOMES:
            raise UsageError(f"boot '{self.name}': outcome '{self.outcome}'; use one of {', '.join(OUTCOMES)}")
        if not self.end_s >= 0:
            raise UsageError(f"boot '{self.name}': ends at {self.end_s} s; give 0 or more")

    @property
    def finished(self) -> bool:
        return self.outcome == FINISHED


@dataclass(frozen=True, slots=True)
class BootGroup:
    """The boots of one trial (or one boot alone), under the name to print."""

    name: str
    boots: tuple[BootLog, ...]

    def __post_init__(self) -> None:
        if not 1 <= len(self.boots) <= MAX_BOOTS:
            raise UsageError(f"'{self.name}' has {len(self.boots)} boots; from 1 to {MAX_BOOTS} can be compared")


def mask(line: str) -> str:
    """A console line with runs of digits as `#`, spaces joined, cut at 400 characters."""
    return " ".join(_DIGITS.sub("#", line[:MAX_TEXT]).split())


def stage_marks(entries: Sequence[tuple[str, float]], end_s: float, finished: bool) -> tuple[StageMark, ...]:
    """Stage marks from (name, entered at) in order of time; the last one takes until the end if finished."""
    out = []
    for i, (name, at) in enumerate(entries):
        after = entries[i + 1][1] if i + 1 < len(entries) else (end_s if finished else None)
        out.append(StageMark(name, at, None if after is None else after - at))
    return tuple(out)


def stage_order(boots: Sequence[BootLog]) -> list[str]:
    """Stage names by the mean place at which boots enter them. Raises UsageError for more than 200."""
    places: dict[str, list[int]] = {}
    for boot in boots:
        for i, name in enumerate(dict.fromkeys(mark.name for mark in boot.stages)):
            places.setdefault(name, []).append(i)
    if len(places) > MAX_STAGES:
        raise UsageError(f"the boots have {len(places)} stages; at most {MAX_STAGES} can be compared")
    return sorted(places, key=lambda name: sum(places[name]) / len(places[name]))


def evenly(items: Sequence[T], most: int) -> list[T]:
    """At most `most` of `items`, evenly chosen."""
    number = min(most, len(items))
    return [items[i * len(items) // number] for i in range(number)]
