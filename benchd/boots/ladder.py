"""The ladder: entering stages, stages that come late, and what a finished boot did without."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.boots.limits import Limit, limit_for
from benchd.boots.state import BootState, Entered
from benchd.rules.schema import RuleTable, StageRule
from benchd.vocabulary.models import Finding
from benchd.vocabulary.records import LinkInfo
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

    def __init__(self, table: RuleTable, links: Sequence[LinkInfo], learned: dict[str, Limit] | None = None) -> None:
        self.table = table
        self.links = links
        self.lossy = any(link.lossy for link in links if link.kind == "post")
        self.learned: dict[str, Limit] = {} if learned is None else learned
        finals = [i for i, stage in enumerate(table.stage) if stage.final]
        self.first_final = min(finals, default=len(table.stage))

    def by(self, table: RuleTable) -> Ladder:
        """Return the judge of another table, with the limits learned so far."""
        return Ladder(table, self.links, self.learned)

    def ordered(self, index: int) -> bool:
        """Whether the stage has its place in the order."""
        return self.table.table.order == "ladder" and index < self.first_final and not self.table.stage[index].anytime

    def enter(self, boot: BootState, index: int, t_ns: int, u_ns: int) -> Step | None:
        """Enter a stage, or return None if the boot has been there."""
        if boot.has(index):
            return None
        rule = self.table.stage[index]
        t_ns = max(t_ns, boot.start_ns)
        entered = Entered(rule, index, t_ns, u_ns, limit_for(rule, self.learned.get(rule.name)))
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
        came = [(e, new) for e in boot.entered if e.t_ns + e.u_ns < new.t_ns - new.u_ns]
        came += [(new, e) for e in boot.entered if e.t_ns - e.u_ns > new.t_ns + new.u_ns]
        names = {(early.rule.name, late.rule.name) for early, late in came}
        for order in self.table.order:
            if (order.then, order.first) in names:
                detail = f"{order.first} came after {order.then}"
                return boot.note("late", order.name, new.t_ns, stage=order.first, help_=order, detail=detail)
        for early, late in came:
            if late.index < early.index and self.ordered(late.index) and self.ordered(early.index):
                rule, detail = late.rule, f"{late.rule.name} came after {early.rule.name}"
                return boot.note("late", rule.name, new.t_ns, stage=rule.name, means=rule.means, detail=detail)
        return None

    def missing(self, boot: BootState) -> list[StageRule]:
        """Return the stages that a finished boot should have shown and did not.

        An `expected` stage always; a plain one where it could have been seen: not `optional`, no alternative
        of its branch reached, and not known by codes alone on a card that merges fast codes. Never one that may
        have come on a link while that was not seen.
        """
        if not boot.anchored:
            return []
        branches = {e.rule.branch for e in boot.entered if e.rule.branch}
        unseen = {span.link for span in boot.blind}
        blind = {link.kind for link in self.links if link.name in unseen}
        return [
            stage
            for index, stage in enumerate(self.table.stage)
            if not (boot.has(index) or stage.final or stage.optional or stage.branch in branches)
            and (stage.expected or self._plain(index, stage))
            and not blind & shown_on(stage)
        ]

    def _plain(self, index: int, stage: StageRule) -> bool:
        by_code_only = shown_on(stage) == {"post"}
        return index < self.first_final and not stage.anytime and not (self.lossy and by_code_only)


def shown_on(stage: StageRule) -> set[str]:
    """Return the kinds of link on which a stage can be seen: "post" for codes, "console" for text."""
    return {"console" if when.code is None else "post" for when in stage.enter}
