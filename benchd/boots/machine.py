"""The state machine of one machine's boots: the table below is what runs.

States: `idle` nothing seen yet; `running`; `stalled` a stall or silence is believed; `looping`; `finishing` the
final stage was seen; `link-lost` every link is down; `over`. Of the rows for a trigger the first whose states and
condition fit is taken: its actions in their order, then its next state. A trigger without such a row does nothing.

 1. A start mark or reset that belongs to the boot that is open moves its start, and is a sign of life.
 2. A start in a loop, after a pass that went the same way, is one pass more: unless the pass took far longer than
    the others, stood still, or belongs to another trial than the loop.
 3. Any other start closes what is open and opens a boot. A running boot is cut short by it and stays *settled*:
    if the next ones go the same way it was a pass of a loop, and only then or when they don't is it *over*. With
    a new trial begun meanwhile it is over at once.
 4. Passes that went the same way, in equal times or often and without a pause, are a loop.
 5. A sign of life opens a boot where nothing was seen yet, or after the power was seen to go off.
 6. A sign of life of a stalled or lost machine: it moved on. In a loop it ends a pause, not the loop.
 7. Silence beyond the deadline in force stalls the boot, for now; a loop that stands still ends at the next start.
 8. What stood for some seconds is settled: told as how the boot ended, until the machine moves on.
 9. The final stage, then a short wait, finishes a boot; so does whatever ends it meanwhile.
10. A stage that the loop does not have ends the loop.
11. Power off without life after it ends a boot: cut short, or as it stood.
12. With its last link lost a running boot cannot be seen any more.
13. At the end of the run a running boot is cut short; what stands stays as it is.
14. By a table that judges nothing a boot is recorded: until the next start, silence, power off, or the run's end.
    Life after silence opens the next.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from benchd.boots.deadlines import SILENCE, Deadline
from benchd.boots.ladder import Ladder
from benchd.boots.loops import Pass, RestartChain, describe, longest, same_pass, squeezed
from benchd.boots.state import BootState, boot_id
from benchd.rules.match import Hit, Matcher
from benchd.vocabulary.events import (
    BootChanged,
    BootOver,
    BootSettled,
    BootStarted,
    Event,
    FindingCleared,
    FindingRaised,
)
from benchd.vocabulary.measured import SetupDiffers
from benchd.vocabulary.models import Finding
from benchd.vocabulary.observations import Reported
from benchd.vocabulary.quick import quick
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import NS, Anchor

Phase = Literal["idle", "running", "stalled", "looping", "finishing", "link-lost", "over"]
Kind = Literal[
    "start", "repeated", "life", "silence", "settle", "final", "waited", "other-way", "off", "links-lost", "end"
]
ALERTING = {"stall", "loop", "quiet", "fault", "setup-differs"}
CLOSED = ("idle", "over")
SAME_START_NS = NS // 2
"""A start mark seen again this soon, with nothing between, is one start written twice."""
JOIN_NS = 3 * NS
"""A boot joined in the middle this short before a start mark is the same boot."""
SECOND_MARK_NS = 30 * NS
"""Another start mark of the table within this time belongs to the boot that has started."""
PASS_CODES = 4096
"""Codes of one pass that are kept to compare passes by; far more than `loops.SIGNATURE_CODES`."""
MANY_IDS = 16
"""Boot ids remembered so that none is given twice; start times go back by a line's length at most."""


@quick
@dataclass(frozen=True, slots=True)
class Trigger:
    """Something that may change the state. `began_ns`: when the line began that `t_ns` is the last character of.

    `mark` is the index of a start mark in the table, None for a reset.
    """

    kind: Kind
    t_ns: int
    u_ns: int = 0
    reason: str = ""
    mark: int | None = None
    began_ns: int | None = None
    deadline: Deadline | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One transition. `when` and `do` name methods of the machine; `to` None leaves the state to the actions."""

    rule: int
    kind: Kind
    states: tuple[Phase, ...]
    when: str | None
    do: tuple[str, ...]
    to: Phase | None


ROWS = (
    Row(1, "start", ("running", "stalled", "looping"), "belongs", ("join",), None),
    Row(2, "start", ("looping",), "same_way", ("count_pass",), "looping"),
    Row(14, "start", ("running",), "records", ("record", "open"), "running"),
    Row(14, "silence", ("running",), "records", ("record",), "over"),
    Row(14, "off", ("running",), "records", ("record",), "over"),
    Row(14, "end", ("running",), "records", ("record",), "over"),
    Row(14, "life", ("over",), "records", ("open_on_life",), "running"),
    Row(3, "start", ("running",), "new_trial", ("cut", "open"), "running"),
    Row(3, "start", ("running",), None, ("cut_by_start", "open"), "running"),
    Row(3, "start", ("finishing",), None, ("finish", "open"), "running"),
    Row(3, "start", ("idle", "stalled", "looping", "link-lost", "over"), None, ("close", "open"), "running"),
    Row(4, "repeated", ("running",), None, ("loop",), "looping"),
    Row(5, "life", ("idle",), None, ("open_on_life",), "running"),
    Row(5, "life", ("over",), "was_off", ("open_on_life",), "running"),
    Row(6, "life", ("stalled", "link-lost"), None, ("stand_down", "resume", "touch"), "running"),
    Row(6, "life", ("looping",), None, ("stand_down", "touch"), "looping"),
    Row(6, "life", ("running",), None, ("touch",), "running"),
    Row(7, "silence", ("running",), None, ("stall",), "stalled"),
    Row(7, "silence", ("looping",), None, ("stall",), "looping"),
    Row(8, "settle", ("stalled", "looping", "link-lost"), None, ("settle",), None),
    Row(9, "final", ("running", "stalled", "looping"), None, ("await_rest",), "finishing"),
    Row(9, "waited", ("finishing",), None, ("finish",), "over"),
    Row(10, "other-way", ("looping",), None, ("leave_loop",), "running"),
    Row(11, "off", ("finishing",), None, ("finish",), "over"),
    Row(11, "off", ("running",), None, ("cut",), "over"),
    Row(11, "off", ("stalled", "looping", "link-lost"), None, ("close",), "over"),
    Row(12, "links-lost", ("running",), None, ("lose",), "link-lost"),
    Row(13, "end", ("finishing",), None, ("finish",), "over"),
    Row(13, "end", ("running",), None, ("cut",), "over"),
    Row(13, "end", ("stalled", "looping", "link-lost"), None, ("resolve_chain",), None),
)

_ROWS_OF: dict[tuple[Kind, Phase], tuple[Row, ...]] = {
    (kind, phase): tuple(row for row in ROWS if row.kind == kind and phase in row.states)
    for kind in get_args(Kind)
    for phase in get_args(Phase)
}
TOUCHED = frozenset(
    phase
    for phase in get_args(Phase)
    if [(row.when, row.do, row.to) for row in _ROWS_OF["life", phase]] == [(None, ("touch",), phase)]
)
"""States in which a sign of life does nothing but move `BootState.last_ns` on."""


class BootMachine:
    """The open boot of one machine and what becomes of it. `fire` a trigger; events gather in `out`."""

    def __init__(self, machine: str, matcher: Matcher, links: Sequence[LinkInfo], anchor: Anchor) -> None:
        self.machine = machine
        self.anchor = anchor
        """What boots to come are labelled by; one that is open keeps the one it was told with."""
        self.links = {link.name: link.kind for link in links}
        self.links_down: set[str] = set()
        self.ladder = Ladder(matcher.table, links)
        self.table = matcher.table
        self.phase: Phase = "idle"
        self.boot: BootState | None = None
        self.trial: str | None = None
        self.model_name: str | None = None
        self.power_seen_off = False
        self.off_ns: int | None = None
        """When the power seemed to go off; it did if no life follows."""
        self.went_off_ns: int | None = None
        """Since when the power is off, where it was seen to go."""
        self.unread = False
        """Whether, since the last boot, part of the capture could not be read."""
        self.settle_ns: int | None = None
        self.since_start = 0
        """Codes and lines since the last start mark."""
        self.pass_codes: deque[int] = deque(maxlen=PASS_CODES)
        self.out: list[Event] = []
        self._pass_start_ns = 0
        self._chain = RestartChain()
        self._loop_pass: Pass | None = None
        self._loop_finding: Finding | None = None
        self._loop_passes = 0
        self._longest_ns = 0
        """What a pass of the loop may take at most."""
        self._ids: dict[str, int] = {}

    def use(self, matcher: Matcher) -> None:
        """Judge by another table from now on; only between boots."""
        assert self.phase in CLOSED, "a table is changed between boots"
        self.table = matcher.table
        self.ladder = self.ladder.by(self.table)

    def doubt_end(self, hits: Sequence[Hit]) -> None:
        """After what could not be read a stage may be of a boot that began there: so what was before is not known."""
        if self.unread and self.phase == "over" and any(hit.role == "stage" for hit in hits):
            self.phase = "idle"

    def fire(self, trigger: Trigger) -> int:
        """Take the first row that fits; return the number of its rule, 0 if there is none."""
        for row in _ROWS_OF[trigger.kind, self.phase]:
            if row.when is not None and not getattr(self, f"_{row.when}")(trigger):
                continue
            for action in row.do:
                getattr(self, f"_{action}")(trigger)
            if row.to is not None:
                self.phase = row.to
            if trigger.kind == "start" and self._chain.looping:
                self.fire(replace(trigger, kind="repeated"))
            return row.rule
        return 0

    @property
    def open_boot(self) -> BootState:
        assert self.boot is not None
        return self.boot

    # ------------------------------------------------------------------ conditions

    def _belongs(self, at: Trigger) -> bool:
        """Whether a start mark belongs to the boot that is already open."""
        boot = self.open_boot
        if boot.codes == 0 and boot.lines == 0:
            return True  # a boot known by power or reset only, so far
        if not boot.anchored:
            return not boot.entered or at.t_ns - boot.start_ns < JOIN_NS
        if at.mark is None or at.mark not in boot.fired_starts:
            quick = at.t_ns - boot.start_ns < (SECOND_MARK_NS if at.mark is not None else SAME_START_NS)
            return quick and self.phase == "running"
        return self.since_start == 0 and at.t_ns - self._pass_start_ns < SAME_START_NS

    def _same_way(self, at: Trigger) -> bool:
        assert self._loop_pass is not None
        done = self._this_pass(at.t_ns)
        if self._new_trial(at) or done.boot.stalled is not None or done.length_ns > self._longest_ns:
            return False
        return same_pass(self._loop_pass, done) or self._loop_pass.codes == done.codes

    def _new_trial(self, at: Trigger) -> bool:
        """Whether the open boot is of another trial than a boot that starts now."""
        return self.open_boot.trial != self.trial

    def _records(self, at: Trigger) -> bool:
        return not self.table.table.judges

    def _was_off(self, at: Trigger) -> bool:
        return self.power_seen_off

    # ------------------------------------------------------------------ opening and closing

    def _join(self, at: Trigger) -> None:
        boot = self.open_boot
        moved = not boot.anchored
        if moved:
            boot.move_start(at.t_ns, at.u_ns, at.reason)
        self.fire(Trigger("life", at.t_ns, at.u_ns))
        if moved:
            self.changed(at.t_ns)
        if at.mark is not None:
            boot.fired_starts.add(at.mark)

    def _open(self, at: Trigger, anchored: bool = True) -> None:
        boot = BootState(
            id=self._new_id(at.t_ns),
            machine=self.machine,
            table=self.table.name,
            trial=self.trial,
            of_model=self.model_name,
            start_ns=at.t_ns,
            start_u_ns=at.u_ns,
            start_reason=at.reason,
            anchored=anchored,
            anchor=self.anchor,
            last_ns=at.t_ns,
            off_ns=None if self.went_off_ns is None else max(0, at.t_ns - self.went_off_ns),
        )
        for link in sorted(self.links_down):
            boot.lose_sight(link, at.t_ns, "down")
        if at.mark is not None:
            boot.fired_starts.add(at.mark)
        self.boot = boot
        self._pass_start_ns, self.since_start = at.t_ns, 0
        self.pass_codes.clear()
        self.settle_ns = self._loop_pass = self._loop_finding = None
        self.power_seen_off, self.off_ns, self.went_off_ns = False, None, None
        self.unread = False
        self.out.append(BootStarted(self.machine, at.t_ns, boot.model()))

    def _open_on_life(self, at: Trigger) -> None:
        off = self.power_seen_off
        reason = "first sign of life" + (" after power-off" if off else "")
        t_ns = at.t_ns if off or at.began_ns is None else at.began_ns
        missed = self.unread
        self._open(replace(at, t_ns=t_ns, reason=reason), anchored=off or not self.table.boot.starts)
        if missed:  # its beginning may be in what could not be read
            self.open_boot.miss(self.links.keys() - self.links_down, t_ns, t_ns)

    def _new_id(self, t_ns: int) -> str:
        """Return an id for a boot; the second within the same millisecond gets "-2"."""
        base = boot_id(self.machine, self.anchor, t_ns)
        count = self._ids.pop(base, 0) + 1
        self._ids[base] = count
        if len(self._ids) > MANY_IDS:
            del self._ids[next(iter(self._ids))]
        return base if count == 1 else f"{base}-{count}"

    def _touch(self, at: Trigger) -> None:
        boot = self.open_boot
        boot.last_ns = max(boot.last_ns, at.t_ns)

    def _record(self, at: Trigger) -> None:
        self.open_boot.outcome = "recorded"
        self._close(at)

    def _cut(self, at: Trigger) -> None:
        self.open_boot.outcome = "cut-short"
        self._close(at)

    def _close(self, at: Trigger) -> None:
        """End the open boot, if one is; a stall, loop or lost link that stands stays its outcome."""
        self._resolve_chain(at)
        boot = self.boot
        if boot is None or self.phase in CLOSED:
            return
        boot.ended_ns, boot.stalled, self.off_ns = at.t_ns, None, None
        self._over(boot, at.t_ns)

    def _finish(self, at: Trigger) -> None:
        boot = self.open_boot
        for stage in self.ladder.missing(boot):
            means = stage.means or f"The boot finished without the stage {stage.name!r}."
            finding = boot.note("skipped", stage.name, boot.finish_ns or at.t_ns, stage=stage.name, means=means)
            self.raise_finding(finding, at.t_ns)
        boot.outcome, boot.ended_ns, self.off_ns = "finished", boot.finish_ns, None
        self._over(boot, at.t_ns)

    def _await_rest(self, at: Trigger) -> None:
        """Console lines may still be unfinished: "finished without" is judged a little later."""
        self._resolve_chain(at)
        self.open_boot.finish_ns = at.t_ns
        self.settle_ns = None

    def _over(self, boot: BootState, t_ns: int) -> None:
        self.out.append(BootOver(self.machine, t_ns, boot.model()))

    # ------------------------------------------------------------------ loops

    def _this_pass(self, t_ns: int) -> Pass:
        boot = self.open_boot
        stages = tuple(e.rule.name for e in boot.entered)
        length_ns, quiet_ns = t_ns - self._pass_start_ns, t_ns - max(boot.last_ns, self._pass_start_ns)
        return Pass(boot, self._pass_start_ns, length_ns, squeezed(self.pass_codes), stages, quiet_ns)

    def _cut_by_start(self, at: Trigger) -> None:
        boot = self.open_boot
        for done in self._chain.add(self._this_pass(at.t_ns)):
            self._over(done.boot, at.t_ns)
        boot.outcome, boot.ended_ns = "cut-short", at.t_ns
        self.out.append(BootSettled(self.machine, at.t_ns, boot.model()))

    def _resolve_chain(self, at: Trigger) -> None:
        """Boots cut short by the next one's start were no passes of a loop: they are over."""
        for done in self._chain.clear():
            self._over(done.boot, at.t_ns)

    def _loop(self, at: Trigger) -> None:
        boot = self.open_boot
        passes = self._chain.clear()
        last = passes[-1]
        self._loop_pass, self._loop_passes, self._longest_ns = last, len(passes), longest(passes)
        for done in passes:
            done.boot.outcome, done.boot.passes_of = "looped", boot.id
            self._over(done.boot, at.t_ns)
        boot.outcome, self.settle_ns = "looped", at.t_ns
        self._loop_finding = boot.note(
            "loop",
            "restart-loop",
            at.t_ns,
            stage=last.stages[-1] if last.stages else None,
            means="The machine starts over at the same place again and again.",
            detail=describe(last, len(passes)),
        )
        self.raise_finding(self._loop_finding, at.t_ns)

    def _count_pass(self, at: Trigger) -> None:
        boot, done = self.open_boot, self._this_pass(at.t_ns)
        if at.mark is not None:
            boot.fired_starts.add(at.mark)
        self._loop_passes += 1
        self._pass_start_ns, self.since_start = at.t_ns, 0
        self.pass_codes.clear()
        self._touch(at)
        if self._loop_finding is not None:
            told = self._loop_finding.model_copy(update={"detail": describe(done, self._loop_passes)})
            boot.replace(self._loop_finding, told)
            self._loop_finding = told
        if self._loop_passes & (self._loop_passes - 1) == 0:
            # at powers of two only: a tight loop must not flood the store
            self.changed(at.t_ns)

    def _leave_loop(self, at: Trigger) -> None:
        boot, finding = self.open_boot, self._loop_finding
        boot.outcome, self.settle_ns = "running", None
        if finding is not None:
            cleared = boot.clear(finding, at.t_ns)
            stood_s = boot.seconds(at.t_ns) - finding.t
            self.out.append(FindingCleared(self.machine, at.t_ns, boot.id, cleared, stood_s))
        self._loop_pass = self._loop_finding = None

    def stage_entered(self, name: str, t_ns: int, final: bool) -> None:
        """A boot was seen in a stage: it may finish, leave its loop, or prove that the boots before were none."""
        at = Trigger("final" if final else "other-way", t_ns)
        if self._loop_pass is not None and name not in self._loop_pass.stages:
            self.fire(replace(at, kind="other-way"))
        if self._chain.goes_elsewhere(name):
            self._resolve_chain(at)
        if final:
            self.fire(at)

    # ------------------------------------------------------------------ standing still, and what is told

    def _stall(self, at: Trigger) -> None:
        boot = self.open_boot
        assert at.deadline is not None
        rule, limit = at.deadline.stall, at.deadline.limit
        if rule is not None:
            finding = boot.note("stall", rule.name, at.t_ns, limit=limit, help_=rule, detail=_heard(boot, at.t_ns))
        else:
            kind, name, means = SILENCE[at.deadline.what]
            finding = boot.note(kind, name, at.t_ns, limit=limit, means=means, detail=_heard(boot, at.t_ns))
        boot.stalled, boot.stalled_ns = finding, at.t_ns
        if self.phase == "running":
            boot.outcome, self.settle_ns = "stalled", at.t_ns
        self.raise_finding(finding, at.t_ns)

    def _stand_down(self, at: Trigger) -> None:
        """Clear the finding that stands, if one does."""
        boot = self.open_boot
        if boot.stalled is None:
            return
        stood = max(0, at.t_ns - boot.stalled_ns) / NS
        cleared = boot.clear(boot.stalled, max(at.t_ns, boot.stalled_ns))
        boot.stalled = None
        self.out.append(FindingCleared(self.machine, at.t_ns, boot.id, cleared, stood))

    def _resume(self, at: Trigger) -> None:
        self.open_boot.outcome, self.settle_ns = "running", None
        self.changed(at.t_ns)

    def _lose(self, at: Trigger) -> None:
        self.open_boot.outcome, self.settle_ns = "link-lost", at.t_ns
        self.changed(at.t_ns)

    def _settle(self, at: Trigger) -> None:
        self.settle_ns = None
        self.out.append(BootSettled(self.machine, at.t_ns, self.open_boot.model()))

    def report(self, seen: Reported) -> None:
        """A report has grown: it is the boot's, also after the boot's end, and told when it ends or stops."""
        boot = self.boot
        if boot is None:
            return
        told = boot.report(seen)
        boot.untold_ns = seen.t_ns
        if told or seen.ended:
            self.changed(seen.t_ns)

    def differs(self, t_ns: int, found: SetupDiffers) -> None:
        """A boot's report contradicts what was declared of its trial; word of it comes a little later."""
        boot = self.boot
        if boot is not None and boot.id == found.boot:
            rule, means, detail = found.factor, found.means, found.detail
            self.raise_finding(boot.note("setup-differs", rule, t_ns, means=means, detail=detail), t_ns)

    def changed(self, t_ns: int) -> None:
        """Tell of the open boot's record as it is now."""
        self.open_boot.untold_ns = None
        self.out.append(BootChanged(self.machine, t_ns, self.open_boot.model()))

    def raise_finding(self, finding: Finding | None, t_ns: int) -> None:
        """Tell of a finding that `BootState.note` made; None says that it made none."""
        if finding is not None:
            self.out.append(FindingRaised(self.machine, t_ns, self.open_boot.id, finding, finding.kind in ALERTING))
            self.changed(t_ns)


def _heard(boot: BootState, t_ns: int) -> str | None:
    """Say so where it was not silent: what came only repeated."""
    if boot.again_ns is None or boot.last_ns <= boot.alive_ns:
        return None
    return f"not silent, but nothing new for {(t_ns - boot.again_ns) / NS:.3g} s: what comes only repeats"
