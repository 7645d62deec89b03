"""Loading a rule table with located errors, and lints that find rules which cannot do what was meant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchd.rules.schema import RuleTable, When
from benchd.rules.values import Codes, literal_of
from benchd.tomlfile import FileProblems, Problem, dotted, locate, validate

Path = Sequence[str | int]


@dataclass(frozen=True, slots=True)
class Lint:
    """Something legal that is likely not meant: `name` of the lint, and where."""

    name: str
    problem: Problem

    def __str__(self) -> str:
        return f"{self.problem} [{self.name}]"


def load_text(text: str, file: str) -> RuleTable:
    """Return the table in `text`. Raises FileProblems with every error, each with file, line and key."""
    table = validate(RuleTable, text, file)
    wrong = list(_references(table))
    if wrong:
        raise FileProblems([Problem(file, locate(text, path), dotted(path), why) for path, why in wrong])
    return table


def check_text(text: str, file: str) -> tuple[RuleTable, list[Lint]]:
    """Return the table and its lints. Raises FileProblems as `load_text` does."""
    table = load_text(text, file)
    found = [*_overlaps(table), *_unreachable(table), *_never(table), *_no_literal(table)]
    lints = [Lint(name, Problem(file, locate(text, path), dotted(path), why)) for name, path, why in found]
    return table, sorted(lints, key=lambda lint: lint.problem.line)


def _references(table: RuleTable) -> Iterator[tuple[Path, str]]:
    """Errors that only the whole table shows: doubled names, names of stages that do not exist."""
    for kind in ("stage", "stall", "loop", "order", "fault", "check"):
        seen: set[str] = set()
        for i, rule in enumerate(getattr(table, kind)):
            if rule.name in seen:
                yield (kind, i, "name"), f"{rule.name!r} is used twice"
            seen.add(rule.name)
    stages = [s.name for s in table.stage]
    known = f"the stages are {', '.join(stages)}"
    for i, stall in enumerate(table.stall):
        if stall.in_ is not None and stall.in_ not in stages:
            yield ("stall", i, "in"), f"no stage is called {stall.in_!r}; {known}"
    for i, order in enumerate(table.order):
        for key, name in (("first", order.first), ("then", order.then)):
            if name not in stages:
                yield ("order", i, key), f"no stage is called {name!r}; {known}"


def _same_port(a: int | None, b: int | None) -> bool:
    return a is None or b is None or a == b


def _meet(a: Codes, b: Codes) -> bool:
    return a.wide == b.wide and a.low <= b.high and b.low <= a.high


def _covers(outer: When, inner: When) -> bool:
    """Whether everything that `inner` sees is seen by `outer` as well."""
    if outer.text is not None or inner.text is not None:
        return outer.text is not None and outer.text == inner.text
    assert outer.code is not None and inner.code is not None
    return (
        outer.code.wide == inner.code.wide
        and outer.code.low <= inner.code.low
        and inner.code.high <= outer.code.high
        and outer.port in (None, inner.port)
    )


def _overlaps(table: RuleTable) -> Iterator[tuple[str, Path, str]]:
    entries = [(i, k, w) for i, s in enumerate(table.stage) for k, w in enumerate(s.enter)]
    for n, (i, k, when) in enumerate(entries):
        for j, _, other in entries[:n]:
            if i == j or (table.stage[i].branch is not None and table.stage[i].branch == table.stage[j].branch):
                continue
            both_codes = when.code is not None and other.code is not None
            if both_codes and _same_port(when.port, other.port) and _meet(when.code, other.code):  # type: ignore[arg-type]
                why = f"{when} is also in stage {table.stage[j].name!r} ({other}); one code, one stage"
                yield "overlapping-codes", ("stage", i, "enter", k), why


def _unreachable(table: RuleTable) -> Iterator[tuple[str, Path, str]]:
    ports = set(table.table.ports)
    for i, stage in enumerate(table.stage):
        earlier = [w for s in table.stage[:i] for w in s.enter]
        reasons = []
        for when in stage.enter:
            if any(_covers(w, when) for w in table.boot.ignore):
                reasons.append(f"{when} is ignored in [boot]")
            elif any(_covers(w, when) for w in earlier):
                reasons.append(f"{when} always enters an earlier stage")
            elif when.port is not None and ports and when.port not in ports:
                reasons.append(f"port {when.port:X}h is not among the table's ports")
        if len(reasons) == len(stage.enter):
            yield "unreachable-stage", ("stage", i), f"stage {stage.name!r} cannot be reached: {'; '.join(reasons)}"


def _never(table: RuleTable) -> Iterator[tuple[str, Path, str]]:
    finals = {s.name for s in table.stage if s.final}
    final_whens = [w for s in table.stage if s.final for w in s.enter]
    for i, stall in enumerate(table.stall):
        path: Path = ("stall", i)
        after = stall.after
        if stall.in_ in finals:
            yield "never-fires", path, f"stage {stall.in_!r} is final: the boot is over there"
        if after is None:
            continue
        if any(_covers(w, after) for w in table.boot.ignore):
            yield "never-fires", path, f"{after} is ignored in [boot]"
        elif any(_covers(w, after) for w in final_whens):
            yield "never-fires", path, f"{after} enters a final stage: the boot is over there"
        for other in table.stall[:i]:
            if other.after is not None and _covers(other.after, after) and other.quiet <= stall.quiet:
                yield "never-fires", path, f"stall {other.name!r} always fires first ({other.after}, sooner)"
                break
    for i, order in enumerate(table.order):
        if order.first == order.then:
            yield "never-fires", ("order", i), "a stage cannot come before itself"
        elif order.first in finals:
            yield "never-fires", ("order", i), f"stage {order.first!r} is final: nothing comes after it"
    for i, loop in enumerate(table.loop):
        ignored = [c for c in loop.codes if any(_covers(w, When(code=c)) for w in table.boot.ignore)]
        if ignored:
            yield "never-fires", ("loop", i), f"code {ignored[0]} is ignored in [boot]"
    for i, check in enumerate(table.check):
        if check.passed == check.failed:
            yield "never-fires", ("check", i), "pass and fail are the same pattern"


def _patterns(table: RuleTable) -> Iterator[tuple[Path, str]]:
    def of(path: Path, when: When | None) -> Iterator[tuple[Path, str]]:
        if when is not None and when.text is not None:
            yield path, when.text

    for i, when in enumerate(table.boot.starts):
        yield from of(("boot", "starts", i), when)
    for i, when in enumerate(table.boot.ignore):
        yield from of(("boot", "ignore", i), when)
    for i, stage in enumerate(table.stage):
        for k, when in enumerate(stage.enter):
            yield from of(("stage", i, "enter", k), when)
    for i, stall in enumerate(table.stall):
        yield from of(("stall", i, "after"), stall.after)
    for i, fault in enumerate(table.fault):
        yield from of(("fault", i, "seen"), fault.seen)
    for i, check in enumerate(table.check):
        yield ("check", i, "pass"), check.passed
        yield ("check", i, "fail"), check.failed


def _no_literal(table: RuleTable) -> Iterator[tuple[str, Path, str]]:
    for path, pattern in _patterns(table):
        if len(literal_of(pattern)) < 3:
            why = f"pattern {pattern!r} has no fixed text of 3 characters or more: it is slow and fires by chance"
            yield "no-literal", path, why
