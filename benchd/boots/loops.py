"""Loops: boots that start over at the same place again and again, and codes that repeat within one boot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher

from benchd.boots.state import BootState, shown
from benchd.rules.schema import LoopRule
from benchd.vocabulary.times import NS

ALIKE = 0.8
"""Share of equal codes from which two passes are the same: a slow card loses some."""
SIGNATURE_CODES = 64
PERIOD_SPREAD = 0.25
"""Two passes suffice if their lengths differ by less than this; a person's finger on reset is less regular."""
PASSES_IRREGULAR = 3


@dataclass(frozen=True, slots=True)
class Pass:
    """One way through: its start and length (ns), its codes without immediate repeats, its stages."""

    boot: BootState
    start_ns: int
    length_ns: int
    codes: tuple[int, ...]
    stages: tuple[str, ...]


def squeezed(codes: Sequence[int]) -> tuple[int, ...]:
    """Return the first codes with immediate repeats taken out."""
    out: list[int] = []
    for code in codes:
        if not out or out[-1] != code:
            out.append(code)
        if len(out) >= SIGNATURE_CODES:
            break
    return tuple(out)


def same_pass(a: Pass, b: Pass) -> bool:
    """Whether two passes went the same way."""
    if a.stages != b.stages:
        return False
    return a.codes == b.codes or SequenceMatcher(None, a.codes, b.codes, autojunk=False).ratio() >= ALIKE


@dataclass(slots=True)
class RestartChain:
    """The unfinished boots in a row that each ended by the next one's start."""

    passes: list[Pass] = field(default_factory=list)

    def add(self, done: Pass) -> list[Pass]:
        """Take in a pass that ended by a restart; one that went another way begins a new chain.

        Return those that are in the chain no more.
        """
        gone = self.clear() if self.passes and not same_pass(self.passes[-1], done) else []
        self.passes.append(done)
        return gone

    def clear(self) -> list[Pass]:
        """Forget the passes and return them."""
        gone, self.passes = self.passes, []
        return gone

    def goes_elsewhere(self, stage: str) -> bool:
        """Whether a boot that reaches this stage cannot be another pass of the same."""
        return bool(self.passes) and stage not in self.passes[-1].stages

    @property
    def looping(self) -> bool:
        """Whether the passes so far are a loop."""
        if len(self.passes) >= PASSES_IRREGULAR:
            return True
        if len(self.passes) < 2:
            return False
        a, b = (p.length_ns for p in self.passes[-2:])
        return abs(a - b) <= PERIOD_SPREAD * max(a, b)


def describe(done: Pass, passes: int) -> str:
    """Return the repeated sequence and its period in words."""
    codes = " ".join(shown(c) for c in done.codes[:16]) + (" ..." if len(done.codes) > 16 else "")
    return f"{codes or 'no codes'}, every {done.length_ns / NS:.3g} s, {passes} passes seen"


def repeated(recent: Sequence[int], rule: LoopRule) -> bool:
    """Whether the latest codes are the rule's codes, `times` times over."""
    length = len(rule.codes)
    need = length * rule.times
    if len(recent) < need:
        return False
    tail = list(recent)[-need:]
    return all(value in rule.codes[i % length] for i, value in enumerate(tail))
