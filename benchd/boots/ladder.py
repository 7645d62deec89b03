"""The ladder: entering stages, stages that come late, and what a finished boot did without."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.boots.limits import Limit, limit_for
from benchd.boots.state import BootState, Entered
from benchd.rules.schema import RuleTable, StageRule
from benchd.vocabulary.models import Finding
from benchd.vocabulary.times import NS


@dataclass(frozen=True, slots=True)
class Step:
    """A stage that was entered, the one before it and how long that took, and findings made on the way."""

    entered: Entered
    previous: Entered | None
    previous_s: float | None
    findings: tuple[Finding, ...]


class Ladder:
    """The judge of one table's ladder. Stages after the first final one are out of the order."""

    def __init__(self, table: RuleTable, lossy: bool) -> None:
        self.table = table
        self.lossy = lossy
        finals = [i for i, stage in enumerate(table.stage) if stage.final]
        self.first_final = min(finals, default=len(table.stage))

    def ordered(self, index: int) -> bool:
        """Whether the stage has its place in the order."""
        return self.table.table.order == "ladder" and index < self.first_final and not self.table.stage[index].anytime

    def enter(self, boot: BootState, index: int, t_ns: int, u_ns: int, learned: dict[str, Limit]) -> Step | None:
        """Enter a stage, or return None if the boot has been there."""
        if boot.has(index):
            return None
        rule = self.table.stage[index]
        t_ns = max(t_ns, boot.start_ns)
        entered = Entered(rule, index, t_ns, u_ns, limit_for(rule, learned.get(rule.name)))
        late = self._late(boot, entered)
        previous = boot.enter(entered)
        slow = length = None
        if previous is not None:
            length = (t_ns - previous.t_ns) / NS
            limit = previous.limit
            if limit is not None and length > limit.seconds and not previous.slow:
                previous.slow = True
                slow = self._slow(boot, previous, t_ns, length, limit)
        return Step(entered, previous, length, tuple(f for f in (slow, late) if f is not None))

    def _slow(self, boot: BootState, stage: Entered, t_ns: int, length: float, limit: Limit) -> Finding | None:
        detail = f"took {length:.3g} s, limit {limit.seconds:.3g} s ({limit.kind})"
        name, means = stage.rule.name, stage.rule.means
        return boot.note("slow", name, t_ns, limit=limit, stage=name, means=means, detail=detail)

    def _late(self, boot: BootState, new: Entered) -> Finding | None:
        """Tell of a stage that came after one it belongs before, by more than both uncertainties."""
        name, means = new.rule.name, new.rule.means
        before = [e for e in boot.entered if e.t_ns + e.u_ns < new.t_ns - new.u_ns]
        after = [e for e in boot.entered if e.t_ns - e.u_ns > new.t_ns + new.u_ns]
        for order in self.table.order:
            for first, then in [(new, e) for e in before] + [(e, new) for e in after]:
                if (order.first, order.then) == (first.rule.name, then.rule.name):
                    detail = f"{order.first} came after {order.then}"
                    return boot.note("late", order.name, new.t_ns, stage=order.first, help_=order, detail=detail)
        if not self.ordered(new.index):
            return None
        overtaken = [e for e in before if e.index > new.index and self.ordered(e.index)]
        if overtaken:
            detail = f"{name} came after {overtaken[0].rule.name}"
            return boot.note("late", name, new.t_ns, stage=name, means=means, detail=detail)
        overtaking = [e for e in after if e.index < new.index and self.ordered(e.index)]
        if overtaking:
            other = overtaking[0].rule
            detail = f"{other.name} came after {name}"
            return boot.note("late", other.name, new.t_ns, stage=other.name, means=other.means, detail=detail)
        return None

    def missing(self, boot: BootState) -> list[StageRule]:
        """Return the stages that a finished boot should have shown and did not.

        An `expected` stage always; a plain one where it could have been seen: not `optional`, no alternative
        of its branch reached, and not known by codes alone on a card that merges fast codes.
        """
        if not boot.anchored:
            return []
        branches = {e.rule.branch for e in boot.entered if e.rule.branch}
        out = []
        for index, stage in enumerate(self.table.stage):
            if boot.has(index) or stage.final or stage.optional or stage.branch in branches:
                continue
            by_code_only = all(when.code is not None for when in stage.enter)
            if stage.expected or (index < self.first_final and not stage.anytime and not (self.lossy and by_code_only)):
                out.append(stage)
        return out
