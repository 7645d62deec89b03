"""The state machine of one machine's boots.

States: `idle` nothing seen yet; `running`; `standing` a stall or quiet is believed; `looping`; `finishing` the
final stage was seen; `over`; `adrift` every link is lost. Transitions, by number:

| n | in | seen | to | what happens |
| --- | --- | --- | --- | --- |
| 1 | any | a start of the table, or a reset | running | an open boot ends cut-short (2, 3); a new boot starts |
| 2 | running | a start, third time the same way | looping | finding loop; earlier passes are marked as such |
| 3 | looping | a start, the pass went the same way | looping | the pass is counted |
| 4 | idle, or power known off | any sign of life, or power on | running | a boot starts there |
| 5 | running, looping | silence (see deadlines.py) | standing | finding stall or quiet, provisional |
| 6 | standing | a sign of life | running | the finding is cleared |
| 7 | running, standing, looping | a final stage | finishing | after a short wait: skipped findings, over |
| 8 | looping | a stage that the loop does not have | running | the finding is cleared |
| 9 | running, standing, looping | power off, no life after it | over | cut-short, or as it stood |
| 10 | running | the last link is lost | adrift | link-lost, until a sign of life |
| 11 | standing, looping, adrift | it stood for some seconds | same | BootEnded is sent, once for a boot |
| 12 | running, finishing | the end of the run | over | cut-short, or finished; what stands stays as it is |

Exceptions, in code: a start that was already joined in the middle moves the boot's start (`_absorbs`), and what
was found until then is counted from it; the second of several start marks does not start a second boot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchd.boots.deadlines import FINISH_NS, OFF_NS, SETTLE_NS, Deadline, silence
from benchd.boots.lifecycle import OPEN, Lifecycle
from benchd.boots.limits import Limit
from benchd.boots.loops import repeated
from benchd.boots.state import shown
from benchd.rules.match import Hit
from benchd.vocabulary.events import CodeSeen, Event, LineSeen, LinkChanged, LossSeen, StageEntered
from benchd.vocabulary.models import Check
from benchd.vocabulary.observations import Break, Code, LinkChange, Lost, Observation, Power, Reset, Text
from benchd.vocabulary.records import Annotation
from benchd.vocabulary.times import NS

MAX_UNKNOWN = 16
"""Unknown codes that get a finding of their own in one boot."""
FLOATING_RUN = 4
"""Codes FFh in a row, where FFh says nothing else, that mean a bus nobody drives."""


class BootTracker(Lifecycle):
    """Follows one machine's boots. Feed it observations and time; it returns events. Pure.

    `feed` takes observations in order of `at_ns`; `advance` says that nothing more came up to `t_ns`.
    """

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
            case Annotation():
                self._on_annotation(seen)
        return self._take()

    def advance(self, t_ns: int) -> list[Event]:
        """Judge the silence up to `t_ns`."""
        self._advance(t_ns)
        return self._take()

    def stand(self) -> list[Event]:
        """Tell of the open boot as it stands now, with what came since its last change."""
        if self.boot is not None and self.phase in OPEN:
            self._changed(self._now)
        return self._take()

    @property
    def between(self) -> str:
        """What a capture that is begun now must say of what was before it: a value of Annotation "phase", or ""."""
        if self.phase not in ("idle", "over"):
            return ""
        return "off" if self._power_seen_off else "over" if self.phase == "over" else ""

    def _take(self) -> list[Event]:
        out, self._out = self._out, []
        return out

    def next_deadline(self) -> Deadline | None:
        """Return what silence will be judged next, and when."""
        boot = self.boot
        if boot is None or self.phase in ("idle", "over"):
            return None
        out: list[Deadline] = []
        if self._off_ns is not None:
            out.append(Deadline(self._off_ns + OFF_NS, "off"))
        if self.phase == "finishing":
            assert boot.finish_ns is not None
            out.append(Deadline(boot.finish_ns + FINISH_NS, "finish"))
        elif self._settle_ns is not None and not boot.ended_sent:
            out.append(Deadline(self._settle_ns + SETTLE_NS, "settle"))
        if self.phase in ("running", "looping") and boot.standing is None and not self._links_down:
            out.extend(silence(boot, self.table))
        return min(out, key=lambda d: d.t_ns, default=None)

    def _advance(self, t_ns: int) -> None:
        while (deadline := self.next_deadline()) is not None and deadline.t_ns <= t_ns:
            at_ns = max(deadline.t_ns, self._now)
            self._now = at_ns
            self.judged += 1
            match deadline.what:
                case "known" | "unknown" | "quiet":
                    self._stall(deadline, at_ns)
                case "finish":
                    self._finish(at_ns)
                case "settle":
                    self._ended(at_ns)
                case "off":
                    self._power_gone()
        self._now = max(self._now, t_ns)

    def _on_code(self, seen: Code) -> None:
        known = self.matcher.known(seen.value, seen.port, seen.wide)
        hits = self.matcher.code(seen.value, seen.port, seen.wide)
        floating = seen.value == 0xFF and not seen.wide and (not known or self._no_codes_yet())
        self._floating = self._floating + 1 if floating else 0
        ignored = any(hit.role == "ignore" for hit in hits) or not self.matcher.listens(seen.port)
        if floating or ignored:
            self._show_code(seen, known)
            if self._floating == FLOATING_RUN:
                self._floating_bus(seen)
            return
        started = self._starts(hits, seen.t_ns, seen.u_ns, f"code {shown(seen.value)}")
        if not started:
            self._life(seen.t_ns, seen.u_ns)
        boot = self.boot
        if boot is None:  # the capture began after a boot that is not in it
            self._show_code(seen, known)
            return
        if self.phase not in ("over", "finishing") or (self.phase == "finishing" and known):
            boot.codes += 1
            boot.last_code = shown(seen.value)
            boot.last_ns = max(boot.last_ns, seen.t_ns)
            boot.recent.append(seen.value)
            self._pass_codes.append(seen.value)
            del self._pass_codes[:-4096]
            boot.after = [a for a in boot.after if self.table.stall[a[0]].after.text is not None]  # type: ignore[union-attr]
            boot.after += [(hit.index, seen.t_ns) for hit in hits if hit.role == "stall"]
        if not started:
            self._since_start += 1
        self._show_code(seen, known)
        stages = [hit for hit in hits if hit.role == "stage" and not boot.has(hit.index)]
        others = [hit for hit in hits if hit.role != "stage"]
        self._apply(others + stages[:1], lambda hit: seen.t_ns, seen.u_ns)
        self._slow(seen.t_ns)
        if self.phase in ("running", "looping"):
            self._unknown(seen, known)
            self._code_loops(seen.t_ns)

    def _no_codes_yet(self) -> bool:
        return self.boot is None or self.phase == "over" or self.boot.codes == 0

    def _show_code(self, seen: Code, known: bool) -> None:
        boot = self.boot
        self._out.append(
            CodeSeen(
                machine=self.machine,
                t_ns=seen.t_ns,
                u_ns=seen.u_ns,
                link=seen.link,
                boot=boot.id if boot else None,
                t=boot.seconds(seen.t_ns) if boot else None,
                code=f"{seen.value:04X}" if seen.wide else f"{seen.value:02X}",
                port=seen.port,
                known=known,
            )
        )

    def _on_text(self, seen: Text) -> None:
        line, shown_before = self._line_text.get(seen.link, (-1, ""))
        news = line != seen.line or shown_before != seen.text
        self._line_text[seen.link] = (seen.line, seen.text)
        line, fired = self._line_fired.get(seen.link, (-1, set()))
        if line != seen.line:
            fired = set()
            self._line_fired[seen.link] = (seen.line, fired)
        hits = self.matcher.text(seen.text)
        fresh = [hit for hit in hits if Hit(hit.role, hit.index) not in fired]
        fired.update(Hit(hit.role, hit.index) for hit in fresh)
        if not any(hit.role == "ignore" for hit in hits) and news:
            begun = next((hit for hit in fresh if hit.role == "start"), None)
            t_ns = seen.time_at(begun.start) if begun else seen.t_ns
            started = self._starts(fresh, t_ns, seen.u_ns, "console text")
            life_ns = max([seen.t_ns, seen.time_at(max(0, len(seen.text) - 1)), *(t for _, t in seen.marks)])
            if not started:
                self._life(min(life_ns, seen.at_ns), seen.u_ns, seen.t_ns)
                self._since_start += 1
            boot = self.boot
            if boot is not None and self.phase not in ("over", "finishing"):
                boot.lines += line != seen.line
                boot.last_ns = max(boot.last_ns, min(life_ns, seen.at_ns))
                stalls = [(hit.index, boot.last_ns) for hit in hits if hit.role == "stall"]
                boot.after = [a for a in boot.after if self.table.stall[a[0]].after.text is None]  # type: ignore[union-attr]
                boot.after += stalls
        boot = self.boot
        self._out.append(
            LineSeen(
                machine=self.machine,
                t_ns=seen.t_ns,
                u_ns=seen.u_ns,
                link=seen.link,
                boot=boot.id if boot else None,
                t=boot.seconds(seen.t_ns) if boot else None,
                line=seen.line,
                text=seen.text,
                partial=seen.partial,
            )
        )
        self._apply(fresh, lambda hit: seen.time_at(hit.start), seen.u_ns)
        if news:
            self._slow(seen.at_ns)

    def _on_power(self, seen: Power) -> None:
        if not seen.on:
            self._power_seen_off = True
            if self.boot is not None and self.phase in OPEN:
                self._off_ns = seen.t_ns
            return
        fresh = self.phase == "idle" or self._power_seen_off
        if self._off_ns is not None:
            self._power_gone()
        if fresh and (self.boot is None or self.phase in ("idle", "over")):
            self._power_seen_off = False
            self._open(seen.t_ns, seen.u_ns, "power-on", anchored=True)
        elif self.phase in OPEN:
            self._life(seen.t_ns, seen.u_ns)

    def _on_link(self, seen: LinkChange) -> None:
        self._out.append(LinkChanged(self.machine, seen.t_ns, seen.link, seen.up, seen.reason))
        if seen.up:
            self._links_down.discard(seen.link)
            if self.boot is not None and self.phase == "running" and not self._links_down:
                self.boot.last_ns = max(self.boot.last_ns, seen.t_ns)
            return
        self._links_down.add(seen.link)
        boot = self.boot
        if boot is not None and self.phase == "running" and self._links_down >= self._links:
            self.phase = "adrift"  # transition 10
            boot.outcome = "link-lost"
            self._settle_ns = seen.t_ns
            self._changed(seen.t_ns)

    def _on_annotation(self, seen: Annotation) -> None:
        if seen.key == "trial":
            self.trial = seen.value or None
            boot = self.boot
            if boot is not None and self.phase in OPEN and boot.start_ns >= seen.t_ns and boot.trial != self.trial:
                boot.trial = self.trial  # the trial began before this boot; word of it came after
                self._changed(boot.last_ns)  # not `_now`: how far time was told differs in a replay
        elif seen.key == "phase":
            if self.phase == "idle" and seen.value in ("over", "off"):
                self.phase = "over"
                self._power_seen_off = seen.value == "off"
        elif seen.key == "end":
            if self.phase == "running":  # transition 12
                self._close(seen.t_ns, "cut-short")
            elif self.phase == "finishing":
                self._finish(seen.t_ns)
        elif seen.key == "limit":
            stage, limit = Limit.from_label(seen.value)
            self._learned[stage] = limit

    def _lost(self, link: str, t_ns: int, reason: str, count: int) -> None:
        if self.boot is not None and self.phase != "over":
            self.boot.lost += count
        self._out.append(LossSeen(self.machine, t_ns, link, reason, count))

    def _apply(self, hits: Sequence[Hit], when: Callable[[Hit], int], u_ns: int) -> None:
        """Let the stages, faults and checks among `hits` take effect; `when` gives a hit's time (ns)."""
        boot = self.boot
        if boot is None:
            return
        for hit in hits:
            t_ns = when(hit)
            if hit.role == "stage" and self.phase != "over":
                self._enter(hit.index, t_ns, u_ns)
            elif hit.role == "fault":
                rule = self.table.fault[hit.index]
                finding = boot.note("fault", rule.name, t_ns, help_=rule)
                if finding is not None:
                    self._raise(finding, t_ns)
            elif hit.role in ("pass", "fail"):
                name = self.table.check[hit.index].name
                passed = hit.role == "pass"
                boot.checks[name] = Check(name=name, passed=passed, t=round(boot.seconds(t_ns), 6))
                self._changed(t_ns)

    def _enter(self, index: int, t_ns: int, u_ns: int) -> None:
        boot = self.boot
        assert boot is not None
        step = self.ladder.enter(boot, index, t_ns, u_ns, self._learned)
        if step is None:
            return
        if self.phase == "looping" and self._loop_pass and step.entered.rule.name not in self._loop_pass.stages:
            self._leave_loop(t_ns)
        self._out.append(
            StageEntered(
                machine=self.machine,
                t_ns=step.entered.t_ns,
                boot=boot.id,
                stage=step.entered.rule.name,
                index=index,
                t=round(boot.seconds(step.entered.t_ns), 6),
                u=round((u_ns + boot.start_u_ns) / NS, 6),
                previous=step.previous.rule.name if step.previous else None,
                previous_s=step.previous_s,
            )
        )
        for finding in step.findings:
            self._raise(finding, t_ns)
        if step.entered.rule.final and self.phase in ("running", "standing", "looping"):
            self.phase = "finishing"  # transition 7, first half
            boot.finish_ns = step.entered.t_ns
            self._settle_ns = None
        self._changed(t_ns)

    def _unknown(self, seen: Code, known: bool) -> None:
        boot = self.boot
        assert boot is not None
        if known or self.table.table.unknown_codes == "ignore" or seen.value in boot.unknown:
            return
        if len(boot.unknown) >= MAX_UNKNOWN:
            return
        boot.unknown.add(seen.value)
        name = f"{seen.value:04X}" if seen.wide else f"{seen.value:02X}"
        means = f"The table says nothing of code {name}: another BIOS family or version, or noise on the port."
        finding = boot.note("unknown-code", f"code-{name}", seen.t_ns, means=means)
        if finding is not None:
            self._raise(finding, seen.t_ns)

    def _code_loops(self, t_ns: int) -> None:
        boot = self.boot
        assert boot is not None
        for rule in self.table.loop:
            if repeated(boot.recent, rule):
                codes = " ".join(str(c) for c in rule.codes)
                finding = boot.note("loop", rule.name, t_ns, help_=rule, detail=f"{codes}, {rule.times} times")
                if finding is not None:
                    self._raise(finding, t_ns)

    def _floating_bus(self, seen: Code) -> None:
        boot = self.boot
        if boot is None or self.phase not in ("running", "standing"):
            return
        means = (
            "The diagnostic port reads FFh again and again: nothing drives the bus. The card may be unpowered, "
            "badly seated or on a wrong port, or the machine is held in reset."
        )
        finding = boot.note("fault", "floating-bus", seen.t_ns, means=means)
        if finding is not None:
            self._raise(finding, seen.t_ns)
