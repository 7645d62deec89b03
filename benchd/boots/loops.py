"""Loops: boots that start over at the same place again and again, and codes that repeat within one boot.

A machine that resets itself does so in the same time again and again, or out of its work. A person looks at what
stands still, and presses at odd times: those restarts are boots. Common practice, no source; the numbers are ours.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher

from benchd.boots.state import BootState, shown
from benchd.rules.schema import LoopRule
from benchd.vocabulary.times import NS

ALIKE = 0.8
"""Share of equal codes from which two passes are the same: a slow card loses some."""
SIGNATURE_CODES = 64
PASSES_REGULAR = 3
"""So many passes in a row of one length are a loop."""
REGULAR_NS = NS // 20
REGULAR_PART = 0.01
"""Lengths that differ by less than these (the larger of them) are one: a finger on a switch is less regular."""
PASSES_IRREGULAR = 5
BRISK_NS = NS
"""So many passes at odd times are a loop where each restart came this soon after the last sign of life."""
BEYOND_NS = NS
BEYOND_PART = 0.1
"""A pass this much longer than the loop's longest (both added) is none: somebody was at the switch meanwhile."""


@dataclass(frozen=True, slots=True)
class Pass:
    """One way through: its start and length (ns), its codes without immediate repeats, its stages.

    `quiet_ns`: how long there was no sign of life at its end.
    """

    boot: BootState
    start_ns: int
    length_ns: int
    codes: tuple[int, ...]
    stages: tuple[str, ...]
    quiet_ns: int = 0

    @property
    def brisk(self) -> bool:
        """Whether the restart came out of the machine's work."""
        return self.quiet_ns <= BRISK_NS


def squeezed(codes: Iterable[int]) -> tuple[int, ...]:
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


def regular(passes: Sequence[Pass]) -> bool:
    """Whether passes are all of one length."""
    lengths = [done.length_ns for done in passes]
    return max(lengths) - min(lengths) <= max(REGULAR_NS, REGULAR_PART * max(lengths))


@dataclass(slots=True)
class RestartChain:
    """The unfinished boots in a row that may turn out to be passes of one loop, each ended by the next one's start."""

    passes: list[Pass] = field(default_factory=list)

    def add(self, done: Pass) -> list[Pass]:
        """Take in a pass that ended by a restart; one that can be of no loop with those before begins a new chain.

        Return those that are in the chain no more.
        """
        gone = self.clear() if self.passes and not self._goes_on(done) else []
        self.passes.append(done)
        if len(self.passes) >= PASSES_IRREGULAR and not self.looping:
            gone.append(self.passes.pop(0))
        return gone

    def _goes_on(self, done: Pass) -> bool:
        last = self.passes[-1]
        return same_pass(last, done) and ((last.brisk and done.brisk) or regular((last, done)))

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
        if len(self.passes) >= PASSES_REGULAR and regular(self.passes[-PASSES_REGULAR:]):
            return True
        return len(self.passes) >= PASSES_IRREGULAR and all(done.brisk for done in self.passes)


def longest(passes: Sequence[Pass]) -> int:
    """Return the most (ns) that a further pass of the loop may take."""
    return round(max(done.length_ns for done in passes) * (1 + BEYOND_PART)) + BEYOND_NS


def describe(done: Pass, passes: int) -> str:
    """Return the repeated sequence and its period in words."""
    codes = " ".join(shown(c) for c in done.codes[:16]) + (" ..." if len(done.codes) > 16 else "")
    return f"{codes or 'no codes'}, every {done.length_ns / NS:.3g} s, {passes} passes seen"


def may_close(value: int, rule: LoopRule) -> bool:
    """Whether the rule's codes, so many times over, may end with this one."""
    return value in rule.codes[-1]


def repeated(recent: Sequence[int], rule: LoopRule) -> bool:
    """Whether the latest codes are the rule's codes, `times` times over."""
    length = len(rule.codes)
    need = length * rule.times
    if len(recent) < need or not may_close(recent[-1], rule):
        return False
    tail = list(recent)[-need:]
    return all(value in rule.codes[i % length] for i, value in enumerate(tail))
