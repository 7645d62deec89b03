"""One machine's observations, judged: what each means for the boot, and which trigger of `machine.py` it is."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.boots import notices
from benchd.boots.deadlines import FINISH_NS, OFF_NS, SETTLE_NS, Deadline, silence, soonest
from benchd.boots.effects import apply, tell_loops, tell_slow
from benchd.boots.lines import Lines
from benchd.boots.machine import CLOSED, TOUCHED, BootMachine, Trigger
from benchd.boots.state import BootState, shown
from benchd.boots.steady import Steady
from benchd.boots.strange import judge_code, judge_lines, tell_floating, tell_misfit
from benchd.rules.match import Hit, Matcher
from benchd.vocabulary.events import CodeSeen, Event, LineSeen
from benchd.vocabulary.measured import REPORT_NS
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
AGAIN_NS = NS // 2
"""Where boots are only recorded, what came first starts a boot if it comes after a pause of this."""
HARMLESS = frozenset(("ignore", "fault", "pass", "fail", "stall"))
"""Roles of rules that bring no deadline on, or, as "stall", tell of it where they are followed."""
PAST, NEVER = -(1 << 62), 1 << 62


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
        self.shows = True
        """Whether each code and line is told of; boots are judged the same without."""
        self._floating = 0
        self._lines = Lines()
        self._steady = Steady(self.machine, matcher, self._lines)
        self._first: tuple[str, object] | None = None  # link, and what came first, in a boot that is only recorded
        self._now = PAST
        self._clear_ns = PAST
        """No deadline falls before this instant; PAST where they are to be looked at again."""

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
        self._steady = Steady(self.machine, matcher, self._lines)
        self._clear_ns = PAST

    def feed(self, seen: Observation) -> list[Event]:
        """Judge one observation, after every deadline that lies before it."""
        self._feed(seen)
        return self._take()

    def feed_all(self, seen: Sequence[Observation], t_ns: int) -> list[Event]:
        """Judge observations one after the other, then the silence up to `t_ns`."""
        place, count, steady = 0, len(seen), self._steady
        while place < count:
            if self._clear_ns == PAST:
                self._advance(max(seen[place].at_ns, self._now))
            end = steady.run(seen, place, self._now, self._clear_ns, not self._floating, self.shows)
            if end > place:
                self._now, self._clear_ns = steady.now_ns, steady.clear_ns
            if end < count:
                self._feed(seen[end])
            place = end + 1
        if t_ns >= self._clear_ns:
            self._advance(t_ns)
        elif t_ns > self._now:
            self._now = t_ns
        return self._take()

    def _feed(self, seen: Observation) -> None:
        at_ns = seen.at_ns
        if at_ns < self._now:
            at_ns = self._now
        if at_ns >= self._clear_ns:
            self._advance(at_ns)
        self._now = at_ns
        if isinstance(seen, Text):
            self._on_text(seen)
        elif isinstance(seen, Code):
            self._on_code(seen)
        else:
            self._clear_ns = PAST
            self._on_other(seen)

    def _on_other(self, seen: Observation) -> None:
        match seen:
            case Reported():
                self.machine.report(seen)
            case Reset():
                self._start(seen.t_ns, seen.u_ns, "reset", None)
            case Power():
                self._on_power(seen)
            case LinkChange():
                notices.link_changed(self.machine, seen)
            case Lost():
                notices.lost(self.machine, seen.link, seen.t_ns, seen.reason, seen.count)
            case Break():
                notices.lost(self.machine, seen.link, seen.t_ns, "break", 1)
            case Misfit():
                tell_misfit(self.machine, seen)
            case Annotation():
                notices.annotated(self.machine, seen)

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
        """Judge what falls up to `t_ns`. Nothing does before `_clear_ns`, which all resets that may bring it on."""
        while t_ns >= self._clear_ns:
            deadline = self.next_deadline()
            if deadline is None or deadline.t_ns > t_ns:
                self._clear_ns = NEVER if deadline is None else deadline.t_ns
                break
            self._fall(deadline)
        self._now = max(self._now, t_ns)

    def _fall(self, deadline: Deadline) -> None:
        self._clear_ns = PAST
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

    # ------------------------------------------------------------------ signs of life

    def _start(self, t_ns: int, u_ns: int, reason: str, mark: int | None) -> bool:
        """Handle a start mark (`mark` its index in the table) or a reset (None); say whether a boot or pass began."""
        self._clear_ns = PAST
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
        boot, off_ns = machine.boot, machine.off_ns
        if boot is not None and machine.phase in TOUCHED and off_ns is None:
            # What firing it would do, without the rest; it puts deadlines off, and brings none on.
            if moves_on and t_ns > boot.last_ns:
                boot.last_ns = t_ns
            return
        self._clear_ns = PAST
        if off_ns is not None and t_ns >= off_ns:
            machine.off_ns, machine.power_seen_off, machine.went_off_ns = None, False, None  # only DTR dropped
        if moves_on:
            machine.fire(Trigger("life", t_ns, u_ns, began_ns=began_ns))

    def _on_code(self, seen: Code) -> None:
        machine = self.machine
        known, hits = self.matcher.code_told(seen.value, seen.port, seen.wide)
        if self._says_nothing(seen, known, hits):
            self._show_code(seen, known)
            if self._floating == FLOATING_RUN:
                tell_floating(machine, seen.t_ns)
            return
        started = self._code_starts(seen, hits)
        if not started:
            machine.doubt_end(hits)
            self._life(seen.t_ns, seen.u_ns)
        boot = machine.boot
        if boot is not None:  # else the capture began after a boot that is not in it
            if self._counts(known):
                self._count_code(boot, seen, hits)
            machine.since_start += not started
        self._show_code(seen, known)
        if boot is None:
            return
        if hits and (fired := _fire_now(boot, hits)):
            self._clear_ns = PAST
            apply(machine, fired, lambda hit: seen.t_ns, seen.u_ns)
        tell_slow(machine, seen.t_ns)
        if machine.phase in ("running", "looping"):
            judge_code(machine, boot, seen, known)
            tell_loops(machine, boot, seen.t_ns)

    def _code_starts(self, seen: Code, hits: Sequence[Hit]) -> bool:
        """Start a boot, or a pass, by a code that does; say whether one began."""
        judges = self.machine.table.table.judges
        if judges and not hits:
            return False
        what = f"code {shown(seen.value)}"
        started = self._starts(hits, seen.t_ns, seen.u_ns, what)
        return started | self._comes_again((seen.link, seen.value), seen.t_ns, seen.u_ns, what)

    def _says_nothing(self, seen: Code, known: bool, hits: Sequence[Hit]) -> bool:
        """Whether a code is no sign of life: ignored, from a port of no interest, or what a floating bus reads."""
        boot = self.machine.boot
        floating = False
        if seen.value == 0xFF and not seen.wide:
            none_yet = boot is None or self.machine.phase == "over" or boot.codes == 0
            floating = not known or none_yet
        self._floating = self._floating + 1 if floating else 0
        ignored = any(hit.role == "ignore" for hit in hits) or not self.matcher.listens(seen.port)
        return floating or ignored

    def _counts(self, known: bool) -> bool:
        """Whether a code belongs to the boot: after its final stage only one that the table knows."""
        return self.machine.phase != "over" and (self.machine.phase != "finishing" or known)

    def _count_code(self, boot: BootState, seen: Code, hits: Sequence[Hit]) -> None:
        if not boot.codes:
            self._clear_ns = PAST
        boot.codes += 1
        boot.last_code = shown(seen.value)
        boot.last_ns, boot.again_ns = max(boot.last_ns, seen.t_ns), None
        boot.recent.append(seen.value)
        self.machine.pass_codes.append(seen.value)
        self._follow_stalls(boot, hits, seen.t_ns, by_text=False)

    def _follow_stalls(self, boot: BootState, hits: Sequence[Hit], t_ns: int, by_text: bool) -> None:
        """Note which stall rules' `after` this was; the last text and the last code are followed apart."""
        if not boot.after and not hits:
            return
        rules = self.machine.table.stall
        others = [a for a in boot.after if (rules[a[0]].after.text is not None) != by_text]  # type: ignore[union-attr]
        after = others + [(hit.index, t_ns) for hit in hits if hit.role == "stall"]
        if after != boot.after:
            boot.after, self._clear_ns = after, min(self._clear_ns, soonest(boot, self._steady.least_s))

    def _show_code(self, seen: Code, known: bool) -> None:
        if not self.shows:
            return
        boot, t_ns = self.machine.boot, seen.t_ns
        code = f"{seen.value:04X}" if seen.wide else shown(seen.value)
        by, t = (None, None) if boot is None else (boot.id, boot.seconds(t_ns))
        self.machine.out.append(CodeSeen(self.name, t_ns, seen.u_ns, seen.link, by, t, code, seen.port, known))

    def _on_text(self, seen: Text) -> None:
        machine, text, report = self.machine, seen.text, seen.report
        hits = self.matcher.text(text if report is None else text[:report])
        fresh, news, new_line = self._lines.take(seen, hits)
        if fresh and not all(hit.role in HARMLESS for hit in fresh):
            self._clear_ns = PAST
        if news and not (hits and any(hit.role == "ignore" for hit in hits)):
            self._line_lives(seen, hits, fresh, new_line)
        boot = machine.boot
        if self.shows:
            self._show_line(seen)
        if fresh:
            apply(machine, fresh, lambda hit: seen.time_at(hit.start), seen.u_ns)
        if news and boot is not None:
            if machine.phase == "running":
                judge_lines(machine, boot, seen.at_ns)
            tell_slow(machine, seen.at_ns)

    def _show_line(self, seen: Text) -> None:
        boot, t_ns = self.machine.boot, seen.t_ns
        by, t = (None, None) if boot is None else (boot.id, boot.seconds(t_ns))
        report = seen.report is not None
        self.machine.out.append(
            LineSeen(self.name, t_ns, seen.u_ns, seen.link, by, t, seen.line, seen.text, seen.partial, report)
        )

    def _line_lives(self, seen: Text, hits: Sequence[Hit], fresh: Sequence[Hit], new_line: bool) -> None:
        """A line that says something new: a start, or a sign of life."""
        machine, boot = self.machine, self.machine.boot
        begun = next((hit for hit in fresh if hit.role == "start"), None) if fresh else None
        t_ns = seen.time_at(begun.start) if begun else seen.t_ns
        life_ns = min(seen.last_ns, seen.at_ns)
        before_ns = t_ns if boot is None else boot.last_ns
        news = boot is None or bool(fresh) or seen.report is not None or not boot.said.has(seen.text)
        started = fresh and self._starts(fresh, t_ns, seen.u_ns, "console text")
        if not (self._first_line(seen, t_ns) or started):
            machine.doubt_end(fresh)
            self._life(life_ns, seen.u_ns, seen.t_ns, moves_on=news or boot is None or not boot.stuck(life_ns))
            machine.since_start += 1
        self._keep_line(seen, hits, life_ns, news=news, new_line=new_line, before_ns=before_ns)

    def _first_line(self, seen: Text, t_ns: int) -> bool:
        """Where boots are only recorded: whether this whole line is the one that came first, and starts a boot."""
        if self.machine.table.table.judges:
            return False
        text = seen.text.strip()
        whole = not seen.partial and text != ""
        return whole and self._comes_again((seen.link, text), t_ns, seen.u_ns, "the first line")

    def _keep_line(
        self, seen: Text, hits: Sequence[Hit], life_ns: int, *, news: bool, new_line: bool, before_ns: int
    ) -> None:
        """Count a line for the boot that it belongs to, and follow what it says."""
        boot = self.machine.boot
        if boot is None or self.machine.phase in ("over", "finishing"):
            return
        if not boot.lines:
            self._clear_ns = PAST
        if new_line:
            boot.lines += 1
            boot.texts += seen.report is None
        boot.says(seen.text, news, before_ns)
        if life_ns > boot.last_ns:
            boot.last_ns = life_ns
        if seen.report != 0:  # a report is life, and no text: the text before it stays the last one
            self._follow_stalls(boot, hits, boot.last_ns, by_text=True)

    # ------------------------------------------------------------------ power

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


def _fire_now(boot: BootState, hits: Sequence[Hit]) -> list[Hit]:
    """Which of a code's hits take effect: of stages only the first that the boot has not been in."""
    stages = [hit for hit in hits if hit.role == "stage" and not boot.has(hit.index)]
    return [hit for hit in hits if hit.role != "stage"] + stages[:1]
