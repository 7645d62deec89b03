"""How long a stage may take, and which kind of limit says so."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchd.rules.schema import StageRule
from benchd.vocabulary.models import LimitKind

MOST_S = 1e6
"""Seconds that an annotation may speak of; eleven days."""


def number(text: str) -> float:
    """Return the seconds that an annotation carries. Raises ValueError."""
    seconds = float(text)
    if not 0 <= seconds <= MOST_S:
        raise ValueError(f"{text!r} is not between 0 and {MOST_S:g} seconds")
    return seconds


def missing(text: str) -> tuple[int, int]:
    """Return of how many ns, and how many bytes, an annotation says that they could not be read. Raises ValueError."""
    span_ns, size = (int(part) for part in text.split(" "))
    if not (0 <= span_ns < 1 << 63 and 0 <= size < 1 << 63):
        raise ValueError(f"{text!r} is not how long and how much is missing")
    return span_ns, size


def wall_time(text: str) -> int:
    """Return the wall time (ns since 1970) that an annotation carries. Raises ValueError."""
    wall_ns = int(text)
    if not 0 < wall_ns < 1 << 63:
        raise ValueError(f"{text!r} is no time of day")
    return wall_ns


def model_name(text: str) -> str | None:
    """Return the model that an annotation names, None where it names none. Raises ValueError for what is no name."""
    if len(text) > 64 or not text.isprintable():
        raise ValueError(f"{text[:64]!a} is no name of a model")
    return text or None


@dataclass(frozen=True, slots=True)
class Limit:
    """`seconds` a stage may take; `kind` tells where that comes from, `boots` from how many good boots.

    `benches`: they are boots of machines of the same model on so many benches; 0: of this machine.
    """

    seconds: float
    kind: LimitKind
    boots: int = 0
    benches: int = 0

    @property
    def words(self) -> str:
        """Where it comes from, where that is not this machine; else nothing."""
        if not self.benches:
            return ""
        return f"learned from {self.boots} boots of this model on {self.benches} bench{'es' * (self.benches != 1)}"

    def to_label(self, stage: str) -> str:
        """Return the text that a capture carries, so that a replay judges by the same limit."""
        shared = f":{self.benches}" if self.benches else ""
        return f"{stage}={self.seconds!r}:{self.kind}:{self.boots}{shared}"

    @classmethod
    def from_label(cls, text: str) -> tuple[str, Limit]:
        """Parse `to_label` text. Raises ValueError."""
        stage, _, rest = text.rpartition("=")
        seconds, kind, boots, *benches = rest.split(":")
        limit = cls.learned(number(seconds), kind, int(boots))
        if len(benches) > 1:
            raise ValueError(f"{text[:80]!r} is no limit")
        return stage, replace(limit, benches=int(benches[0])) if benches else limit

    @classmethod
    def learned(cls, seconds: float, kind: str, boots: int) -> Limit:
        """Return a learned limit. Raises ValueError for a kind that is none."""
        if kind == "learned-normal":
            return cls(seconds, "learned-normal", boots)
        if kind in ("distribution-free", "learned-free"):  # the second in captures of before 0.2
            return cls(seconds, "distribution-free", boots)
        raise ValueError(f"unknown kind of limit {kind!r}")


def floor_of(stage: StageRule) -> float:
    """Return the least that a learned limit of this stage may come down to, in seconds.

    What the table says; else half of its limit, since who wrote that knew why the stage may take longer than on
    good days (a setup screen, a drive that spins up); else a second.
    """
    if stage.floor is not None:
        return stage.floor
    return stage.limit / 2 if stage.limit is not None else 1.0


def limit_for(stage: StageRule, learned: Limit | None) -> Limit | None:
    """Return the limit in force: a learned one (never below the stage's floor), else the explicit one."""
    if learned is not None:
        return replace(learned, seconds=max(learned.seconds, floor_of(stage)))
    if stage.limit is not None:
        return Limit(stage.limit, "explicit")
    return None
