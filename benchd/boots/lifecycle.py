"""Where a boot starts and ends: opening, closing, restarting, looping, standing still and coming back.

The transitions are numbered in `tracker.py`.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchd.boots.deadlines import Deadline
from benchd.boots.ladder import Ladder
from benchd.boots.limits import Limit
from benchd.boots.loops import Pass, RestartChain, describe, same_pass, squeezed
from benchd.boots.state import BootState, boot_id
from benchd.rules.match import Hit, Matcher
from benchd.vocabulary.events import BootChanged, BootEnded, BootStarted, Event, FindingCleared, FindingRaised
from benchd.vocabulary.models import Finding, Outcome
from benchd.vocabulary.records import LinkInfo
from benchd.vocabulary.times import NS, Anchor

ALERTING = {"stall", "loop", "quiet", "fault"}
SAME_START_NS = NS // 2
"""A start mark seen again this soon, with nothing between, is one start written twice."""
JOIN_NS = 3 * NS
"""A boot joined in the middle this short before a start mark is the same boot."""
SECOND_MARK_NS = 30 * NS
"""Another start mark of the table within this time belongs to the boot that has started."""
MANY_IDS = 16
"""Boot ids remembered so that none is given twice; start times go back by a line's length at most."""
OPEN = ("running", "standing", "looping", "finishing", "adrift")


class Lifecycle:
    """The open boot of one machine and what becomes of it; `BootTracker` adds what is seen."""

    def __init__(self, machine: str, matcher: Matcher, links: Sequence[LinkInfo], anchor: Anchor) -> None:
        self.machine = machine
        self.matcher = matcher
        self.table = matcher.table
        self.anchor = anchor
        self.ladder = Ladder(self.table, lossy=any(link.lossy for link in links if link.kind == "post"))
        self.phase = "idle"
        self.boot: BootState | None = None
        self.trial: str | None = None
        self._ids: dict[str, int] = {}
        self._links_down: set[str] = set()
        self._links = {link.name for link in links}
        self._learned: dict[str, Limit] = {}
        self._chain = RestartChain()
        self._loop_pass: Pass | None = None
        self._loop_finding: Finding | None = None
        self._loop_passes = 0
        self._pass_codes: list[int] = []
        self._pass_start_ns = 0
        self._off_ns: int | None = None
        self._power_seen_off = False
        self._floating = 0
        self._line_fired: dict[str, tuple[int, set[Hit]]] = {}
        self._line_text: dict[str, tuple[int, str]] = {}
        self._since_start = 0
        self._settle_ns: int | None = None
        self._out: list[Event] = []
        self.judged = 0
        """Deadlines that fell so far."""
        self._now = -(1 << 62)

    def use(self, matcher: Matcher) -> None:
        """Judge by another table from now on; only between boots."""
        assert self.phase in ("idle", "over"), "a table is changed between boots"
        self.matcher, self.table = matcher, matcher.table
        self.ladder = Ladder(self.table, self.ladder.lossy)

    def _starts(self, hits: Sequence[Hit], t_ns: int, u_ns: int, reason: str) -> bool:
        """Start a boot if one of the hits is a start mark that means so; say whether it did."""
        for hit in hits:
            if hit.role == "start":
                return self._start(t_ns, u_ns, reason, hit.index)
        return False

    def _absorbs(self, t_ns: int, mark: int | None) -> bool:
        """Whether a start mark belongs to the boot that is already open."""
        boot = self.boot
        if boot is None or self.phase not in ("running", "standing", "looping"):
            return False
        if boot.codes == 0 and boot.lines == 0:
            return True  # a boot known by power or reset only, so far
        if not boot.anchored:
            return not boot.entered or t_ns - boot.start_ns < JOIN_NS
        if mark is None or mark not in boot.fired_starts:
            quick = t_ns - boot.start_ns < (SECOND_MARK_NS if mark is not None else SAME_START_NS)
            return quick and self.phase == "running"
        return self._since_start == 0 and t_ns - self._pass_start_ns < SAME_START_NS

    def _start(self, t_ns: int, u_ns: int, reason: str, mark: int | None) -> bool:
        """Handle a start mark (`mark` its index in the table) or a reset (None); transitions 1, 2 and 3."""
        if self._off_ns is not None and t_ns >= self._off_ns:
            self._power_gone()
        self._off_ns = None
        if self._absorbs(t_ns, mark):
            boot = self.boot
            assert boot is not None
            moved = not boot.anchored
            if moved:
                boot.move_start(t_ns, u_ns, reason)
            self._life(t_ns, u_ns)
            if moved:
                self._changed(t_ns)
            if mark is not None:
                boot.fired_starts.add(mark)
            return False
        if self.phase == "looping" and self._counts_pass(t_ns):
            if mark is not None and self.boot is not None:
                self.boot.fired_starts.add(mark)
            return True
        if self.boot is not None and self.phase in OPEN:
            self._restarted(t_ns)
        else:
            self._chain.clear()
        self._open(t_ns, u_ns, reason, anchored=True)
        if mark is not None and self.boot is not None:
            self.boot.fired_starts.add(mark)
        if self._chain.looping:
            self._loop(t_ns)
        return True

    def _this_pass(self, t_ns: int) -> Pass:
        boot = self.boot
        assert boot is not None
        stages = tuple(e.rule.name for e in boot.entered)
        return Pass(boot, self._pass_start_ns, t_ns - self._pass_start_ns, squeezed(self._pass_codes), stages)

    def _restarted(self, t_ns: int) -> None:
        """End the open boot because another starts."""
        if self.phase == "finishing":
            self._finish(t_ns)
            self._chain.clear()
            return
        if self.phase == "running":
            self._chain.add(self._this_pass(t_ns))
        else:
            self._chain.clear()
        self._close(t_ns, "cut-short")

    def _loop(self, t_ns: int) -> None:  # transition 2
        boot = self.boot
        assert boot is not None
        passes = self._chain.passes
        self._loop_pass, self._loop_passes = passes[-1], len(passes)
        for done in passes:
            done.boot.outcome, done.boot.passes_of = "looped", boot.id
            self._out.append(BootChanged(self.machine, t_ns, done.boot.model(self.anchor)))
        means = "The machine starts over at the same place again and again."
        stage = passes[-1].stages[-1] if passes[-1].stages else None
        finding = boot.note(
            "loop", "restart-loop", t_ns, stage=stage, means=means, detail=describe(passes[-1], len(passes))
        )
        self.phase, boot.outcome = "looping", "looped"
        self._settle_ns = t_ns
        self._loop_finding = finding
        if finding is not None:
            self._raise(finding, t_ns)

    def _counts_pass(self, t_ns: int) -> bool:
        """Transition 3: count another pass of the loop; False if it went another way."""
        done = self._this_pass(t_ns)
        boot = self.boot
        assert boot is not None and self._loop_pass is not None
        if not same_pass(self._loop_pass, done) and self._loop_pass.codes != done.codes:
            return False
        self._loop_passes += 1
        self._pass_codes, self._pass_start_ns, self._since_start = [], t_ns, 0
        self._stand_down(t_ns)
        boot.last_ns = max(boot.last_ns, t_ns)
        finding = self._loop_finding
        if finding is not None:
            detail = describe(done, self._loop_passes)
            updated = finding.model_copy(update={"detail": detail})
            boot.replace(finding, updated)
            self._loop_finding = updated
        if self._loop_passes & (self._loop_passes - 1) == 0:
            # at powers of two only: a tight loop must not flood the store
            self._changed(t_ns)
        return True

    def _open(self, t_ns: int, u_ns: int, reason: str, *, anchored: bool) -> None:
        self.boot = BootState(
            id=self._new_id(t_ns),
            machine=self.machine,
            table=self.table.name,
            trial=self.trial,
            start_ns=t_ns,
            start_u_ns=u_ns,
            start_reason=reason,
            anchored=anchored,
            last_ns=t_ns,
        )
        self.phase = "running"
        self._pass_codes, self._pass_start_ns, self._since_start = [], t_ns, 0
        self._settle_ns, self._loop_pass, self._loop_finding, self._off_ns = None, None, None, None
        self._out.append(BootStarted(self.machine, t_ns, self.boot.model(self.anchor)))

    def _new_id(self, t_ns: int) -> str:
        """Return an id for a boot; the second within the same millisecond gets "-2"."""
        base = boot_id(self.machine, self.anchor, t_ns)
        count = self._ids.pop(base, 0) + 1
        self._ids[base] = count
        if len(self._ids) > MANY_IDS:
            del self._ids[next(iter(self._ids))]
        return base if count == 1 else f"{base}-{count}"

    def _life(self, t_ns: int, u_ns: int, began_ns: int | None = None) -> None:
        """A sign of life that is not a start: transitions 4 and 6, and back from adrift.

        `began_ns`: when the first character came, of a line that `t_ns` is the last of.
        """
        boot = self.boot
        if self.phase == "idle" or (self.phase == "over" and self._power_seen_off):
            reason = "first sign of life" + (" after power-off" if self._power_seen_off else "")
            anchored = self._power_seen_off or not self.table.boot.starts
            if began_ns is not None and not self._power_seen_off:
                t_ns = began_ns
            self._power_seen_off = False
            self._open(t_ns, u_ns, reason, anchored=anchored)
            return
        if boot is None:
            return
        if self._off_ns is not None and t_ns >= self._off_ns:
            self._off_ns, self._power_seen_off = None, False  # only DTR was dropped: the target lives
        if self.phase in ("standing", "adrift"):
            self._stand_down(t_ns)
            self.phase, boot.outcome, self._settle_ns = "running", "running", None
            self._changed(t_ns)
        elif self.phase == "looping":
            self._stand_down(t_ns)
        if self.phase in ("running", "looping"):
            boot.last_ns = max(boot.last_ns, t_ns)

    def _stand_down(self, t_ns: int) -> None:
        """Clear the finding that stands, if one does."""
        boot = self.boot
        if boot is None or boot.standing is None:
            return
        stood = max(0, t_ns - boot.standing_ns) / NS
        cleared = boot.clear(boot.standing, max(t_ns, boot.standing_ns))
        boot.standing = None
        self._out.append(FindingCleared(self.machine, t_ns, boot.id, cleared, stood))

    def _power_gone(self) -> None:  # transition 9
        boot, off_ns = self.boot, self._off_ns
        self._off_ns = None
        if boot is None or off_ns is None:
            return
        if self.phase == "finishing":
            self._finish(off_ns)
        else:
            self._close(off_ns, "cut-short")

    def _close(self, t_ns: int, outcome: Outcome) -> None:
        """End the open boot; a stall, loop or lost link that stands stays its outcome."""
        boot = self.boot
        assert boot is not None
        if self.phase == "running":
            boot.outcome = outcome
        self.phase, self._off_ns = "over", None
        boot.ended_ns = t_ns
        if boot.standing is not None:
            boot.standing = None
        if boot.ended_sent:
            self._changed(t_ns)
        else:
            self._ended(t_ns)

    def _finish(self, t_ns: int) -> None:  # transition 7, second half
        boot = self.boot
        assert boot is not None
        for stage in self.ladder.missing(boot):
            means = stage.means or f"The boot finished without the stage {stage.name!r}."
            finding = boot.note("skipped", stage.name, boot.finish_ns or t_ns, stage=stage.name, means=means)
            if finding is not None:
                self._raise(finding, t_ns)
        self.phase, self._off_ns = "over", None
        boot.outcome = "finished"
        boot.ended_ns = boot.finish_ns
        if boot.ended_sent:
            self._changed(t_ns)
        else:
            self._ended(t_ns)

    def _ended(self, t_ns: int) -> None:
        boot = self.boot
        assert boot is not None
        boot.ended_sent = True
        self._out.append(BootEnded(self.machine, t_ns, boot.model(self.anchor)))

    def _changed(self, t_ns: int) -> None:
        assert self.boot is not None
        self._out.append(BootChanged(self.machine, t_ns, self.boot.model(self.anchor)))

    def _raise(self, finding: Finding, t_ns: int) -> None:
        assert self.boot is not None
        self._out.append(FindingRaised(self.machine, t_ns, self.boot.id, finding, finding.kind in ALERTING))
        self._changed(t_ns)

    def _stall(self, deadline: Deadline, t_ns: int) -> None:  # transition 5
        boot = self.boot
        assert boot is not None
        rule = deadline.stall
        if rule is not None:
            finding = boot.note("stall", rule.name, t_ns, limit=deadline.limit, help_=rule)
        elif deadline.what == "quiet":
            means = (
                "Nothing at all after power-on: no POST code and no text. Before any code runs, the supply, "
                "the clock, the reset line, the CPU and the BIOS ROM must work."
            )
            finding = boot.note("quiet", "quiet-after-power-on", t_ns, limit=deadline.limit, means=means)
        else:
            means = "Silent for longer than allowed here, and no rule of the table knows this place."
            finding = boot.note("stall", "unknown", t_ns, limit=deadline.limit, means=means)
        assert finding is not None
        boot.standing, boot.standing_ns = finding, t_ns
        if self.phase != "looping":
            self.phase = "standing"
            boot.outcome = "stalled"
            self._settle_ns = t_ns
        self._raise(finding, t_ns)

    def _slow(self, t_ns: int) -> None:
        """A sign of life: if the stage is over its limit by now, it is slow."""
        boot = self.boot
        stage = boot.stage if boot is not None else None
        if boot is None or stage is None or stage.limit is None or stage.slow:
            return
        if self.phase not in ("running", "looping"):
            return
        length = (t_ns - stage.t_ns) / NS
        if length <= stage.limit.seconds:
            return
        stage.slow = True
        detail = f"still alive after {length:.3g} s, limit {stage.limit.seconds:.3g} s ({stage.limit.kind})"
        name, means = stage.rule.name, stage.rule.means
        finding = boot.note("slow", name, t_ns, limit=stage.limit, means=means, detail=detail)
        if finding is not None:
            self._raise(finding, t_ns)

    def _leave_loop(self, t_ns: int) -> None:  # transition 8
        boot, finding = self.boot, self._loop_finding
        assert boot is not None
        self.phase, boot.outcome, self._settle_ns = "running", "running", None
        if finding is not None:
            cleared = boot.clear(finding, t_ns)
            self._out.append(FindingCleared(self.machine, t_ns, boot.id, cleared, boot.seconds(t_ns) - finding.t))
        self._loop_pass = self._loop_finding = None
