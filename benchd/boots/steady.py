"""Codes and lines of a running boot that change nothing but counts and times: judged by the run, by a short way.

What each means is told by `tracker.py`, one observation at a time; here is what it comes to where a boot runs, no
deadline falls, and no rule goes by what came. What is not sure here is left to the tracker.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import islice
from typing import cast

from benchd.boots.deadlines import least_quiet, soonest
from benchd.boots.lines import Lines
from benchd.boots.loops import may_close
from benchd.boots.machine import TOUCHED, BootMachine
from benchd.boots.state import BootState, shown
from benchd.boots.strange import WRONG_LINES, says_strange
from benchd.rules.match import Matcher
from benchd.vocabulary.events import CodeSeen, LineSeen
from benchd.vocabulary.observations import Code, Observation, Text
from benchd.vocabulary.times import NS

NEVER = 1 << 62

Way = tuple[str, bool, str, tuple[int, ...]]
"""Of a code that changes nothing: how it is shown, whether the table knows it, what is kept as the last code, and the
stall rules whose `after` it is."""


class Steady:
    """The short ways of one machine.

    `now_ns`: up to where time has come by what was taken last; `clear_ns`: no deadline falls before it since.
    """

    def __init__(self, machine: BootMachine, matcher: Matcher, lines: Lines) -> None:
        self.machine, self._matcher, self._lines = machine, matcher, lines
        self._judges = matcher.table.table.judges
        self.least_s = least_quiet(matcher.table)
        """For `soonest`."""
        self.now_ns = self.clear_ns = 0
        self._ways: dict[tuple[int, int | None, bool], Way] = {}
        self._boot: BootState | None = None
        self._entered, self._slow_ns = 0, NEVER
        self._after_list: list[tuple[int, int]] = []
        self._after: tuple[int, ...] | None = ()
        """What `_after_of` says of that list, which is never changed but put away for another."""
        self._seen: Sequence[Observation] | None = None
        self._texts: list[str] = []
        self._may_fire: list[int] = []
        """The places of lines that may fire, ascending, and the end of all."""

    def __reduce__(self) -> tuple[object, ...]:
        """A state needs nothing of what was looked up."""
        return Steady, (self.machine, self._matcher, self._lines)

    def run(self, seen: Sequence[Observation], start: int, now_ns: int, clear_ns: int, codes: bool, shows: bool) -> int:
        """Judge observations from `start` on as long as they go the short way; return where the next one stands.

        Time has come to `now_ns`, and no deadline falls before `clear_ns`; `codes` False: a code goes none. Codes and
        lines are told of where it `shows` them.
        """
        machine = self.machine
        boot = machine.boot
        if boot is None or machine.phase not in TOUCHED or machine.off_ns is not None or not self._judges:
            return start
        if boot is not self._boot or self._slow_ns <= now_ns or len(boot.entered) != self._entered:
            self._look(boot)
        self.now_ns, self.clear_ns = now_ns, clear_ns
        if not start:
            self._seen = None
        place, count = start, len(seen)
        while True:
            before, most_ns = place, self.clear_ns if self.clear_ns < self._slow_ns else self._slow_ns
            if isinstance(seen[place], Text):
                place = self._run_lines(boot, seen, place, most_ns, shows)
            elif codes:
                place = self._run_codes(boot, seen, place, most_ns, shows)
            if place in (count, before):
                return place

    def _look(self, boot: BootState) -> None:
        """Another boot, or another stage, or one that is over its limit: a sign of life tells so, once."""
        self._ways, self._boot, self._entered = {}, boot, len(boot.entered)
        stage = boot.stage
        limit = None if stage is None or stage.slow else stage.limit
        self._slow_ns = NEVER if stage is None or limit is None else stage.t_ns + int(limit.seconds * NS)

    # ------------------------------------------------------------------ codes

    def _run_codes(self, boot: BootState, seen: Sequence[Observation], start: int, most_ns: int, shows: bool) -> int:
        if (after := self._after_now(boot)) is None:
            return start
        machine, ways, now_ns, place, way = self.machine, self._ways, self.now_ns, start, None
        recent, pass_codes, started_ns = boot.recent, machine.pass_codes, boot.start_ns
        for one in islice(seen, start, None):
            if not isinstance(one, Code) or not now_ns <= one.t_ns < most_ns:
                break
            found = ways.get((one.value, one.port, one.wide)) or self._way(boot, one)
            if found is None or found[3] != after:
                break
            way, now_ns = found, one.t_ns
            recent.append(one.value)
            pass_codes.append(one.value)
            place += 1
            if shows:
                t = (now_ns - started_ns) / NS if now_ns > started_ns else 0.0
                told = CodeSeen(machine.machine, now_ns, one.u_ns, one.link, boot.id, t, way[0], one.port, way[1])
                machine.out.append(told)
        if way is not None:
            if after:
                self._after_list = boot.after = [(index, now_ns) for index in after]
            self.now_ns, boot.last_code, boot.again_ns = now_ns, way[2], None
            boot.codes += place - start
            machine.since_start += place - start
            if now_ns > boot.last_ns:
                boot.last_ns = now_ns
        return place

    def _after_now(self, boot: BootState) -> tuple[int, ...] | None:
        """Return what `_after_of` says; None where no code of the boot was seen yet."""
        if boot.after is not self._after_list:
            self._after_list, self._after = boot.after, self._after_of(boot)
        return self._after if boot.codes else None

    def _after_of(self, boot: BootState) -> tuple[int, ...] | None:
        """Return the stall rules whose `after` was the last code; None where the last text was that of one as well.

        Where they are the same again, and none goes by text, another such code only puts their silence off.
        """
        if not self._follows(boot, by_text=False):
            return ()
        return None if self._follows(boot, by_text=True) else tuple(index for index, _ in boot.after)

    def _follows(self, boot: BootState, by_text: bool) -> bool:
        """Whether what came last by code (or by text) was a stall rule's `after`: the next such one ends that."""
        return any(self._by_text(index) == by_text for index, _ in boot.after)

    def _by_text(self, index: int) -> bool:
        """Whether a stall rule's `after` is a text; it must have one."""
        return self.machine.table.stall[index].after.text is not None  # type: ignore[union-attr]

    def _way(self, boot: BootState, seen: Code) -> Way | None:
        """Return how a code is told that changes nothing for as long as the boot is in its stage; None: it may."""
        value, port, wide = seen.value, seen.port, seen.wide
        if (value == 0xFF and not wide) or not self._matcher.listens(port):
            return None
        known, hits = self._matcher.code_told(value, port, wide)
        if not all(hit.role == "stall" or (hit.role == "stage" and boot.has(hit.index)) for hit in hits):
            return None
        table = self.machine.table
        if says_strange(table, boot, value, known) or any(may_close(value, rule) for rule in table.loop):
            return None
        boot.values.add(value & 0xFF)
        after = tuple(hit.index for hit in hits if hit.role == "stall")
        way = self._ways[value, port, wide] = f"{value:04X}" if wide else shown(value), known, shown(value), after
        return way

    # ------------------------------------------------------------------ lines

    def _look_through(self, seen: Sequence[Observation]) -> None:
        """Look all that is to be judged now through for lines that a rule may go by."""
        self._seen = seen
        self._texts = [one.text if isinstance(one, Text) else "" for one in seen]
        may_fire = self._matcher.may_fire(self._texts)
        self._may_fire = [*sorted(may_fire), len(seen)] if may_fire else [len(seen)]

    def _run_lines(self, boot: BootState, seen: Sequence[Observation], start: int, most_ns: int, shows: bool) -> int:
        after = boot.after and self._follows(boot, by_text=True)
        if after:  # that ends with the first line, and silence means another thing from there on
            most_ns = min(most_ns, soonest(boot, self.least_s))
        if seen is not self._seen:
            self._look_through(seen)
        may_fire, spare = self._may_fire, WRONG_LINES - boot.texts - 1
        end = may_fire[0] if may_fire[0] >= start else may_fire[bisect_left(may_fire, start)]
        end = self._plain(seen, start, end if spare < 0 else min(end, start + spare), most_ns)
        count = boot.said.take_new(self._texts[start:end]) if boot.lines else 0
        if not count:
            return start
        if after:
            boot.after = [(index, t_ns) for index, t_ns in boot.after if not self._by_text(index)]
            self.clear_ns = min(self.clear_ns, most_ns)
        lines = cast(Sequence[Text], seen[start : start + count])
        last = lines[-1]
        self._lines.now[last.link], self.now_ns = (last.line, last.text, None), last.at_ns
        boot.last_ns, boot.again_ns = _latest(lines, boot.last_ns), None
        boot.lines += count
        boot.texts += count
        self.machine.since_start += count
        if shows:
            self._show(boot, lines)
        return start + count

    def _show(self, boot: BootState, lines: Sequence[Text]) -> None:
        name, by, started_ns = self.machine.machine, boot.id, boot.start_ns
        self.machine.out += [
            LineSeen(
                name, one.t_ns, one.u_ns, one.link, by, (one.t_ns - started_ns) / NS if one.t_ns > started_ns else 0.0,
                one.line, one.text, one.partial, False,
            )
            for one in lines
        ]  # fmt: skip

    def _plain(self, seen: Sequence[Observation], start: int, end: int, most_ns: int) -> int:
        """Return up to where there are lines of one link, none told before and none of a report, before `most_ns`."""
        place, now_ns, link = start, self.now_ns, seen[start].link  # type: ignore[union-attr]
        before = self._lines.now.get(link)
        number = None if before is None else before[0]
        for one in islice(seen, start, end):
            if not isinstance(one, Text) or one.line == number or one.link != link or one.report is not None:
                break
            at_ns = one.at_ns
            if not now_ns <= at_ns < most_ns:
                break
            number, now_ns = one.line, at_ns
            place += 1
        return place


def _latest(lines: Sequence[Text], last_ns: int) -> int:
    """Return the last sign of life (ns): `last_ns`, or that of one of the lines, which are in order of `at_ns`."""
    place = len(lines)
    while place and (at_ns := lines[place - 1].at_ns) > last_ns:  # else so were all before
        place -= 1
        life_ns = lines[place].last_ns
        last_ns = max(last_ns, life_ns if life_ns < at_ns else at_ns)
    return last_ns
