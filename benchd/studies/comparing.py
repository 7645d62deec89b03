"""Boots and trials from the store as groups that `trials.compare` takes; codes and lines from their captures.

find_groups(store, names) -> list[Group]           ids of boots or trials, or unique beginnings
compare_groups(store, groups, ...) -> Compared     ladders, times, rates, checks, predictions
boot_log(boot, events) -> BootLog
read_events(paths, wanted) -> (events by boot, problems)
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.errors import BenchError, UsageError
from benchd.inference.bootlog import MAX_EVENTS, BootGroup, BootLog, Event, stage_marks
from benchd.store import Store
from benchd.studies.goal import check_results
from benchd.studies.loaded import IMPORTED, complete, open_study
from benchd.studies.scan_prediction import explain_boot
from benchd.vocabulary.events import CodeSeen, LineSeen
from benchd.vocabulary.models import Boot

if TYPE_CHECKING:
    from benchd.inference.compare import Comparison
    from benchd.inference.study import Change

READ_MOST = 24
"""Boots of a group whose captures are read for codes and lines; times and rates are counted over all."""
OUTCOME = {"cut-short": "cut short", "link-lost": "link lost", "running": "cut short"}


@dataclass(frozen=True, slots=True)
class Group:
    """The boots that one name stands for. `trial` is its id where the name is a trial's."""

    name: str
    boots: tuple[Boot, ...]
    trial: str | None


@dataclass(frozen=True, slots=True)
class CheckSide:
    """One check in two groups: passed and done on each side, Fisher's p."""

    check: str
    a: tuple[int, int]
    b: tuple[int, int]
    p: float | None

    def to_json(self) -> dict[str, Any]:
        return {
            "check": self.check,
            "a": {"passed": self.a[0], "done": self.a[1]},
            "b": {"passed": self.b[0], "done": self.b[1]},
            "p": self.p,
        }


@dataclass(frozen=True, slots=True)
class Reached:
    """A stage that one group reaches more often than the other: k of n boots on each side, Fisher's p."""

    stage: str
    a: tuple[int, int]
    b: tuple[int, int]
    p: float | None

    def words(self, a_name: str, b_name: str) -> str:
        """As part of a sentence, the side that reaches it more often first."""
        sides = [(a_name, *self.a), (b_name, *self.b)]
        (more, k, n), (less, j, m) = sorted(sides, key=lambda side: -side[1] / side[2])
        return f"stage {self.stage} is reached in {k} of {n} boots of {more}, in {j} of {m} of {less}"

    def to_json(self) -> dict[str, Any]:
        return {
            "stage": self.stage,
            "a": {"k": self.a[0], "n": self.a[1]},
            "b": {"k": self.b[0], "n": self.b[1]},
            "p": self.p,
        }


@dataclass(frozen=True, slots=True)
class Compared:
    """Every group against the first, with what the studies know besides.

    `reached` names stages whose share differs by half or more, or shows a difference (Fisher, p below 0.05).
    """

    groups: tuple[Group, ...]
    comparisons: tuple[Comparison, ...]
    reached: tuple[tuple[Reached, ...], ...]
    checks: tuple[tuple[CheckSide, ...], ...]
    changed: tuple[tuple[Change, ...], ...]
    predictions: Mapping[str, list[str]]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """The contract of `benchd compare --json`: the first comparison's keys; more groups under `others`."""
        out = []
        for one, reached, checks, changed in zip(
            self.comparisons, self.reached, self.checks, self.changed, strict=True
        ):
            out.append(
                one.to_json()
                | {
                    "reached": [stage.to_json() for stage in reached],
                    "checks": [check.to_json() for check in checks],
                    "changes": [change.to_json() for change in changed],
                }
            )
        whole = out[0]
        whole["notes"] = [*self.comparisons[0].notes, *self.notes]
        whole["predictions"] = dict(self.predictions)
        whole["boots"] = {group.name: [boot.id for boot in group.boots] for group in self.groups}
        if len(out) > 1:
            whole["others"] = out[1:]
        return whole


def find_groups(store: Store, names: Sequence[str]) -> list[Group]:
    """The boots meant by each name. Raises UsageError for unknown names, doubled ones, and trials without boots."""
    trials = {trial.id: trial for trial in store.trials()}
    out: list[Group] = []
    for name in names:
        trial = trials.get(name) or trials.get(name.upper())
        if trial is None and name[:1] in "Tt" and name[1:].isdigit():
            trial = store.trial(name)
        if trial is not None:
            if trial.machine == IMPORTED:
                raise UsageError(f"trial {trial.id} came from a file: it has results but no boots to compare")
            boots = [
                boot
                for boot in store.boots(trial=trial.id, newest_first=False)
                if boot.passes_of is None and boot.outcome != "running"
            ]
            if not boots:
                raise UsageError(f"trial {trial.id} has no boots that ended yet; boot the machine once")
            group = Group(trial.id, tuple(boots), trial.id)
        elif name == "last":
            newest = store.boots(limit=1)
            if not newest:
                raise UsageError("no boots are stored yet")
            group = Group(newest[0].id, (newest[0],), None)
        else:
            boot = store.boot(name)
            group = Group(boot.id, (boot,), None)
        if group.name in {other.name for other in out}:
            raise UsageError(f"{group.name} is named twice; compare different boots or trials")
        out.append(group)
    return out


def boot_log(boot: Boot, events: Sequence[Event] = ()) -> BootLog:
    """A boot as the comparison sees it. A finished one ends with its last stage, another when last watched."""
    finished = boot.outcome == "finished"
    entries = [(stage.name, stage.t) for stage in boot.stages]
    end = max(0.0, boot.duration_s)
    if finished:
        # What the system prints after the hand-over is no part of the boot.
        end = max((t for name, t in entries if name == boot.last_stage), default=end)
        end = max([end, *(t for _, t in entries)])
    elif boot.ended is not None:
        watched = datetime.fromisoformat(boot.ended) - datetime.fromisoformat(boot.started)
        end = max(end, watched.total_seconds())
    return BootLog(
        boot.id,
        OUTCOME.get(boot.outcome, boot.outcome),
        end,
        stage_marks(entries, end, finished),
        tuple(events),
    )


def read_events(wanted: Mapping[Path, Iterable[str]]) -> tuple[dict[str, list[Event]], list[str]]:
    """Codes and whole lines of the boots wanted from each capture, by boot; and what could not be read."""
    from benchd.watch.trace import TraceReader

    found: dict[str, list[Event]] = {}
    reader = TraceReader()
    problems: list[str] = []
    for path, names in wanted.items():
        for name in names:
            try:
                own = list(islice(filter(None, map(logged, reader.events(name, path))), MAX_EVENTS + 1))
            except BenchError as error:
                problems.append(str(error))
            else:
                found[name] = sorted(own, key=lambda event: event.t_s)
    return found, [*dict.fromkeys(problems + reader.problems)]


def logged(event: object) -> Event | None:
    """A code or a whole line as the comparison takes it; None for anything else."""
    if isinstance(event, CodeSeen):
        return Event("code", event.code, event.t or 0.0)
    if isinstance(event, LineSeen) and not event.partial and event.text.strip():
        return Event("line", event.text, event.t or 0.0)
    return None


def events_of(store: Store, boots: Sequence[Boot]) -> tuple[dict[str, list[Event]], list[str]]:
    """Codes and lines of stored boots from their captures; stages stand in for a boot without capture."""
    by_path: dict[Path, list[str]] = defaultdict(list)
    missing = 0
    for boot in boots:
        known = store.capture_of(boot.id)
        if known is not None and Path(known).is_file():
            by_path[Path(known)].append(boot.id)
        else:
            missing += 1
    found, problems = read_events(by_path) if not missing else ({}, [])
    if missing:
        problems.append(f"{missing} captures are not there any more: stages are compared instead of codes and lines")
    if missing or not found:
        found = {boot.id: [Event("line", f"stage {s.name}", s.t) for s in boot.stages] for boot in boots}
    return found, problems


def compare_groups(store: Store, groups: Sequence[Group], *, read: bool = True) -> Compared:
    """Compare every group with the first. `read` False leaves the captures alone: stages only."""
    from dataclasses import replace

    from benchd.inference.compare import compare

    notes: list[str] = []
    whole = [BootGroup(g.name, tuple(boot_log(boot) for boot in g.boots)) for g in groups]
    chosen = [_evenly(group.boots) for group in groups]
    if read:
        events, problems = events_of(store, [boot for boots in chosen for boot in boots])
        notes += problems
    else:
        events = {b.id: [Event("line", f"stage {s.name}", s.t) for s in b.stages] for boots in chosen for b in boots}
    parts = [
        BootGroup(g.name, tuple(boot_log(boot, events.get(boot.id, ())) for boot in boots))
        for g, boots in zip(groups, chosen, strict=True)
    ]
    if all(len(part.boots) == len(group.boots) for part, group in zip(parts, groups, strict=True)):
        comparisons = compare(parts)
    else:
        notes.append(f"codes and lines are compared over {READ_MOST} boots of each, evenly chosen")
        comparisons = tuple(
            replace(
                one,
                first_divergence=own.first_divergence,
                lasting_divergence=own.lasting_divergence,
                only=own.only,
            )
            for one, own in zip(compare(whole), compare(parts), strict=True)
        )
    checks = [_checks(store, group) for group in groups]
    sides = tuple(_check_sides(checks[0], other) for other in checks[1:])
    reached = tuple(_reached(groups[0], other) for other in groups[1:])
    return Compared(
        tuple(groups),
        tuple(_checked(_led(one, own), differ) for one, own, differ in zip(comparisons, reached, sides, strict=True)),
        reached,
        sides,
        tuple(_changed(store, groups[0], other) for other in groups[1:]),
        {group.name: told for group in groups if (told := predicted(store, group, events))},
        tuple(dict.fromkeys(notes)),
    )


def _led(one: Comparison, reached: Sequence[Reached]) -> Comparison:
    """The comparison with a stage that only one side reaches put first in its sentence: on a bench it matters most."""
    from dataclasses import replace

    if not reached:
        return one
    first = max(reached, key=lambda stage: abs(stage.a[0] / stage.a[1] - stage.b[0] / stage.b[1]))
    text = first.words(one.a_name, one.b_name)
    rest = one.sentence
    if rest.startswith("No difference"):
        return replace(one, sentence=f"{text[0].upper()}{text[1:]}.")
    if not rest.startswith(one.a_name) and not rest.startswith(one.b_name):
        rest = rest[0].lower() + rest[1:]
    return replace(one, sentence=f"{text[0].upper()}{text[1:]}; {rest}")


def _checked(one: Comparison, checks: Sequence[CheckSide]) -> Comparison:
    """The comparison with the check that differs most named in its sentence."""
    from dataclasses import replace

    def apart(check: CheckSide) -> float:
        return abs(check.a[0] / check.a[1] - check.b[0] / check.b[1]) if check.a[1] and check.b[1] else 0.0

    differ = [check for check in checks if apart(check) >= 0.5 or (check.p is not None and check.p < 0.05)]
    if not differ:
        return one
    most = max(differ, key=lambda check: (check.p is not None and check.p < 0.05, apart(check)))
    sure = most.p is not None and most.p < 0.05
    tail = f" (p {most.p:.2g})" if sure else ", too few boots to count on it"
    return replace(one, sentence=f"{one.sentence.removesuffix('.')}; check {most.check} differs{tail}.")


def _reached(a: Group, b: Group) -> tuple[Reached, ...]:
    from benchd.inference.timing import fisher, wilson

    out = []
    names = dict.fromkeys(stage.name for group in (a, b) for boot in group.boots for stage in boot.stages)
    for name in names:
        sides = [
            (sum(any(s.name == name for s in boot.stages) for boot in group.boots), len(group.boots))
            for group in (a, b)
        ]
        p = fisher(wilson(*sides[0]), wilson(*sides[1]))
        apart = abs(sides[0][0] / sides[0][1] - sides[1][0] / sides[1][1])
        if apart >= 0.5 or (p is not None and p < 0.05):
            out.append(Reached(name, sides[0], sides[1], p))
    return tuple(out)


def _evenly(boots: Sequence[Boot]) -> list[Boot]:
    if len(boots) <= READ_MOST:
        return list(boots)
    return [boots[i * len(boots) // READ_MOST] for i in range(READ_MOST)]


def _checks(store: Store, group: Group) -> dict[str, tuple[int, int]]:
    counts: dict[str, list[bool]] = defaultdict(list)
    entered = store.results(trial=group.trial) if group.trial else []
    for boot in group.boots:
        own = [r for r in entered if r.boot == boot.id] if group.trial else store.results(boot=boot.id)
        for name, passed in check_results(boot, own).items():
            counts[name].append(passed)
    for one in entered:
        if one.boot is None:
            counts[one.check].append(one.passed)
    return {name: (sum(found), len(found)) for name, found in counts.items()}


def _check_sides(a: Mapping[str, tuple[int, int]], b: Mapping[str, tuple[int, int]]) -> tuple[CheckSide, ...]:
    from benchd.inference.timing import fisher, wilson

    out = []
    for name in dict.fromkeys([*a, *b]):
        left, right = a.get(name, (0, 0)), b.get(name, (0, 0))
        out.append(CheckSide(name, left, right, fisher(wilson(*left), wilson(*right))))
    return tuple(out)


def _changed(store: Store, a: Group, b: Group) -> tuple[Change, ...]:
    """What differs between two setups of one study; nothing where that is not known."""
    ids = [group.trial or next((boot.trial for boot in group.boots if boot.trial), None) for group in (a, b)]
    if None in ids:
        return ()
    left, right = (store.trial(one) for one in ids if one is not None)
    if left.study != right.study:
        return ()
    study = open_study(store, left.study).study
    return study.changes(complete(study, left.setup)[0], complete(study, right.setup)[0])


def predicted(store: Store, group: Group, events: Mapping[str, Sequence[Event]] | None = None) -> list[str]:
    """What was foretold for the group's trial, held against its boots: each sentence, and in how many boots."""
    ids = dict.fromkeys(boot.trial for boot in group.boots if boot.trial)
    counts: dict[str, int] = defaultdict(int)
    number = 0
    for trial in ids:
        stored = store.predictions(trial)
        for boot in (b for b in group.boots if b.trial == trial) if stored else ():
            number += 1
            own = (events or {}).get(boot.id, ())
            codes = [int(e.value, 16) for e in own if e.kind == "code" and len(e.value) == 2]
            lines = [e.value for e in own if e.kind == "line"]
            for sentence in explain_boot(stored[-1].document, boot, codes, lines):
                counts[sentence] += 1
    return [text if n == number else f"{text} ({n} of {number} boots)" for text, n in counts.items()]
