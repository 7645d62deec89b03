"""One machine's observations, judged: what each means for the boot, and which trigger of `machine.py` it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchd.boots.deadlines import FINISH_NS, OFF_NS, SETTLE_NS, Deadline, silence
from benchd.boots.limits import Limit, number, wall_time
from benchd.boots.lines import Lines
from benchd.boots.loops import repeated
from benchd.boots.machine import CLOSED, BootMachine, Trigger
from benchd.boots.repeats import gist
from benchd.boots.state import BootState, shown
from benchd.boots.strange import judge_code, judge_lines, tell_floating, tell_misfit
from benchd.rules.match import Hit, Matcher
from benchd.vocabulary.events import CodeSeen, Event, LineSeen, LinkChanged, LossSeen, StageEntered
from benchd.vocabulary.measured import REPORT_NS, SetupDiffers
from benchd.vocabulary.models import Check
from benchd.vocabulary.observations import (
    Break,
    Code,
    LinkChange,
    Lost,
    Misfit,
    Observation,
    Power,
    Reported,
    Reset,
    Text,
)  # fmt: skip
from benchd.vocabulary.records import Annotation, LinkInfo
from benchd.vocabulary.times import NS, Anchor

FLOATING_RUN = 4
"""Codes FFh in a row, where FFh says nothing else, that mean a bus nobody drives."""
PASS_CODES = 4096
"""Codes of one pass that are kept to compare passes by; far more than `loops.SIGNATURE_CODES`."""
AGAIN_NS = NS // 2
"""Where boots are only recorded, what came first starts a boot if it comes after a pause of this."""
LOSSES = {"overrun", "sequence-gap", "card-overrun"}
"""Reasons by which something that was sent did not reach us; other refusals are noise that was seen."""
AWAY_NS = NS // 2
"""An absence of ours from which on times are not worth learning from; a shorter one is within what `u` says."""


class BootTracker:
    """Follows one machine's boots. Feed it observations and time; it returns events. Pure.

    `feed` takes observations in order of `at_ns`; `advance` says that nothing more came up to `t_ns`.
    """

    def __init__(self, name: str, matcher: Matcher, links: Sequence[LinkInfo], anchor: Anchor) -> None:
        self.name = name
        self.matcher = matcher
        self.machine = BootMachine(name, matcher, links, anchor)
        self.judged = 0
        """Deadlines that fell so far."""
        self._floating = 0
        self._lines = Lines()
        self._first: tuple[str, object] | None = None  # link, and what came first, in a boot that is only recorded
        self._now = -(1 << 62)

    @property
    def trial(self) -> str | None:
        """The trial that boots belong to from now on."""
        return self.machine.trial

    @property
    def phase(self) -> str:
        """The state that the table of `machine.py` is in."""
        return self.machine.phase

    @property
    def closed(self) -> bool:
        """Whether no boot is open."""
        return self.machine.phase in CLOSED

    @property
    def between(self) -> str:
        """What a capture that is begun now must say of what was before it: a value of key "phase", or ""."""
        if not self.closed:
            return ""
        if self.machine.power_seen_off:
            return "off" if self.machine.went_off_ns is None else f"off {self.machine.went_off_ns}"
        return "over" if self.machine.phase == "over" else ""

    def use(self, matcher: Matcher) -> None:
        """Judge by another table from now on; only between boots."""
        self.machine.use(matcher)
        self.matcher = matcher

    def feed(self, seen: Observation) -> list[Event]:
        """Judge one observation, after every deadline that lies before it."""
        at_ns = max(seen.at_ns, self._now)
        self._advance(at_ns)
        self._now = at_ns
        match seen:
            case Code():
                self._on_code(seen)
            case Text():
                self._on_text(seen)
            case Reported():
                self.machine.report(seen)
            case Reset():
                self._start(seen.t_ns, seen.u_ns, "reset", None)
            case Power():
                self._on_power(seen)
            case LinkChange():
                self._on_link(seen)
            case Lost():
                self._lost(seen.link, seen.t_ns, seen.reason, seen.count)
            case Break():
                self._lost(seen.link, seen.t_ns, "break", 1)
            case Misfit():
                tell_misfit(self.machine, seen)
            case Annotation():
                self._on_annotation(seen)
        return self._take()

    def advance(self, t_ns: int) -> list[Event]:
        """Judge the silence up to `t_ns`."""
        self._advance(t_ns)
        return self._take()

    def stand(self) -> list[Event]:
        """Tell of the open boot as it stands now, with what came since its last change."""
        boot = self.machine.boot
        if not self.closed or (boot is not None and boot.untold_ns is not None):
            self.machine.changed(self._now)
        return self._take()

    def _take(self) -> list[Event]:
        out, self.machine.out = self.machine.out, []
        return out

    # ------------------------------------------------------------------ time

    def due(self) -> Deadline | None:
        """Return when silence will be judged if it lasts, and by which limit; None where it will not be."""
        machine, boot = self.machine, self.machine.boot
        if boot is None or machine.phase not in ("running", "looping"):
            return None
        if boot.stalled is not None or machine.links_down:
            return None
        return silence(boot, machine.table)

    def next_deadline(self) -> Deadline | None:
        """Return what will be judged next if nothing comes, and when."""
        machine, boot = self.machine, self.machine.boot
        if boot is None:
            return None
        out = [] if boot.untold_ns is None else [Deadline(boot.untold_ns + REPORT_NS, "report")]
        if self.closed:
            return out[0] if out else None
        if (quiet := self.due()) is not None:
            out.append(quiet)
        if machine.off_ns is not None:
            out.append(Deadline(machine.off_ns + OFF_NS, "off"))
        if machine.phase == "finishing":
            assert boot.finish_ns is not None
            out.append(Deadline(boot.finish_ns + FINISH_NS, "waited"))
        elif machine.settle_ns is not None:
            out.append(Deadline(machine.settle_ns + SETTLE_NS, "settle"))
        # Where two fall together, what ends a boot comes before what only says how it stands.
        return min(out, key=lambda d: (d.t_ns, d.what not in ("off", "waited", "settle")), default=None)

    def _advance(self, t_ns: int) -> None:
        while (deadline := self.next_deadline()) is not None and deadline.t_ns <= t_ns:
            self._now = at_ns = max(deadline.t_ns, self._now)
            self.judged += 1
            match deadline.what:
                case "known" | "unknown" | "quiet":
                    self.machine.fire(Trigger("silence", at_ns, deadline=deadline))
                case "off":
                    self._power_gone()
                case "report":
                    self.machine.changed(at_ns)
                case _:
                    self.machine.fire(Trigger(deadline.what, at_ns))
        self._now = max(self._now, t_ns)

    # ------------------------------------------------------------------ signs of life

    def _start(self, t_ns: int, u_ns: int, reason: str, mark: int | None) -> bool:
        """Handle a start mark (`mark` its index in the table) or a reset (None); say whether a boot or pass began."""
        if self.machine.off_ns is not None and t_ns >= self.machine.off_ns:
            self._power_gone()
        self.machine.off_ns = None
        return self.machine.fire(Trigger("start", t_ns, u_ns, reason, mark)) != 1

    def _starts(self, hits: Sequence[Hit], t_ns: int, u_ns: int, reason: str) -> bool:
        """Start a boot if one of the hits is a start mark that means so; say whether it did."""
        mark = next((hit.index for hit in hits if hit.role == "start"), None)
        return mark is not None and self._start(t_ns, u_ns, reason, mark)

    def _comes_again(self, what: tuple[str, object], t_ns: int, u_ns: int, word: str) -> bool:
        """Where boots are only recorded: what came first comes again, after a pause. Say whether a boot starts so."""
        machine = self.machine
        if machine.table.table.judges:
            return False
        boot = machine.boot
        if boot is None or self.closed or not (boot.codes or boot.lines):
            self._first = what
            return False
        others, paused = self.machine.since_start > 1, t_ns - boot.last_ns >= AGAIN_NS
        return what == self._first and others and paused and self._start(t_ns, u_ns, f"{word} again", None)

    def _life(self, t_ns: int, u_ns: int, began_ns: int | None = None, moves_on: bool = True) -> None:
        """Take a sign of life; one that does not say that the machine `moves_on` leaves a stall standing."""
        machine = self.machine
        if machine.off_ns is not None and t_ns >= machine.off_ns:
            machine.off_ns, machine.power_seen_off, machine.went_off_ns = None, False, None  # only DTR dropped
        if moves_on:
            machine.fire(Trigger("life", t_ns, u_ns, began_ns=began_ns))

    def _on_code(self, seen: Code) -> None:
        known = self.matcher.known(seen.value, seen.port, seen.wide)
        hits = self.matcher.code(seen.value, seen.port, seen.wide)
        if self._says_nothing(seen, known, hits):
            self._show_code(seen, known)
            if self._floating == FLOATING_RUN:
                tell_floating(self.machine, seen.t_ns)
            return
        what = f"code {shown(seen.value)}"
        started = self._starts(hits, seen.t_ns, seen.u_ns, what)
        started |= self._comes_again((seen.link, seen.value), seen.t_ns, seen.u_ns, what)
        if not started:
            self._life(seen.t_ns, seen.u_ns)
        boot = self.machine.boot
        if boot is not None:  # else the capture began after a boot that is not in it
            if self._counts(known):
                self._count_code(boot, seen, hits)
            self.machine.since_start += not started
        self._show_code(seen, known)
        if boot is None:
            return
        stages = [hit for hit in hits if hit.role == "stage" and not boot.has(hit.index)]
        others = [hit for hit in hits if hit.role != "stage"]
        self._apply(others + stages[:1], lambda hit: seen.t_ns, seen.u_ns)
        self._slow(seen.t_ns)
        if self.machine.phase in ("running", "looping"):
            judge_code(self.machine, boot, seen, known)
            self._code_loops(boot, seen.t_ns)

    def _says_nothing(self, seen: Code, known: bool, hits: Sequence[Hit]) -> bool:
        """Whether a code is no sign of life: ignored, from a port of no interest, or what a floating bus reads."""
        boot = self.machine.boot
        none_yet = boot is None or self.machine.phase == "over" or boot.codes == 0
        floating = seen.value == 0xFF and not seen.wide and (not known or none_yet)
        self._floating = self._floating + 1 if floating else 0
        ignored = any(hit.role == "ignore" for hit in hits) or not self.matcher.listens(seen.port)
        return floating or ignored

    def _counts(self, known: bool) -> bool:
        """Whether a code belongs to the boot: after its final stage only one that the table knows."""
        return self.machine.phase != "over" and (self.machine.phase != "finishing" or known)

    def _count_code(self, boot: BootState, seen: Code, hits: Sequence[Hit]) -> None:
        boot.codes += 1
        boot.last_code = shown(seen.value)
        boot.last_ns, boot.again_ns = max(boot.last_ns, seen.t_ns), None
        boot.recent.append(seen.value)
        self.machine.pass_codes.append(seen.value)
        del self.machine.pass_codes[:-PASS_CODES]
        self._follow_stalls(boot, hits, seen.t_ns, by_text=False)

    def _follow_stalls(self, boot: BootState, hits: Sequence[Hit], t_ns: int, by_text: bool) -> None:
        """Note which stall rules' `after` this was; the last text and the last code are followed apart."""
        rules = self.machine.table.stall
        others = [a for a in boot.after if (rules[a[0]].after.text is not None) != by_text]  # type: ignore[union-attr]
        boot.after = others + [(hit.index, t_ns) for hit in hits if hit.role == "stall"]

    def _show_code(self, seen: Code, known: bool) -> None:
        boot = self.machine.boot
        self.machine.out.append(
            CodeSeen(
                machine=self.name, t_ns=seen.t_ns, u_ns=seen.u_ns, link=seen.link, boot=boot.id if boot else None,
                t=boot.seconds(seen.t_ns) if boot else None,
                code=f"{seen.value:04X}" if seen.wide else shown(seen.value), port=seen.port, known=known,
            )
        )  # fmt: skip

    def _on_text(self, seen: Text) -> None:
        hits = self.matcher.text(seen.text[: seen.report])
        fresh = self._lines.fresh(seen, hits)
        news, new_line = self._lines.grown(seen)
        if news and not any(hit.role == "ignore" for hit in hits):
            self._line_lives(seen, hits, fresh, new_line)
        boot = self.machine.boot
        self.machine.out.append(
            LineSeen(
                machine=self.name, t_ns=seen.t_ns, u_ns=seen.u_ns, link=seen.link, boot=boot.id if boot else None,
                t=boot.seconds(seen.t_ns) if boot else None, line=seen.line, text=seen.text, partial=seen.partial,
                report=seen.report is not None,
            )
        )  # fmt: skip
        self._apply(fresh, lambda hit: seen.time_at(hit.start), seen.u_ns)
        if boot is not None and news and self.machine.phase == "running":
            judge_lines(self.machine, boot, seen.at_ns)
        if news:
            self._slow(seen.at_ns)

    def _line_lives(self, seen: Text, hits: Sequence[Hit], fresh: Sequence[Hit], new_line: bool) -> None:
        """A line that says something new: a start, or a sign of life."""
        begun = next((hit for hit in fresh if hit.role == "start"), None)
        t_ns = seen.time_at(begun.start) if begun else seen.t_ns
        last_ns = max([seen.t_ns, seen.time_at(max(0, len(seen.text) - 1)), *(t for _, t in seen.marks)])
        life_ns = min(last_ns, seen.at_ns)
        says, boot = gist(seen.text), self.machine.boot
        before_ns = t_ns if boot is None else boot.last_ns
        news = boot is None or fresh != [] or seen.report is not None or says not in boot.said
        started = self._starts(fresh, t_ns, seen.u_ns, "console text")
        if not (self._first_line(seen, t_ns) or started):
            self._life(life_ns, seen.u_ns, seen.t_ns, moves_on=news or boot is None or not boot.stuck(life_ns))
            self.machine.since_start += 1
        self._keep_line(seen, hits, says, life_ns, news=news, new_line=new_line, before_ns=before_ns)

    def _first_line(self, seen: Text, t_ns: int) -> bool:
        """Where boots are only recorded: whether this whole line is the one that came first, and starts a boot."""
        text = seen.text.strip()
        whole = not seen.partial and text != ""
        return whole and self._comes_again((seen.link, text), t_ns, seen.u_ns, "the first line")

    def _keep_line(
        self, seen: Text, hits: Sequence[Hit], says: str, life_ns: int, *, news: bool, new_line: bool, before_ns: int
    ) -> None:
        """Count a line for the boot that it belongs to, and follow what it says."""
        boot = self.machine.boot
        if boot is not None and self.machine.phase not in ("over", "finishing"):
            boot.lines, boot.texts = boot.lines + new_line, boot.texts + (new_line and seen.report is None)
            boot.says(says, news, before_ns)
            boot.last_ns = max(boot.last_ns, life_ns)
            if seen.report != 0:  # a report is life, and no text: the text before it stays the last one
                self._follow_stalls(boot, hits, boot.last_ns, by_text=True)

    # ------------------------------------------------------------------ power, links, annotations

    def _on_power(self, seen: Power) -> None:
        machine = self.machine
        if not seen.on:
            if not machine.power_seen_off or machine.went_off_ns is None:
                machine.went_off_ns = seen.t_ns
            machine.power_seen_off = True
            if not self.closed:
                machine.off_ns = seen.t_ns
            return
        fresh = machine.phase == "idle" or machine.power_seen_off
        if machine.off_ns is not None:
            self._power_gone()
        if fresh and self.closed:
            machine.fire(Trigger("start", seen.t_ns, seen.u_ns, "power-on"))
        elif not self.closed:
            self._life(seen.t_ns, seen.u_ns)

    def _power_gone(self) -> None:
        off_ns, self.machine.off_ns = self.machine.off_ns, None
        if off_ns is not None:
            self.machine.fire(Trigger("off", off_ns))

    def _on_link(self, seen: LinkChange) -> None:
        machine = self.machine
        machine.out.append(LinkChanged(self.name, seen.t_ns, seen.link, seen.up, seen.reason))
        boot = None if self.closed else machine.boot
        if seen.up:
            machine.links_down.discard(seen.link)
            if boot is not None:
                boot.see_again(seen.link, seen.t_ns)
                if not machine.links_down:
                    boot.watched_ns = max(boot.watched_ns, seen.t_ns)
            return
        machine.links_down.add(seen.link)
        if boot is not None:
            boot.lose_sight(seen.link, seen.t_ns, "down")
        if machine.links_down >= set(machine.links):
            machine.fire(Trigger("links-lost", seen.t_ns))

    def _on_annotation(self, seen: Annotation) -> None:
        try:
            self._annotate(seen)
        except ValueError:  # a capture that was damaged: refused by name, like any other byte
            self.machine.out.append(LossSeen(self.name, seen.t_ns, "", f"bad-{seen.key}", 1))

    def _annotate(self, seen: Annotation) -> None:
        machine, boot = self.machine, None if self.closed else self.machine.boot
        match seen.key:
            case "trial":
                self._trial_began(boot, seen)
            case "phase":
                phase, _, since = seen.value.partition(" ")
                went_off_ns = int(since) if since else None
                if machine.phase == "idle" and phase in ("over", "off"):
                    machine.phase = "over"
                    machine.power_seen_off = phase == "off"
                    machine.went_off_ns = went_off_ns
            case "attention":
                if boot is not None:
                    self._looked_away(boot, seen)
            case "wall":
                machine.anchor = Anchor(wall_time(seen.value), seen.t_ns)
            case "end":
                machine.fire(Trigger("end", seen.t_ns))
            case "limit":
                stage, limit = Limit.from_label(seen.value)
                machine.ladder.learned[stage] = limit
            case "differs":
                machine.differs(seen.t_ns, SetupDiffers.from_label(seen.value))

    def _trial_began(self, boot: BootState | None, seen: Annotation) -> None:
        machine = self.machine
        machine.trial = seen.value or None
        if boot is not None and boot.start_ns >= seen.t_ns and boot.trial != machine.trial:
            boot.trial = machine.trial  # the trial began before this boot; word of it came after
            machine.changed(boot.last_ns)  # not `_now`: how far time was told differs in a replay

    def _looked_away(self, boot: BootState, seen: Annotation) -> None:
        """Nobody looked for so many seconds from here: what came then is known late, and silence says nothing."""
        until_ns = seen.t_ns + round(number(seen.value) * NS)
        boot.watched_ns = max(boot.watched_ns, until_ns)
        if until_ns - seen.t_ns < AWAY_NS:
            return
        for link in self.machine.links:
            if link not in self.machine.links_down:
                boot.lose_sight(link, max(boot.start_ns, seen.t_ns), "not-watched")
                boot.see_again(link, until_ns)

    def _lost(self, link: str, t_ns: int, reason: str, count: int) -> None:
        boot = self.machine.boot
        if boot is not None and self.machine.phase != "over":
            boot.lost += count
            if reason in LOSSES and link not in self.machine.links_down:
                boot.lose_sight(link, t_ns, "lossy")
                boot.see_again(link, t_ns)
        self.machine.out.append(LossSeen(self.name, t_ns, link, reason, count))

    # ------------------------------------------------------------------ what the rules say

    def _apply(self, hits: Sequence[Hit], when: Callable[[Hit], int], u_ns: int) -> None:
        """Let the stages, faults and checks among `hits` take effect; `when` gives a hit's time (ns)."""
        machine, boot = self.machine, self.machine.boot
        if boot is None:
            return
        for hit in hits:
            t_ns = when(hit)
            if hit.role == "stage" and machine.phase != "over":
                self._enter(boot, hit.index, t_ns, u_ns)
            elif hit.role == "fault":
                rule = machine.table.fault[hit.index]
                machine.raise_finding(boot.note("fault", rule.name, t_ns, help_=rule), t_ns)
            elif hit.role in ("pass", "fail"):
                name = machine.table.check[hit.index].name
                passed = hit.role == "pass"
                boot.checks[name] = Check(name=name, passed=passed, t=round(boot.seconds(t_ns), 6))
                machine.changed(t_ns)

    def _enter(self, boot: BootState, index: int, t_ns: int, u_ns: int) -> None:
        machine = self.machine
        step = machine.ladder.enter(boot, index, t_ns, u_ns)
        if step is None:
            return
        rule, entered_ns = step.entered.rule, step.entered.t_ns
        machine.stage_entered(rule.name, entered_ns, rule.final)
        machine.out.append(
            StageEntered(
                machine=self.name,
                t_ns=entered_ns,
                boot=boot.id,
                stage=rule.name,
                index=index,
                t=round(boot.seconds(entered_ns), 6),
                u=round((u_ns + boot.start_u_ns) / NS, 6),
                previous=step.previous.rule.name if step.previous else None,
                previous_s=step.previous_s,
            )
        )
        for finding in step.findings:
            machine.raise_finding(finding, t_ns)
        machine.changed(t_ns)

    def _slow(self, t_ns: int) -> None:
        """A sign of life: if the stage is over its limit by now, it is slow."""
        boot = self.machine.boot
        stage = boot.stage if boot is not None and self.machine.phase in ("running", "looping") else None
        if boot is None or stage is None or stage.limit is None or stage.slow:
            return
        length, limit = (t_ns - stage.t_ns) / NS, stage.limit
        if length <= limit.seconds:
            return
        stage.slow = True
        detail = f"still alive after {length:.3g} s, limit {limit.seconds:.3g} s ({limit.kind})"
        name, means = stage.rule.name, stage.rule.means
        self.machine.raise_finding(boot.note("slow", name, t_ns, limit=limit, means=means, detail=detail), t_ns)

    def _code_loops(self, boot: BootState, t_ns: int) -> None:
        for rule in self.machine.table.loop:
            if repeated(boot.recent, rule):
                codes = " ".join(str(c) for c in rule.codes)
                detail = f"{codes}, {rule.times} times"
                self.machine.raise_finding(boot.note("loop", rule.name, t_ns, help_=rule, detail=detail), t_ns)
