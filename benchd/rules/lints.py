"""Lints: things in a table that are legal, and cannot do what was meant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchd.rules.schema import Place, RuleTable, StallRule, When
from benchd.rules.values import Codes, literal_of
from benchd.tomlfile import Problem

Found = tuple[str, Place, str]

SHORTEST_LITERAL = 3

LINTS = {
    "overlapping-codes": "the same code enters two stages; only one of them can be meant",
    "unreachable-stage": "nothing can enter this stage",
    "never-fires": "this rule can never fire",
    "no-literal": f"a pattern without {SHORTEST_LITERAL} fixed characters in a row: it fires by chance",
    "no-final": "no stage is final, so no boot of this table ever counts as finished",
    "contradiction": "two values that exclude each other",
    "doubled-meaning": "a code is explained twice on the same port",
}
"""Every lint and what it says."""


@dataclass(frozen=True, slots=True)
class Lint:
    """Something legal that is likely not meant: `name` of the lint (see LINTS), and where."""

    name: str
    problem: Problem

    def __str__(self) -> str:
        return f"{self.problem} [{self.name}]"


def find_lints(table: RuleTable) -> list[Found]:
    """Return (lint, path, why) for all that is found."""
    return [
        *_overlaps(table),
        *_unreachable(table),
        *_never_seen(table),
        *_never_in_time(table),
        *_never_first(table),
        *_never_other(table),
        *_no_literal(table),
        *_contradictions(table),
        *_doubled(table),
    ]


def _same_port(a: int | None, b: int | None) -> bool:
    return a is None or b is None or a == b


def _meet(a: Codes | None, b: Codes | None) -> bool:
    return a is not None and b is not None and a.wide == b.wide and a.low <= b.high and b.low <= a.high


def _covers(outer: When, inner: When) -> bool:
    """Whether everything that `inner` sees is seen by `outer` as well."""
    if outer.code is None or inner.code is None:
        return outer.text is not None and outer.text == inner.text
    return (
        outer.code.wide == inner.code.wide
        and outer.code.low <= inner.code.low
        and inner.code.high <= outer.code.high
        and outer.port in (None, inner.port)
    )


def _deaf(table: RuleTable, when: When) -> str:
    """Return why `when` is never seen at all, or ""."""
    if any(_covers(w, when) for w in table.boot.ignore):
        return f"{when} is ignored in [boot]"
    if when.port is not None and table.table.ports and when.port not in table.table.ports:
        return f"port {when.port:X}h is not among the table's ports"
    return ""


def _overlaps(table: RuleTable) -> Iterator[Found]:
    entries = [(i, k, w) for i, s in enumerate(table.stage) for k, w in enumerate(s.enter)]
    for n, (i, k, when) in enumerate(entries):
        for j, _, other in entries[:n]:
            if i != j and _same_port(when.port, other.port) and _meet(when.code, other.code):
                why = f"{when} is also in stage {table.stage[j].name!r} ({other}); one code, one stage"
                yield "overlapping-codes", ("stage", i, "enter", k), why


def _unreachable(table: RuleTable) -> Iterator[Found]:
    for i, stage in enumerate(table.stage):
        earlier = [w for s in table.stage[:i] for w in s.enter]
        reasons = []
        for when in stage.enter:
            reason = _deaf(table, when)
            if not reason and any(_covers(w, when) for w in earlier):
                reason = f"{when} enters an earlier stage"
            if reason:
                reasons.append(reason)
        if len(reasons) == len(stage.enter):
            why = f"stage {stage.name!r} cannot be reached: {'; '.join(reasons)}"
            yield "unreachable-stage", ("stage", i), why


def _never_seen(table: RuleTable) -> Iterator[Found]:
    for role, _, path, when in table.watched_for():
        if role not in ("stage", "ignore") and (reason := _deaf(table, when)):
            yield "never-fires", path, reason
    for i, loop in enumerate(table.loop):
        for k, codes in enumerate(loop.codes):
            if reason := _deaf(table, When(code=codes)):
                yield "never-fires", ("loop", i, "codes", k), reason


def _same_place(a: StallRule, b: StallRule) -> bool:
    """Whether `a` waits wherever `b` does."""
    if a.after is not None and b.after is not None:
        return _covers(a.after, b.after)
    return a.in_ is not None and a.in_ == b.in_


def _never_in_time(table: RuleTable) -> Iterator[Found]:
    """Stall points where the boot is over already."""
    finals = [s for s in table.stage if s.final]
    for i, stall in enumerate(table.stall):
        if any(stall.in_ == s.name for s in finals):
            yield "never-fires", ("stall", i, "in"), f"stage {stall.in_!r} is final: the boot is over there"
        if stall.after is not None and any(_covers(w, stall.after) for s in finals for w in s.enter):
            why = f"{stall.after} enters a final stage: the boot is over there"
            yield "never-fires", ("stall", i, "after"), why


def _never_first(table: RuleTable) -> Iterator[Found]:
    """Stall points that another one always beats: of all that wait at one place the shortest `quiet` speaks."""
    by_quiet = sorted(enumerate(table.stall), key=lambda pair: (pair[1].quiet, pair[0]))
    for n, (i, stall) in enumerate(by_quiet):
        sooner = {j: other for j, other in by_quiet[:n] if _same_place(other, stall)}
        if sooner:
            other = sooner[min(sooner)]
            yield "never-fires", ("stall", i), f"stall {other.name!r} always fires first, {other.quiet:g} s"


def _never_other(table: RuleTable) -> Iterator[Found]:
    finals = {s.name for s in table.stage if s.final}
    for i, order in enumerate(table.order):
        if order.first == order.then:
            yield "never-fires", ("order", i), "a stage cannot come before itself"
        elif order.then in finals and order.first not in finals and not _after_final(table, order.first):
            why = f"stage {order.then!r} is final: {order.first!r} would be missing then, not late"
            yield "never-fires", ("order", i, "then"), why
    for i, check in enumerate(table.check):
        if check.passed == check.failed:
            yield "never-fires", ("check", i, "fail"), "pass and fail are the same pattern"


def _after_final(table: RuleTable, name: str) -> bool:
    names = [s.name for s in table.stage]
    return names.index(name) > min(i for i, s in enumerate(table.stage) if s.final)


def _no_literal(table: RuleTable) -> Iterator[Found]:
    for _, _, path, when in table.watched_for():
        if when.text is not None and len(literal_of(when.text)) < SHORTEST_LITERAL:
            why = f"pattern {when.text!r} has no {SHORTEST_LITERAL} fixed characters in a row: fires by chance"
            yield "no-literal", path, why


def _contradictions(table: RuleTable) -> Iterator[Found]:
    if table.table.judges and not any(s.final for s in table.stage):
        yield "no-final", ("stage",), "no stage is final: set final = true where the boot is over"
    branches = [s.branch for s in table.stage if s.branch is not None]
    for i, stage in enumerate(table.stage):
        path = ("stage", i)
        if stage.limit is not None and stage.floor is not None and stage.floor > stage.limit:
            why = f"floor {stage.floor:g} s is above limit {stage.limit:g} s: learning could only loosen it"
            yield "contradiction", (*path, "floor"), why
        if stage.limit is not None and stage.usual is not None and stage.usual > stage.limit:
            why = f"usual {stage.usual:g} s is above limit {stage.limit:g} s: good boots would be slow"
            yield "contradiction", (*path, "usual"), why
        if stage.branch is not None and branches.count(stage.branch) == 1:
            why = f"no other stage has branch {stage.branch!r}: there is nothing to choose"
            yield "contradiction", (*path, "branch"), why


def _doubled(table: RuleTable) -> Iterator[Found]:
    for i, entry in enumerate(table.code):
        for other in table.code[:i]:
            if entry.port == other.port and _meet(entry.code, other.code):
                yield "doubled-meaning", ("code", i, "code"), f"{entry.code} is also explained by {other.code}"
                break
